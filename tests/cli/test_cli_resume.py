"""Going on with a run that was cut short, a disk that is full in mid-run, two processes on one bench."""

from __future__ import annotations

import json
import os
import resource
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from harness.bench.bench import open_bench
from harness.bench.lock import BenchInUse, BenchLock, lock_file
from harness.bench.spec import load_bench, shipped_bench
from harness.cli import main
from harness.files.profile import load_device, shipped_device
from harness.inspection.opened import opened
from harness.record.journal import Journal
from harness.record.reader import Record
from harness.record.result import Verdict

FIRST = """
format: 1
name: first
title: Who it is
device: heater
steps:
  - identify
"""
SECOND = """
format: 1
name: second
title: A set-point, a trip and a long wait
device: heater
preconditions:
  - power_cycle: {duration: 1 s}
steps:
  - write_set_points: {values: {overload_pickup: 20 A}}
  - check_status: {state: off}
  - close
  - expect_no_trip: {inject: 10 A, duration: 1 s}
  - open
WAITS
"""
WAITS = "\n".join("  - wait: {duration: 60 s}" for _ in range(12))
RUN = [sys.executable, "-m", "harness", "run", "--json"]


def invoke(*arguments: object) -> Result:
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


@pytest.fixture
def cut(tmp_path: Path) -> tuple[Path, list[dict[str, Any]]]:
    """The record of a run that was killed amid its second plan, with the set-point written, and what it had said."""
    (tmp_path / "1.yaml").write_text(FIRST)
    (tmp_path / "2.yaml").write_text(SECOND.replace("WAITS", WAITS))
    command = [*RUN, "--operator", "A. Tester", "--runs", str(tmp_path / "runs"), *map(str, sorted(tmp_path.iterdir()))]
    run = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
    assert run.stdout is not None
    said = []
    while len(said) < 8:
        said.append(json.loads(run.stdout.readline()))
    run.send_signal(signal.SIGKILL)
    run.communicate()
    (folder,) = (tmp_path / "runs").iterdir()
    return folder, said


def short(folder: Path) -> None:
    """A run of one plan, whole."""
    folder.mkdir(exist_ok=True)
    (folder / "1.yaml").write_text(FIRST)
    assert invoke("run", folder / "1.yaml", "--runs", folder / "runs").exit_code == 0


def test_a_killed_run_is_gone_on_with(cut: tuple[Path, list[dict[str, Any]]]) -> None:
    folder, said = cut
    record = Record(folder)
    stopped, first = record.stopped_at(), next(record.results())
    assert [line["id"] for line in said] == [result.id for result in record.results()][:8]
    assert stopped is not None and stopped.startswith(("second/wait_", "after second/wait_"))
    assert record.about()["operator"] == "A. Tester" and "ended" not in record.about()
    record.close()

    shown = invoke("run", "--resume", folder, "--json")

    lines = [json.loads(line) for line in shown.stdout.splitlines()]
    assert shown.exit_code == 0, shown.stderr
    assert lines[0]["id"] == "second/precondition_power_cycle_1"  # and nothing of the first plan
    assert lines[-1]["counts"]["pass"] == 1 + 6 + 12  # the first plan's earlier result among them
    record = Record(folder)
    ids = [result.id for result in record.results()]
    assert ids[0] == "first/identify_1" and len(ids) == len(set(ids)) == 1 + 6 + 12
    assert next(record.results()) == first
    assert [result.id for result in record.superseded()][:2] == [line["id"] for line in said[1:3]]
    assert record.about()["exit_code"] == "0" and record.stopped_at() is None
    assert record.about()["operator"] == "A. Tester"
    moments = [reading.moment for reading in record.identities()]
    assert moments == ["start", "after reset", "start", "after reset", "end"]
    record.close()


def test_nothing_is_gone_on_with_where_a_file_has_changed(cut: tuple[Path, list[dict[str, Any]]]) -> None:
    folder, _ = cut
    plan = folder.parents[1] / "2.yaml"
    plan.write_text(plan.read_text() + "# changed\n")

    shown = invoke("run", "--resume", folder)

    assert shown.exit_code == 2
    assert f"not as they were when the run began (or not below this folder): {plan}" in shown.stderr
    assert len(shown.stderr.splitlines()) == 1


def test_nothing_is_gone_on_with_on_another_unit(
    cut: tuple[Path, list[dict[str, Any]]], monkeypatch: pytest.MonkeyPatch
) -> None:
    from harness.bus.diagnostics import Diagnostics

    folder, _ = cut
    text = Diagnostics.text
    monkeypatch.setattr(Diagnostics, "text", lambda self, did: "SN-99" if did == 0xF18C else text(self, did))

    shown = invoke("run", "--resume", folder)

    assert shown.exit_code == 2
    assert "not the unit and firmware that the record is about: serial_number is 'SN-99'" in shown.stderr
    record = Record(folder)
    assert {result.verdict for result in record.results() if result.plan == "second"} == {Verdict.NOT_RUN}
    record.close()


def test_what_cannot_be_gone_on_with(tmp_path: Path) -> None:
    short(tmp_path)
    (folder,) = (tmp_path / "runs").iterdir()

    assert "nothing is left to be done" in invoke("run", "--resume", folder).stderr
    assert "no run record here" in invoke("run", "--resume", tmp_path).stderr
    assert "takes plans, bench and seed from the record" in invoke("run", tmp_path, "--resume", folder).stderr
    assert "want PLANS" in invoke("run").stderr
    assert invoke("run", "--resume", tmp_path).exit_code == 2


def test_a_run_that_is_going_on_is_left_alone(tmp_path: Path) -> None:
    short(tmp_path)
    (folder,) = (tmp_path / "runs").iterdir()
    journal = Journal.reopen(folder, ["first"])  # as if another process were at it

    shown = invoke("run", "--resume", folder)
    journal.close()

    assert shown.exit_code == 2
    assert "its run is still going on in another process" in shown.stderr


@pytest.mark.parametrize("limit", [200_000, 250_000])
def test_a_full_disk_ends_the_run_and_keeps_what_is_committed(tmp_path: Path, limit: int) -> None:
    """A limit of the file size stands in for it: SQLite cannot write either way, and other files are not touched."""
    (tmp_path / "1.yaml").write_text(FIRST)
    (tmp_path / "2.yaml").write_text(SECOND.replace("WAITS", WAITS))

    def full() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))

    command = [*RUN, "--runs", str(tmp_path / "runs"), str(tmp_path / "1.yaml"), str(tmp_path / "2.yaml")]
    ran = subprocess.run(command, capture_output=True, text=True, preexec_fn=full)

    *results, summary = map(json.loads, ran.stdout.splitlines())
    assert ran.returncode == summary["exit_code"] == 5
    assert "Traceback" not in ran.stderr
    assert "cannot write the run record" in ran.stderr
    (folder,) = (tmp_path / "runs").iterdir()
    record = Record(folder)
    assert [line["id"] for line in results] == [result.id for result in record.results()]
    assert 0 < len(results) < 1 + 6 + 12
    record.close()


def test_one_process_at_a_time_on_a_real_resource(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    first = BenchLock(["/dev/null", "TCPIP::10.0.0.1::5025::SOCKET"])

    with pytest.raises(BenchInUse, match=rf"5025::SOCKET is in use by process {os.getpid()} of "):
        BenchLock(["/dev/zero", "tcpip0::10.0.0.1::5025::socket"])
    BenchLock(["/dev/zero"]).release()  # was not kept
    first.release()
    BenchLock(["TCPIP::10.0.0.1::5025::SOCKET"]).release()
    assert lock_file("/dev/null").parent == tmp_path


def test_a_bench_holds_its_watchdogs_resources_as_well(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """They are single-client sockets, and what is on the other end is the same interlock and the same source."""
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    spec, device = load_bench(shipped_bench("served")), load_device(shipped_device("heater"))
    links = [f"TCPIP::127.0.0.1::{port}::SOCKET" for port in (47122, 47123, 47127)]
    hold = BenchLock(["TCPIP0::localhost::47127::SOCKET"])

    for opening in (lambda: open_bench(spec, device), lambda: opened(spec, device, "2026-01-01", print).__enter__()):
        with pytest.raises(BenchInUse, match=rf"47127::SOCKET is in use by process {os.getpid()} of "):
            opening()
    hold.release()
    assert set(links) < set(spec.claimed)
    assert "simulated" not in load_bench(shipped_bench("simulated")).claimed


def test_two_runs_on_one_served_bench(serving: Callable[..., Any], tmp_path: Path) -> None:
    server = serving()
    (tmp_path / "bench.yaml").write_text(json.dumps(server.bench))
    (tmp_path / "1.yaml").write_text(FIRST)
    hold = BenchLock([server.bench["lin"]["port"]])

    shown = invoke("run", tmp_path / "1.yaml", "--bench", tmp_path / "bench.yaml", "--runs", tmp_path / "runs")
    hold.release()

    assert shown.exit_code == 5
    assert f"is in use by process {os.getpid()} of " in shown.stderr
    again = invoke("run", tmp_path / "1.yaml", "--bench", tmp_path / "bench.yaml", "--runs", tmp_path / "runs")
    assert "is in use" not in again.stderr  # what it came to is up to how busy this machine is
    BenchLock([server.bench["lin"]["port"]]).release()
