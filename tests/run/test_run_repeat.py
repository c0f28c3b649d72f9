"""How well a healthy unit is said to repeat its values, against how it does over runs with noise seeds of their own."""

from __future__ import annotations

import math
from statistics import stdev

import pytest
from scipy import stats

from harness.bench.bench import open_bench
from harness.bench.spec import load_bench, shipped_bench
from harness.cli.work import load_work
from harness.plan.plan import Plan, PlanStep
from harness.record.journal import Journal
from harness.record.result import Measurement, Result
from harness.report.drift import place
from harness.run.engine import Engine
from harness.run.repeat import of_decision, of_range, of_reading
from tests.run.run_rig import HEATER, PUMP

PLAN = """
format: 1
name: repeats
title: A trip by slow samples, one by fast ones, one by a comparator, one that follows the heat
device: heater
steps:
  - power_cycle: {duration: 1 s}
  - close
  - expect_trip: {name: bus, bus: 900 V, function: bus_high}
  - include: {fragment: cool_and_clear}
  - close
  - expect_trip: {name: votes, inject: 100 A, function: overcurrent}
  - include: {fragment: cool_and_clear}
  - close
  - expect_trip: {name: heat, inject: 60 A, function: overload}
  - check_snapshot: {name: after, code: overload}
  - open
"""
RUNS = 10


class Nobody:
    def started(self, plan: Plan, step: PlanStep) -> None:
        pass

    def finished(self, result: Result) -> None:
        pass


@pytest.fixture(scope="module")
def repeats(tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[Measurement]]:
    """Each measured value of one unit in RUNS runs."""
    folder = tmp_path_factory.mktemp("repeats")
    path = folder / "plan.yaml"
    path.write_text(PLAN)
    found: dict[str, list[Measurement]] = {}
    for noise_seed in range(RUNS):
        spec = load_bench(shipped_bench("simulated"), 4, noise_seed)
        ((device, plans),) = load_work([path], spec)
        journal = Journal(folder / str(noise_seed))
        for result in Engine(device, open_bench(spec, device), journal, Nobody()).run(plans).results:
            assert not result.reasons
            for measurement in result.measurements:
                found.setdefault(f"{result.step}: {measurement.name}", []).append(measurement)
        journal.close()
    return found


def scatter(measurements: list[Measurement]) -> float:
    places = [place(measurement) for measurement in measurements]
    return stdev(each.distance for each in places if each is not None)


@pytest.mark.parametrize("value", ["bus: operate time", "heat: operate time"])
def test_a_time_by_slow_samples_scatters_as_is_said(repeats: dict[str, list[Measurement]], value: str) -> None:
    said = repeats[value][0].repeatability
    low, high = (math.sqrt(stats.chi2.ppf(p, RUNS - 1) / (RUNS - 1)) for p in (0.001, 0.999))

    assert said == pytest.approx(10e-3 / math.sqrt(12), rel=0.05)  # slow samples of 10 ms
    assert low < scatter(repeats[value]) / said < high


def test_nothing_scatters_more_than_is_said(repeats: dict[str, list[Measurement]]) -> None:
    most = math.sqrt(stats.chi2.ppf(0.9999, RUNS - 1) / (RUNS - 1))
    worse = {
        value: scatter(its)
        for value, its in repeats.items()
        if place(its[0]) is not None and scatter(its) > most * max(each.repeatability for each in its)
    }

    assert worse == {}
    assert len(repeats) > 10


def test_votes_are_over_fast_samples(repeats: dict[str, list[Measurement]]) -> None:
    assert repeats["votes: operate time"][0].repeatability == pytest.approx(50e-6 / math.sqrt(12), rel=0.2)
    assert of_decision(PUMP.functions["overcurrent"], PUMP) == pytest.approx(100e-6 / math.sqrt(12))


def test_a_comparator_repeats_within_its_declared_response() -> None:
    least, most = HEATER.functions["short_circuit"].response  # type: ignore[union-attr]

    assert of_decision(HEATER.functions["short_circuit"], HEATER) == pytest.approx((most - least) / math.sqrt(12))


def test_a_reading_repeats_within_its_resolution_and_noise() -> None:
    assert of_reading(0.01) == pytest.approx(0.01 / math.sqrt(12))  # JCGM 100, 4.3.7
    assert of_reading(0.0, 0.03) == 0.03
    assert of_range(1.0, 4.0) == pytest.approx(math.sqrt(0.75))
