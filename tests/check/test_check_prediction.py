"""What a run will cost, against what it did cost on the simulated bench."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from harness.bench.bench import open_bench
from harness.bench.hazard import Hazard, hazard_of
from harness.bench.spec import load_bench, shipped_bench
from harness.check import PlanCost, predict
from harness.check.prediction import _SECONDS
from harness.clock import S
from harness.files.profile import load_device, shipped_device, shipped_plans
from harness.plan.plan import Plan, PlanStep, find_plans, load_plan, load_plans
from harness.plan.steps import STEP_KINDS
from harness.record.journal import Journal
from harness.record.result import Result
from harness.run.engine import Engine

DEVICE = load_device(shipped_device("heater"))
BENCH = load_bench(shipped_bench("simulated"))
PLANS, _ = load_plans(find_plans([shipped_plans() / "low_voltage", shipped_plans() / "high_voltage"]))
HEAD = "format: 1\nname: x\ntitle: y\ndevice: heater\nsteps:\n"


class Silent:
    def started(self, plan: Plan, step: PlanStep) -> None: ...

    def finished(self, result: Result) -> None: ...


def cost(folder: Path, steps: str) -> PlanCost:
    path = folder / "plan.yaml"
    path.write_text(HEAD + steps + "\n")
    return predict([load_plan(path)], DEVICE, BENCH).plans[0]


def test_predicted_time_is_what_the_simulated_bench_takes(tmp_path: Path) -> None:
    bench = open_bench(BENCH, DEVICE)
    journal = Journal(tmp_path / "run")
    ending = Engine(DEVICE, bench, journal, Silent()).run(PLANS)
    journal.close()
    taken = {
        plan.name: sum(result.end_ns - result.start_ns for result in ending.results if result.plan == plan.name) / S
        for plan in PLANS
    }

    for plan in predict(PLANS, DEVICE, BENCH).plans:
        # Within 5 %, and 1.5 s: cooling is looked at once a second, and small things are only estimated.
        assert plan.bench_s == pytest.approx(taken[plan.name], rel=0.05, abs=1.5)
    assert ending.exit_code == 0


def test_low_voltage_plans_take_less_than_a_minute_in_real_time() -> None:
    plans = [plan for plan in PLANS if plan.path.parent.name == "low_voltage"]

    assert predict(plans, DEVICE, BENCH).bench_s < 60


def test_cooling_is_waiting_for_it(tmp_path: Path) -> None:
    steps = (
        "  - power_cycle: {duration: 1 s}\n  - close\n  - expect_trip: {inject: 60 A, function: overload}\n"
        "  - wait_until_cool: {level: 50 %, at_most: 5 min}\n"
    )
    plan = cost(tmp_path, steps)

    # A level of 1 and 120 s fall to a half in 83.2 s; 1 % of the clock and the overshoot come on top.
    assert plan.cooling_s == pytest.approx(84.5, abs=1.5)
    assert predict([], DEVICE, BENCH).cooling_share == 0.0


def test_writes_count_what_is_put_back(tmp_path: Path) -> None:
    steps = (
        "  - write_set_points: {values: {overload_pickup: 20 A, overload_time_constant: 2 s}}\n"
        "  - write_set_points: {values: {overload_pickup: 21 A}}\n"
        "  - write_set_points: {values: {overload_pickup: 99 A}, refused: request_out_of_range}\n"
    )

    assert cost(tmp_path, steps).writes == 3 + 2


def test_energy_is_that_of_the_source(tmp_path: Path) -> None:
    steps = "  - close\n  - expect_no_trip: {draw: 10 A, voltage: 700 V, duration: 5 s}"

    assert cost(tmp_path, steps).energy_j == pytest.approx(35_000)
    assert cost(tmp_path, steps.replace("draw: 10 A, voltage: 700 V", "inject: 10 A")).energy_j == 0


HAZARDS = {
    "- check_status: {switch: open}": Hazard.NONE,
    "- power_cycle: {duration: 1 s}": Hazard.LOW_VOLTAGE,
    "- expect_no_trip: {inject: 1 A, duration: 1 s}": Hazard.LOW_VOLTAGE,
    "- expect_no_trip: {draw: 1 A, voltage: 700 V, duration: 1 s}": Hazard.HIGH_VOLTAGE,
}


@pytest.mark.parametrize(("step", "hazard"), HAZARDS.items(), ids=HAZARDS)
def test_hazard_follows_from_the_roles(tmp_path: Path, step: str, hazard: Hazard) -> None:
    path = tmp_path / "plan.yaml"
    path.write_text(f"{HEAD}  - identify\n  {step}\n")
    plan = load_plan(path)

    assert hazard_of(plan.steps[1].step.roles) is hazard
    assert predict([plan], DEVICE, BENCH).hazard is hazard


def test_folders_of_the_shipped_plans_say_their_hazard() -> None:
    for plan in PLANS:
        high = predict([plan], DEVICE, BENCH).hazard is Hazard.HIGH_VOLTAGE
        assert high == (plan.path.parent.name == "high_voltage")


def test_missing_roles_and_a_gate_that_stays_shut() -> None:
    served = load_bench(shipped_bench("served"))
    bare = replace(BENCH, injector=None, recorder=None)

    assert predict(PLANS, DEVICE, BENCH).missing == ()
    assert predict(PLANS, DEVICE, bare).missing == ("injector", "recorder")
    without = replace(served, watchdog=None)
    person = "a person at the terminal has to confirm high voltage"
    assert {plan.name: plan.gate for plan in predict(PLANS, DEVICE, served).plans if plan.gate} == {
        "overload_primary": person
    }
    assert {plan.name: plan.gate for plan in predict(PLANS, DEVICE, without).plans if plan.gate} == {
        "overload_primary": "high voltage is refused: the bench file has no watchdog"
    }


def test_times_are_total_over_the_step_kinds() -> None:
    assert set(_SECONDS) == set(STEP_KINDS.values())
