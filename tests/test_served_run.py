"""A run in one process against the served bench in another: real serial and instrument code, real time."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from harness.bench.making_safe import ACTIONS
from harness.record.reader import Record
from harness.record.result import Verdict

PLAN = """
format: 1
name: short
title: One trip and a wait
device: heater
steps:
  - power_cycle: {duration: 200 ms}
  - write_set_points: {values: {overload_pickup: 20 A, overload_time_constant: 2 s}}
  - close
  - expect_trip: {name: trip, inject: 60 A, function: overload, start: cold}
  - check_status: {state: tripped, switch: open, cause: overload}
  - check_codes: {codes: {overload: [test_failed, confirmed]}}
  - check_snapshot: {code: overload}
  - wait: {name: pause, duration: 2 s}
clean_up:
  - open
  - clear_codes
"""
START_LIMIT_S = 40
RUN_LIMIT_S = 60


@dataclass
class Served:
    """A served bench: its process and the bench files that name its ports."""

    process: subprocess.Popen[str]
    by_url: Path
    by_pty: Path


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Served]:
    ready, link = tmp_path / "ready.json", tmp_path / "heater.tty"
    process = start("serve", "--device", "heater", "--ready", str(ready), "--port-base", "0", "--pty-link", str(link))
    deadline = time.monotonic() + START_LIMIT_S
    while not ready.exists():
        assert process.poll() is None, process.communicate()[1]
        assert time.monotonic() < deadline, "the served bench did not get ready"
        time.sleep(0.02)
    bench: dict[str, Any] = json.loads(ready.read_text())
    bench["lin"] = {"port": str(link), "break": "slow_bit_rate"}
    by_pty = tmp_path / "pty.json"
    by_pty.write_text(json.dumps(bench))
    yield Served(process, ready, by_pty)
    process.kill()
    process.communicate()


def start(*arguments: str) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "harness", *arguments]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def start_run(folder: Path, bench: Path, text: str = PLAN) -> subprocess.Popen[str]:
    plan = folder / "short.yaml"
    plan.write_text(text)
    return start("run", str(plan), "--bench", str(bench), "--runs", str(folder / "runs"), "--json")


def finish(process: subprocess.Popen[str]) -> tuple[int, list[dict[str, Any]], str]:
    out, err = process.communicate(timeout=RUN_LIMIT_S)
    return process.returncode, [json.loads(line) for line in out.splitlines()], err


def wait_for(process: subprocess.Popen[str], step: str) -> list[dict[str, Any]]:
    """Read result lines up to that of ``step``."""
    assert process.stdout is not None
    lines = []
    for line in process.stdout:
        lines.append(json.loads(line))
        if lines[-1].get("step") == step:
            return lines
    raise AssertionError(f"the run ended before {step}: {process.communicate()[1]}")


def record_of(folder: Path) -> Record:
    (run,) = (journal.parent for journal in (folder / "runs").glob("*/journal.sqlite"))
    return Record(run)


@pytest.mark.parametrize("lane", ["by_url", "by_pty"])
def test_the_same_plan_passes_over_real_ports(tmp_path: Path, served: Served, lane: str) -> None:
    code, lines, err = finish(start_run(tmp_path, getattr(served, lane)))

    assert code == 0, (lines, err)
    assert [line["type"] for line in lines] == ["result"] * 10 + ["summary"]
    assert "SIMULATED BENCH: no evidence about a real breaker" in err
    trip = next(line for line in lines if line["type"] == "result" and line["step"] == "trip")
    # 2 s * ln(9/8), IEC 60255-149 form
    assert trip["measurements"][0]["value"] == pytest.approx(0.2356, rel=0.15)
    assert lines[-1]["bench_s"] > 2
    record = record_of(tmp_path)
    assert record.about()["mark"] == "SIMULATED BENCH: no evidence about a real breaker"
    record.close()


def test_a_server_killed_in_mid_run_costs_no_result(tmp_path: Path, served: Served) -> None:
    run = start_run(tmp_path, served.by_url)
    before = wait_for(run, "trip")
    os.kill(served.process.pid, signal.SIGKILL)
    code, after, err = finish(run)

    assert code == 5, err
    assert "lost" in after[-1]["trouble"][0]
    record = record_of(tmp_path)
    results = list(record.results())
    assert [result.id for result in results[: len(before)]] == [line["id"] for line in before]
    assert all(result.verdict is Verdict.PASS for result in results[: len(before)])
    assert results[len(before)].verdict is Verdict.ERROR
    assert len(results) == 10
    record.close()


def test_an_interrupted_run_makes_the_bench_safe(tmp_path: Path, served: Served) -> None:
    run = start_run(tmp_path, served.by_url)
    wait_for(run, "check_snapshot_1")
    os.kill(run.pid, signal.SIGINT)
    code, lines, err = finish(run)

    assert code == 130, err
    assert lines[-1]["trouble"] == ["interrupted by the operator"]
    record = record_of(tmp_path)
    actions = [event.detail for event in record.events() if event.kind == "making_safe"]
    record.close()
    assert {action["action"] for action in actions} == {each.name for each in ACTIONS}
    assert {action["problem"] for action in actions} == {None}


def test_high_voltage_over_served_ports_is_refused(tmp_path: Path, served: Served) -> None:
    text = PLAN.replace("inject: 60 A", "draw: 60 A, voltage: 700 V")
    code, lines, err = finish(start_run(tmp_path, served.by_url, text))

    assert code == 4, (lines, err)
    trip = next(line for line in lines if line["type"] == "result" and line["step"] == "trip")
    assert trip["verdict"] == "not-run"


def test_a_port_that_is_not_there_is_a_bench_error(tmp_path: Path, served: Served) -> None:
    served.process.kill()
    served.process.wait()
    code, lines, err = finish(start_run(tmp_path, served.by_url))

    assert code == 5
    assert "breakerbench serve" in lines[-1]["trouble"][0]
    assert "Traceback" not in err
