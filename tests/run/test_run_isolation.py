"""Nothing is injected into a sensing input that reads more than its injector is isolated for, whatever check said."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from high_voltage_rig import DEVICE, Rig

from harness.bench.bench import open_bench
from harness.bench.spec import BenchSpec, load_bench, shipped_bench
from harness.plan.steps import ExpectNoTrip
from harness.record.result import Verdict
from harness.run.drives import drive_of
from harness.run.ending import Ending
from harness.run.step_errors import StepNotRun

READY = """
  - power_cycle: {duration: 200 ms}
  - clear_codes
  - close
"""
INJECT = "  - expect_no_trip: {name: injected, inject: 5 A, duration: 1 s}\n"
LIVE = READY + "  - expect_no_trip: {draw: 10 A, voltage: 700 V, duration: 1 s}\n" + INJECT
STEP = ExpectNoTrip.model_validate({"inject": "5 A", "duration": "1 s"})


def bench_spec(isolated_for: float) -> BenchSpec:
    spec = load_bench(shipped_bench("simulated"))
    assert spec.injector is not None
    return replace(spec, injector=replace(spec.injector, isolated_for=isolated_for))


def injected(ending: Ending) -> list[tuple[Verdict, str]]:
    return [(result.verdict, "; ".join(result.reasons)) for result in ending.results if result.step == "injected"]


@pytest.mark.parametrize(
    ("isolated_for", "isolation"), [(0.0, "declares no isolation"), (500.0, "is isolated for 500 V")]
)
def test_what_is_energised_takes_no_injection(tmp_path: Path, isolated_for: float, isolation: str) -> None:
    rig = Rig(tmp_path, open_bench(bench_spec(isolated_for), DEVICE))
    applied: list[object] = []
    assert rig.bench.injector is not None
    rig.bench.injector.apply = lambda *given: applied.append(given)  # type: ignore[method-assign]

    [(verdict, reason)] = injected(rig.run({}, LIVE))

    assert (verdict, applied) == (Verdict.NOT_RUN, [])
    assert reason.startswith("the sensing input is energised: the source side reads 67")  # off, and not discharged
    assert reason.endswith(f" V, and the injector {isolation} (isolated_for); nothing was injected")


def test_an_injector_that_is_isolated_may(tmp_path: Path) -> None:
    rig = Rig(tmp_path, open_bench(bench_spec(1000.0), DEVICE))

    assert injected(rig.run({}, LIVE)) == [(Verdict.PASS, "")]


def test_once_proved_dead_an_injector_needs_no_isolation(tmp_path: Path) -> None:
    rig = Rig(tmp_path, open_bench(bench_spec(0.0), DEVICE))

    ending = rig.run({}, LIVE.removesuffix(INJECT), READY + INJECT)

    assert injected(ending) == [(Verdict.PASS, "")]


def refusal(isolated_for: float, both: tuple[float, float] | None) -> str | None:
    """What injecting is refused with at readings of ``both`` sides; None: without doubt, where nothing is read."""
    bench: Any = open_bench(bench_spec(isolated_for), DEVICE)
    bench.high_voltage = SimpleNamespace(in_doubt=both is not None, readings=lambda: both)
    try:
        drive_of(STEP, DEVICE, bench, {})
    except StepNotRun as error:
        return str(error)
    return None


@pytest.mark.parametrize(
    ("isolated_for", "both", "words"),
    [
        (0.0, (61.0, 0.0), "the source side reads 61 V"),
        (0.0, (0.0, 61.0), "the load side reads 61 V"),
        (0.0, (0.0, -61.0), "the load side reads -61 V"),  # a lead the wrong way round
        (30.0, (61.0, 0.0), "isolated for 30 V"),
        (400.0, (0.0, 401.0), "the load side reads 401 V, and the injector is isolated for 400 V"),
    ],
)
def test_either_side_counts_whichever_way_round_it_reads(
    isolated_for: float, both: tuple[float, float], words: str
) -> None:
    assert words in str(refusal(isolated_for, both))


@pytest.mark.parametrize(
    ("isolated_for", "both"), [(0.0, (60.0, -60.0)), (30.0, (60.0, 0.0)), (400.0, (400.0, -400.0)), (0.0, None)]
)
def test_what_may_be_touched_or_is_isolated_for_is_no_reason(
    isolated_for: float, both: tuple[float, float] | None
) -> None:
    assert refusal(isolated_for, both) is None
