"""The run, check and schema commands as they are typed: exit codes, lines, and nothing run where a file is wrong."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from harness.bench.simulated import MARK
from harness.bench.spec import shipped_bench
from harness.cli import main
from harness.cli import run as run_module
from harness.cli.work import Work
from harness.files.profile import load_device, shipped_device
from harness.plan.plan import load_plan
from harness.record.reader import Record
from harness.run.ending import Ending

PLAN = """
format: 1
name: short
title: Node and status
device: heater
steps:
  - identify
  - check_status: {state: off, switch: open}
"""


def invoke(*arguments: object) -> Result:
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


def write(folder: Path, text: str = PLAN, name: str = "short.yaml") -> Path:
    path = folder / name
    path.write_text(text)
    return path


def test_a_passed_run(tmp_path: Path) -> None:
    shown = invoke("run", write(tmp_path), "--runs", tmp_path / "runs")

    assert shown.exit_code == 0, shown.output
    assert "pass         identify_1" in shown.stdout
    assert MARK in shown.stderr
    assert "pass: 2 pass." in shown.stderr
    (folder,) = (tmp_path / "runs").iterdir()
    record = Record(folder)
    assert record.about()["mark"] == MARK
    assert {Path(path).name for path, *_ in record.inputs()} == {
        *("short.yaml", "heater.yaml", "heater.ldf", "simulated.yaml")
    }
    record.close()


def test_json_lines_are_the_only_thing_on_stdout(tmp_path: Path) -> None:
    shown = invoke("run", write(tmp_path), "--json", "--runs", tmp_path / "runs")
    lines = [json.loads(line) for line in shown.stdout.splitlines()]

    assert [line["type"] for line in lines] == ["result", "result", "summary"]
    assert {line["mark"] for line in lines} == {MARK}
    assert lines[-1]["counts"] == {"pass": 2, "not-run": 0, "inconclusive": 0, "fail": 0, "error": 0}
    required = set(json.loads(invoke("schema", "result").stdout)["required"])
    assert set(lines[0]) == required


def test_a_failed_run_ends_with_1(tmp_path: Path) -> None:
    shown = invoke("run", write(tmp_path, PLAN.replace("state: off", "state: on")), "--runs", tmp_path / "runs")

    assert shown.exit_code == 1
    assert "state is off, wanted on" in shown.stdout


@pytest.mark.parametrize("command", ["run", "check"])
def test_every_fault_of_every_file_and_nothing_run(tmp_path: Path, command: str) -> None:
    one = write(tmp_path, PLAN.replace("identify", "identifi"), "one.yaml")
    two = write(tmp_path, PLAN.replace("name: short", "name: other").replace("off", "of"), "two.yaml")
    where = ["--runs", tmp_path / "runs"] if command == "run" else []
    shown = invoke(command, one, two, *where)

    assert shown.exit_code == 2
    assert shown.stdout == ""
    lines = shown.stderr.splitlines()
    assert [line.split(": ")[0] for line in lines] == [f"{one}:7:5", f"{two}:8:27"]
    assert not (tmp_path / "runs").exists()


def test_a_value_outside_the_limits_is_refused_before_anything_is_sent(tmp_path: Path) -> None:
    bad = PLAN + "  - write_set_points: {values: {overload_pickup: 33 A}}\n"
    shown = invoke("run", write(tmp_path, bad), "--runs", tmp_path / "runs")

    assert shown.exit_code == 2
    assert ":9:50: 33 A is outside the limits, 5 A to 32 A" in shown.stderr
    assert not (tmp_path / "runs").exists()


def test_a_folder_that_cannot_be_written_is_a_usage_error(tmp_path: Path) -> None:
    (tmp_path / "runs").write_text("a file")
    shown = invoke("run", write(tmp_path), "--runs", tmp_path / "runs")

    assert shown.exit_code == 2
    assert "cannot make the run record" in shown.stderr


def test_check_says_what_a_run_would_take(tmp_path: Path) -> None:
    shown = invoke("check", write(tmp_path))

    assert shown.exit_code == 0
    assert shown.stdout.splitlines()[-1].startswith("in all ")
    assert "0 non-volatile writes" in shown.stdout


def test_check_looks_at_profiles_and_benches_in_a_folder(tmp_path: Path) -> None:
    write(tmp_path)
    (tmp_path / "benches").mkdir()
    bad = write(tmp_path / "benches", "format: 1\nroles: {}\n", "bad.yaml")
    shown = invoke("check", tmp_path)

    assert shown.exit_code == 2
    assert all(line.startswith(str(bad)) for line in shown.stderr.splitlines())


def test_an_interruption_ends_the_whole_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    ran: list[str] = []

    class Interrupted:
        def __init__(self, *arguments: object) -> None:
            pass

        def run(self, plans: list[object]) -> Ending:
            ran.append("device")
            return Ending(interrupted=True)

    device, plan = load_device(shipped_device("heater")), load_plan(write(tmp_path))

    def two_devices(*arguments: object) -> Work:
        return [(device, [plan]), (device, [plan])]

    monkeypatch.setattr(run_module, "load_work", two_devices)
    monkeypatch.setattr(run_module, "Engine", Interrupted)
    shown = invoke("run", plan.path, "--runs", tmp_path / "runs")

    assert shown.exit_code == 130
    assert ran == ["device"]


def test_an_interruption_while_the_bench_opens_ends_with_130(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupted(*arguments: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(run_module, "open_bench", interrupted)
    shown = invoke("run", write(tmp_path), "--runs", tmp_path / "runs")

    assert shown.exit_code == 130


def test_calibration_that_is_overdue_is_said_and_recorded(tmp_path: Path) -> None:
    text = shipped_bench("simulated").read_text()
    for role, due in (("injector", 2020), ("recorder", 2999)):
        assert text.count(f"  {role}:\n") == 1
        text = text.replace(f"  {role}:\n", f"  {role}:\n    calibrated: 2019-03-01\n    due: {due}-03-01\n")
    bench = write(tmp_path, text, "bench.yaml")

    shown = invoke("run", write(tmp_path), "--bench", bench, "--runs", tmp_path / "runs")

    assert shown.exit_code == 0, shown.output
    assert "injector: calibration was due on 2020-03-01" in shown.stderr
    assert shown.stderr.count("calibration was due") == 1
    (folder,) = (tmp_path / "runs").iterdir()
    record = Record(folder)
    notes = {note.role: note for note in record.instruments()}
    record.close()
    assert (notes["recorder"].calibrated, notes["recorder"].due) == ("2019-03-01", "2999-03-01")
    assert (notes["supply_12v"].calibrated, notes["supply_12v"].due) == (None, None)
    assert notes["lin"].identity == "" and "SIMULATED" in notes["source"].identity.upper()


def test_a_record_says_who_ran_what(tmp_path: Path) -> None:
    assert invoke("run", write(tmp_path), "--operator", "A. Tester", "--runs", tmp_path / "runs").exit_code == 0
    (folder,) = (tmp_path / "runs").iterdir()
    record = Record(folder)
    about, (plan,) = record.about(), record.plans()
    record.close()

    assert about["operator"] == "A. Tester"
    assert (about["simulated"], about["seed"], about["scope"]) == ("yes", "1", "short.yaml")
    assert (about["verdict"], about["exit_code"]) == ("pass", "0")
    assert about["started"] <= about["ended"]
    assert (plan.name, plan.device, [step.name for step in plan.steps]) == (
        "short",
        "heater",
        ["identify_1", "check_status_1"],
    )


def test_ctrl_c_before_anything_is_on_ends_with_130(monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupt(*arguments: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("harness.cli.run.load_bench", interrupt)
    done = CliRunner().invoke(main, ["run", "x.yaml"])
    assert (done.exit_code, done.output) == (130, "interrupted\n")


def test_a_junit_file_that_cannot_be_is_said_before_anything_is_sent(tmp_path: Path) -> None:
    done = CliRunner().invoke(main, ["run", "x.yaml", "--junit", str(tmp_path / "none" / "x.xml")])
    assert done.exit_code == 2
    assert "no such folder" in done.output
