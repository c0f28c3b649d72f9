"""An instrument that leaves its regulation mode during a stimulus: the bench's fault, never the breaker's."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest
from test_run_stimuli import CLEAN_UP, DEVICE, HEAD, result, run

from harness.bench.bench import Bench, open_bench
from harness.bench.spec import load_bench, shipped_bench
from harness.plan.plan import PlanStep
from harness.record.result import Verdict
from mocks.world import World

SPEC = load_bench(shipped_bench("simulated"))
HOLDS = "  - close\n  - expect_no_trip: {name: it, STIMULUS, duration: 1 s}\n"


def world(bench: Bench) -> World:
    return bench.clock._move.__self__  # type: ignore[attr-defined, no-any-return]


def test_a_source_in_current_limit_is_no_fail(tmp_path: Path) -> None:
    assert SPEC.source is not None
    bench = open_bench(dataclasses.replace(SPEC, source=dataclasses.replace(SPEC.source, current=15.0)), DEVICE)

    it = result(run(tmp_path, bench, HEAD + HOLDS.replace("STIMULUS", "draw: 20 A, voltage: 700 V") + CLEAN_UP), "it")

    assert it.verdict is Verdict.ERROR
    assert it.reasons == ("stimulus not reached: the source limits its current",)


def test_an_injector_that_cannot_deliver_is_no_fail(tmp_path: Path) -> None:
    bench = open_bench(SPEC, DEVICE)

    def lead_off(step: PlanStep) -> None:
        if step.name == "it":
            assert world(bench).bench.panel.handle("FAULT injector_lead_off ON") == "OK"

    text = HEAD + "  - close\n  - expect_trip: {name: it, inject: 60 A, function: overload}\n" + CLEAN_UP

    it = result(run(tmp_path, bench, text, lead_off), "it")

    assert it.verdict is Verdict.ERROR
    assert "stimulus not reached" in it.reasons[0]
    assert bench.injector is not None
    bench.injector.apply(10.0, 1e3, 1.0)
    assert bench.injector.limiting()
    world(bench).bench.panel.handle("FAULT injector_lead_off OFF")
    assert not bench.injector.limiting()


@pytest.mark.parametrize("instrument", ["injector", "supply_12v"])
def test_what_is_reached_within_its_error_and_not_held_is_no_evidence(tmp_path: Path, instrument: str) -> None:
    """The value alone looks right: only the instrument's own word says that it is not held."""
    bench = open_bench(SPEC, DEVICE)
    getattr(bench, instrument).limiting = lambda: True
    stimulus = {"injector": "inject: 10 A", "supply_12v": "supply: 12 V"}[instrument]

    it = result(run(tmp_path, bench, HEAD + HOLDS.replace("STIMULUS", stimulus) + CLEAN_UP), "it")

    assert it.verdict is Verdict.ERROR
    assert "stimulus not reached: the " in it.reasons[0]


HEALTH = "check_health: {name: it, voltage_drop: {draw: 20 A, voltage: 700 V, at_most: 2 V}}"


@pytest.mark.parametrize(
    ("instrument", "step"),
    [("source", f"  - close\n  - {HEALTH}\n"), ("supply_12v", "  - hold: {name: it, supply: 12 V}\n  - let_go\n")],
)
def test_other_steps_that_lean_on_a_supply_ask_it_too(tmp_path: Path, instrument: str, step: str) -> None:
    bench = open_bench(SPEC, DEVICE)
    good = result(run(tmp_path, bench, HEAD + step + CLEAN_UP), "it")
    bench = open_bench(SPEC, DEVICE)
    getattr(bench, instrument).limiting = lambda: True

    (tmp_path / "limiting").mkdir()
    it = result(run(tmp_path / "limiting", bench, HEAD + step + CLEAN_UP), "it")

    assert good.verdict is not Verdict.ERROR, good.reasons
    assert it.verdict is Verdict.ERROR
    assert "limits its current" in it.reasons[0]
