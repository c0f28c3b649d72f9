"""What `run` makes of the cut time that was measured on a real high-voltage bench, or was not."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import cast

import pytest
from serving import Serving

from harness.bench.arming import Nobody
from harness.bench.bench import Bench
from harness.bench.spec import load_bench, shipped_bench
from harness.files.profile import load_device, shipped_device
from harness.plan.plan import load_plan
from harness.record.inspection import Measured, inspection_file, write_measured
from harness.record.reader import Record
from harness.run.cut_time import NEEDED, WATCHDOG, cut_time
from harness.run.high_voltage import HighVoltageSteps

SERVED = load_bench(shipped_bench("served"))  # stop_within: 500 ms
PLAN = """
format: 1
name: live
title: High voltage
device: heater
steps:
  - power_cycle: {duration: 200 ms}
  - close
  - expect_no_trip: {name: it, draw: 10 A, voltage: 700 V, duration: 1 s}
"""


def keep(runs: Path, seconds: float, digest: str = SERVED.digest, name: str = "served") -> None:
    times = dict.fromkeys(NEEDED, 0.1) | {WATCHDOG: seconds}
    write_measured(runs, Measured(name, digest, "2026-01-31T10:00:00+00:00", times))


def test_a_bench_that_was_never_measured_is_said_to_be_so(tmp_path: Path) -> None:
    known = cut_time(SERVED, tmp_path)

    assert known is not None and known.refused
    assert known.text.startswith("cut time of bench served was never measured, or something was at fault")
    assert "measure it with 'breakerbench bench " in known.text


@pytest.mark.parametrize("name", NEEDED)
def test_what_nobody_tried_is_named_and_refused(tmp_path: Path, name: str) -> None:
    times = {each: 0.1 for each in NEEDED if each != name}
    write_measured(tmp_path, Measured("served", SERVED.digest, "2026-01-31T10:00:00+00:00", times))

    known = cut_time(SERVED, tmp_path)

    assert known is not None and known.refused
    assert f": {name} not tried; " in known.text


@pytest.mark.parametrize(("seconds", "refused"), [(0.3, False), (0.5, False), (0.501, True)])
def test_a_bench_that_is_slower_than_declared_is_refused(tmp_path: Path, seconds: float, refused: bool) -> None:
    keep(tmp_path, seconds)

    known = cut_time(SERVED, tmp_path)

    assert known is not None and known.refused is refused
    assert "on 2026-01-31, 500 ms declared" in known.text


def test_another_bench_file_and_a_broken_record_are_named(tmp_path: Path) -> None:
    keep(tmp_path, 0.3, digest="other")
    changed = cut_time(SERVED, tmp_path)
    inspection_file(tmp_path, "served").write_text("nonsense")
    broken = cut_time(SERVED, tmp_path)

    assert changed is not None and "with another state of the bench file" in changed.text and changed.refused
    assert broken is not None and "not known" in broken.text and broken.refused


def test_a_simulated_bench_has_none(tmp_path: Path) -> None:
    assert cut_time(load_bench(shipped_bench("simulated")), tmp_path) is None


class Person(Nobody):
    def absent(self) -> str | None:
        return None


def test_high_voltage_steps_are_refused_on_a_bench_that_is_too_slow_or_not_measured(tmp_path: Path) -> None:
    class Real:
        simulated, spec = False, SERVED

    path = tmp_path / "plan.yaml"
    path.write_text(PLAN)
    device = load_device(shipped_device("heater"))
    steps = HighVoltageSteps(device, cast(Bench, Real()), Person(False), lambda done: done, tmp_path)

    refusal = steps.refusal(load_plan(path))
    assert refusal is not None and "was never measured" in refusal
    keep(tmp_path, 0.3)
    assert steps.refusal(load_plan(path)) is None
    keep(tmp_path, 0.6)
    refusal = steps.refusal(load_plan(path))
    assert refusal is not None and "600 ms on 2026-01-31, 500 ms declared (watchdog.stop_within)" in refusal


@pytest.mark.parametrize("seconds", [None, 0.6])
def test_run_says_it_in_one_line_and_in_the_record(tmp_path: Path, served: Serving, seconds: float | None) -> None:
    bench, plan, runs = tmp_path / "bench.json", tmp_path / "plan.yaml", tmp_path / "runs"
    bench.write_text(json.dumps(served.bench))
    plan.write_text(PLAN)
    if seconds is not None:
        keep(runs, seconds, name=load_bench(bench).name)

    command = [sys.executable, "-m", "harness", "run", str(plan), "--bench", str(bench), "--runs", str(runs), "--json"]
    done = subprocess.run(command, stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=60, check=False)

    assert done.returncode == 4
    said = [line for line in done.stderr.splitlines() if line.startswith("cut time of bench served")]
    assert len(said) == 1
    (folder,) = (each for each in runs.iterdir() if each.name != "benches")
    record = Record(folder)
    noted = record.about()["cut_time"]
    record.close()
    assert noted == said[0]
    assert ("600 ms" in said[0]) is (seconds is not None)
