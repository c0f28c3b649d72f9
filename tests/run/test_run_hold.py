"""Quantities that are held: what bars closing does, a hot junction is judged as one, and nothing stays held."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from harness.bench.bench import Bench, open_bench
from harness.bench.spec import load_bench, shipped_bench
from harness.check import check_plan
from harness.files.profile import load_device, shipped_device
from harness.plan.plan import Plan, PlanStep, load_plan
from harness.record.journal import Journal
from harness.record.reader import Record
from harness.record.result import Result, Verdict
from harness.run.engine import Ending, Engine
from harness.trip.band import rescaled
from mocks.firmware.junction import Junction
from mocks.firmware.tasks import Firmware
from mocks.firmware.threshold import Threshold
from protocol.protection import JunctionTemperature

DEVICE = load_device(shipped_device("heater"))
SPEC = load_bench(shipped_bench("simulated"))
HEAD = "format: 1\nname: short\ntitle: Something held\ndevice: heater\nsteps:\n"
START = "  - power_cycle: {duration: 200 ms}\n  - clear_codes\n"


class Nobody:
    def started(self, plan: Plan, step: PlanStep) -> None:
        pass

    def finished(self, result: Result) -> None:
        pass


@pytest.fixture
def bench() -> Bench:
    return open_bench(SPEC, DEVICE)


@pytest.fixture
def run(tmp_path: Path, bench: Bench) -> Callable[[str], Ending]:
    def run(steps: str) -> Ending:
        path = tmp_path / "short.yaml"
        path.write_text(HEAD + START + steps)
        plan = load_plan(path)
        assert check_plan(plan, DEVICE, SPEC) == []
        journal = Journal(tmp_path / "run")
        ending = Engine(DEVICE, bench, journal, Nobody()).run([plan])
        journal.close()
        return ending

    return run


def verdict(ending: Ending, step: str) -> Verdict:
    return next(each.verdict for each in ending.results if each.step == step)


BARRED = "  - hold: {supply: 8 V, function: supply_low}\n  - close: {name: it, refused: true}\n  - let_go\n"


def test_a_close_is_refused_while_the_supply_is_low(run: Callable[[str], Ending]) -> None:
    assert verdict(run(BARRED), "it") is Verdict.PASS


def test_a_breaker_that_closes_all_the_same_fails(
    run: Callable[[str], Ending], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Threshold, "bars", property(lambda self: False))

    assert verdict(run(BARRED), "it") is Verdict.FAIL


WARM = (
    "  - write_set_points:\n      values: {overcurrent_pickup: 160 A, overcurrent_delay: 2 s, overload_pickup: 32 A,"
    " overload_time_constant: 600 s, heat_sink_limit: 95 degC, junction_limit: 150 degC}\n"
    "  - hold: {heat_sink: 80 degC}\n  - close\n  - expect_trip: {name: it, inject: 100 A, function: junction}\n"
)


def test_a_junction_on_a_warm_heat_sink_is_judged_as_one(run: Callable[[str], Ending]) -> None:
    assert verdict(run(WARM), "it") is Verdict.PASS


def test_an_estimate_that_does_not_see_the_heat_sink_fails(
    run: Callable[[str], Ending], monkeypatch: pytest.MonkeyPatch
) -> None:
    sample = Junction.sample
    monkeypatch.setattr(Junction, "sample", lambda self, square, heat_sink: sample(self, square, 250))

    assert verdict(run(WARM), "it") is Verdict.FAIL


BOTH = (
    "  - write_set_points: {values: {bus_delay: 20 ms, bus_overvoltage: 700 V}}\n  - hold: {bus: 900 V}\n"
    "  - expect_trip: {name: it, gate_rail: 10 V, function: gate_rail, closing: true}\n  - let_go\n"
)


def test_of_two_that_are_due_together_the_one_with_priority_is_the_cause(run: Callable[[str], Ending]) -> None:
    assert verdict(run(BOTH), "it") is Verdict.PASS


def test_a_breaker_with_the_wrong_priority_fails(run: Callable[[str], Ending], monkeypatch: pytest.MonkeyPatch) -> None:
    decide = Firmware._decide

    def backwards(self: Firmware) -> bool:
        self.protection.functions.reverse()
        try:
            return decide(self)
        finally:
            self.protection.functions.reverse()

    monkeypatch.setattr(Firmware, "_decide", backwards)

    assert verdict(run(BOTH), "it") is Verdict.FAIL


def test_the_plans_end_lets_go_and_the_record_says_so(run: Callable[[str], Ending], tmp_path: Path) -> None:
    ending = run("  - hold: {supply: 10 V}\n  - check_status: {switch: open}\n")

    events = [(each.kind, json.dumps(each.detail)) for each in Record(tmp_path / "run").events()]
    assert ending.exit_code == 0
    assert [kind for kind, _ in events if kind in ("hold", "let_go")] == ["hold", "let_go"]


def test_a_rise_is_the_same_on_another_heat_sink() -> None:
    function = next(each for each in DEVICE.functions.values() if isinstance(each, JunctionTemperature))
    points = DEVICE.defaults()
    limit = function.limit.value(points)

    # Half of the way from 25 degC to the limit, in K, as a share of the way from 80 degC.
    assert rescaled(function, points, 0.5, 25.0, 80.0) == pytest.approx(0.5 * (limit - 25) / (limit - 80))
    assert rescaled(function, points, 0.5, 25.0, limit) == float("inf")


@pytest.mark.parametrize(
    ("steps", "complaint"),
    [
        ("  - hold: {supply: 8 V}\n  - close\n", "will refuse to close while supply_low lasts"),
        ("  - close\n  - hold: {heat_sink: 110 degC}\n", "heat_sink may operate on the way or at 110 degC"),
        ("  - hold: {supply: 8 V}\n  - power_cycle: {duration: 1 s}\n", "the supply is held here"),
        ("  - let_go\n", "nothing is held here"),
        ("  - hold: {supply: 25 V}\n", "beyond the range of the bench, 0 V to 20 V"),
        ("  - hold: {gate_rail: 10 V, function: gate_rail}\n", "gate_rail bars nothing"),
        ("  - close\n  - hold: {supply: 8 V, function: supply_low}\n", "supply_low trips a closed breaker"),
        ("  - hold: {supply: 12 V, function: supply_low}\n", "does not come to its threshold at 12 V"),
        ("  - close\n  - hold: {supply: 13 V, through: [[8 V, 300 ms]]}\n", "supply_low may operate on the way"),
        ("  - hold: {heat_sink: 200 degC}\n", "heat_sink_sensor may operate"),
        (
            "  - hold: {bus: 1100 V}\n  - expect_trip: {heat_sink: 110 degC, function: heat_sink, closing: true}\n",
            "bus_high may operate before heat_sink does",
        ),
    ],
)
def test_what_nobody_could_judge_is_refused(tmp_path: Path, steps: str, complaint: str) -> None:
    path = tmp_path / "short.yaml"
    path.write_text(HEAD + START + steps)

    found = [str(error) for error in check_plan(load_plan(path), DEVICE, SPEC)]

    assert any(complaint in text for text in found), found
