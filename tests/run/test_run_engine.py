"""Whole plans on the simulated bench: order, commit, clean-up, verdicts, exit codes, and what a defect changes."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from pathlib import Path
from typing import get_args

import numpy as np
import pytest

from harness.bench.bench import Bench, open_bench
from harness.bench.instrument import Acquisition, InstrumentError
from harness.bench.spec import load_bench, shipped_bench
from harness.bus.master import NoAnswer
from harness.bus.port import PortError
from harness.clock import MS
from harness.files.profile import load_device, shipped_device
from harness.plan.plan import Plan, PlanStep, load_plan
from harness.plan.steps import STEP_KINDS
from harness.record.journal import Journal
from harness.record.reader import Record
from harness.record.result import Coverage, Result, Verdict
from harness.run.ending import Ending
from harness.run.engine import Engine
from harness.run.step_errors import StepError
from harness.run.steps import RUNNERS
from harness.run.traces import KNOWN
from harness.run.watch import MAY_CHANGE
from mocks.firmware.overload import TRIP_LEVEL
from mocks.plant import Plant
from protocol.decoder import NoResponse
from protocol.device import SnapshotSource

DEVICE = load_device(shipped_device("heater"))

OVERLOAD = """
format: 1
name: short
title: One trip
device: heater
steps:
  - power_cycle: {duration: 200 ms}
  - write_set_points: {values: {overload_pickup: 20 A, overload_time_constant: 2 s}}
  - close
  - expect_trip: {name: trip, inject: 60 A, function: overload}
  - check_status: {state: tripped, switch: open, cause: overload}
  - check_codes: {codes: {overload: [test_failed, confirmed]}}
  - check_snapshot: {name: snapshot, code: overload}
clean_up:
  - open
  - clear_codes
"""


class Nobody:
    """A watcher that only remembers."""

    def __init__(self, act: Callable[[PlanStep], None] | None = None) -> None:
        self.seen: list[str] = []
        self._act = act

    def started(self, plan: Plan, step: PlanStep) -> None:
        if self._act:
            self._act(step)

    def finished(self, result: Result) -> None:
        self.seen.append(result.id)


@pytest.fixture
def bench() -> Bench:
    return open_bench(load_bench(shipped_bench("simulated")), DEVICE)


def plan_of(folder: Path, text: str, name: str = "short.yaml") -> Plan:
    path = folder / name
    path.write_text(text)
    return load_plan(path)


def run(folder: Path, bench: Bench, *plans: Plan, watcher: Nobody | None = None) -> Ending:
    journal = Journal(folder / "run")
    ending = Engine(DEVICE, bench, journal, watcher or Nobody()).run(plans)
    journal.close()
    return ending


def supply_after(bench: Bench) -> float:
    """Voltage of the 12 V supply once its relay has dropped."""
    bench.clock.sleep_until(bench.clock.now_ns() + 100_000_000)
    return bench.supply_12v.voltage()


def verdicts(ending: Ending) -> dict[str, Verdict]:
    return {result.step: result.verdict for result in ending.results}


def quarantines(folder: Path) -> list[object]:
    """Why the unit was quarantined, by the record."""
    record = Record(folder / "run")
    found = [event.detail["reason"] for event in record.events() if event.kind == "quarantine"]
    record.close()
    return found


def test_every_step_kind_has_a_runner() -> None:
    assert set(RUNNERS) == set(STEP_KINDS.values())


def test_every_step_kind_says_what_it_may_change() -> None:
    assert set(MAY_CHANGE) == set(STEP_KINDS.values())


def test_every_source_of_a_snapshot_is_known() -> None:
    assert set(KNOWN) == set(get_args(SnapshotSource))


def test_a_trip_from_end_to_end(tmp_path: Path, bench: Bench) -> None:
    watcher = Nobody()
    ending = run(tmp_path, bench, plan_of(tmp_path, OVERLOAD), watcher=watcher)

    assert set(verdicts(ending).values()) == {Verdict.PASS}
    assert ending.exit_code == 0
    trip = next(result for result in ending.results if result.step == "trip")
    (time,) = trip.measurements
    # Closed form, IEC 60255-149: 2 s * ln(9/8) = 0.2356 s at three times pickup from cold
    assert time.value == pytest.approx(0.2356, rel=0.15)
    assert (time.low or 0) < 0.2356 < (time.high or 0)
    assert trip.coverage is Coverage.SECONDARY
    assert {waveform.channel for waveform in trip.waveforms} == {"injected", "gate"}
    snapshot = next(result for result in ending.results if result.step == "snapshot")
    assert {measurement.name for measurement in snapshot.measurements} == {
        "snapshot current",
        "snapshot heat",
        "snapshot supply_voltage",
        "snapshot operate_time",
        "snapshot heat_sink_temperature",
        "snapshot junction_temperature",
        "snapshot bus_voltage",
        "snapshot gate_rail_voltage",
    }
    record = Record(tmp_path / "run")
    assert [result.id for result in record.results()] == watcher.seen == [result.id for result in ending.results]
    kinds = [event.kind for event in record.events()]
    assert {"set_point", "levels", "making_safe", "bus"} <= set(kinds)
    record.close()


def test_the_bench_is_safe_afterwards_and_set_points_are_back(tmp_path: Path, bench: Bench) -> None:
    ending = run(tmp_path, bench, plan_of(tmp_path, OVERLOAD))

    assert ending.not_put_back == []
    assert [action.problem for action in ending.made_safe] == [None] * len(ending.made_safe)
    assert bench.injector is not None
    assert not bench.injector.is_on()
    assert supply_after(bench) < 1


def test_results_stand_in_the_record_before_the_next_step_begins(tmp_path: Path, bench: Bench) -> None:
    counts: list[int] = []

    def look(step: PlanStep) -> None:
        record = Record(tmp_path / "run")
        counts.append(len(list(record.results())))
        record.close()

    run(tmp_path, bench, plan_of(tmp_path, OVERLOAD), watcher=Nobody(look))

    assert counts == list(range(9))


@pytest.mark.parametrize(
    ("factor", "step", "word"),
    [(0.8, "trip", "too early"), (1.25, "trip", "too late")],
    ids=["trips early", "trips late"],
)
def test_a_shifted_trip_level_is_found(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, factor: float, step: str, word: str
) -> None:
    monkeypatch.setattr("mocks.firmware.overload.TRIP_LEVEL", round(TRIP_LEVEL * factor))
    bench = open_bench(load_bench(shipped_bench("simulated")), DEVICE)

    ending = run(tmp_path, bench, plan_of(tmp_path, OVERLOAD))

    assert verdicts(ending)[step] is Verdict.FAIL
    assert any(word in reason for result in ending.results for reason in result.reasons)
    assert ending.exit_code == 1


def test_a_breaker_that_never_trips_fails_and_is_quarantined(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("mocks.firmware.overload.TRIP_LEVEL", TRIP_LEVEL * 1000)
    bench = open_bench(load_bench(shipped_bench("simulated")), DEVICE)
    again = OVERLOAD.replace("name: short", "name: again")

    ending = run(tmp_path, bench, plan_of(tmp_path, OVERLOAD), plan_of(tmp_path, again, "again.yaml"))

    by_id = {result.id: result for result in ending.results}
    assert by_id["short/trip"].verdict is Verdict.FAIL
    assert by_id["short/trip"].reasons[0].startswith("operate time: did not come")
    assert by_id["again/trip"].verdict is Verdict.NOT_RUN
    assert "quarantined" in by_id["again/trip"].reasons[0]
    assert ending.exit_code == 1


def test_a_refused_write_fails_and_the_band_keeps_to_what_the_breaker_holds(tmp_path: Path, bench: Bench) -> None:
    text = OVERLOAD.replace("overload_pickup: 20 A", "overload_pickup: 33 A")

    ending = run(tmp_path, bench, plan_of(tmp_path, text))

    assert verdicts(ending)["write_set_points_1"] is Verdict.FAIL
    assert verdicts(ending)["trip"] is Verdict.PASS
    assert ending.not_put_back == []


def test_an_interruption_makes_safe_and_puts_back(tmp_path: Path, bench: Bench) -> None:
    def interrupt(step: PlanStep) -> None:
        if step.name == "check_status_1":
            raise KeyboardInterrupt

    ending = run(tmp_path, bench, plan_of(tmp_path, OVERLOAD), watcher=Nobody(interrupt))

    assert ending.exit_code == 130
    assert ending.not_put_back == []
    assert verdicts(ending)["check_codes_1"] is Verdict.NOT_RUN
    assert supply_after(bench) < 1


def test_a_lost_bench_keeps_what_there_is_and_ends_with_5(tmp_path: Path, bench: Bench) -> None:
    def lose(step: PlanStep) -> None:
        if step.name == "trip":

            def gone(*arguments: object) -> None:
                raise InstrumentError("injector: no answer")

            assert bench.injector is not None
            bench.injector.apply = gone  # type: ignore[method-assign]

    ending = run(tmp_path, bench, plan_of(tmp_path, OVERLOAD), watcher=Nobody(lose))

    assert ending.exit_code == 5
    assert ending.bench_lost == "injector: no answer"
    found = verdicts(ending)
    assert found["close_1"] is Verdict.PASS
    assert found["trip"] is Verdict.ERROR
    assert found["check_status_1"] is Verdict.NOT_RUN
    record = Record(tmp_path / "run")
    assert [result.verdict for result in record.results()] == [result.verdict for result in ending.results]
    record.close()


def test_a_stimulus_that_does_not_come_is_an_error_and_no_fail(tmp_path: Path, bench: Bench) -> None:
    def unplug(step: PlanStep) -> None:
        if step.name == "trip":
            assert bench.injector is not None
            apply = bench.injector.apply
            bench.injector.apply = lambda current, slew, cut_off: apply(current * 0.9, slew, cut_off)  # type: ignore[method-assign]

    ending = run(tmp_path, bench, plan_of(tmp_path, OVERLOAD), watcher=Nobody(unplug))

    trip = next(result for result in ending.results if result.step == "trip")
    assert trip.verdict is Verdict.ERROR
    assert "stimulus not reached" in trip.reasons[0]
    assert ending.exit_code == 5


def test_a_silent_node_is_the_breakers_fault_only_with_a_good_supply(tmp_path: Path, bench: Bench) -> None:
    def starve(step: PlanStep) -> None:
        if step.name == "check_status_1":
            bench.supply_12v.output(False)
            bench.idle(200_000_000)

    ending = run(tmp_path, bench, plan_of(tmp_path, OVERLOAD), watcher=Nobody(starve))

    status = next(result for result in ending.results if result.step == "check_status_1")
    assert status.verdict is Verdict.ERROR
    assert "its supply reads" in status.reasons[0]


def test_high_voltage_on_a_real_bench_is_not_begun(
    tmp_path: Path, bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Bench, "simulated", property(lambda self: False))
    text = OVERLOAD.replace("inject: 60 A", "draw: 60 A, voltage: 700 V")
    assert bench.source is not None
    switched: list[bool] = []
    output = bench.source.output
    bench.source.output = lambda on: (switched.append(on), output(on))[1]  # type: ignore[method-assign]

    ending = run(tmp_path, bench, plan_of(tmp_path, text))

    assert set(verdicts(ending).values()) == {Verdict.NOT_RUN}
    assert len(ending.results) == 9
    assert True not in switched
    assert bench.supply_12v.voltage() == 0
    assert ending.exit_code == 4


def test_any_order_of_plans_gives_the_same_verdicts(tmp_path: Path) -> None:
    def results(order: list[str]) -> dict[str, Verdict]:
        folder = tmp_path / "-".join(order)
        folder.mkdir()
        bench = open_bench(load_bench(shipped_bench("simulated")), DEVICE)
        plans = [plan_of(folder, OVERLOAD.replace("name: short", f"name: {name}"), f"{name}.yaml") for name in order]
        return {result.id: result.verdict for result in run(folder, bench, *plans).results}

    assert results(["a", "b", "c"]) == results(["c", "a", "b"])


PRIMARY = OVERLOAD.replace("inject: 60 A", "draw: 60 A, voltage: 700 V")
HOLD = """
format: 1
name: hold
title: A current that must be borne
device: heater
steps:
  - power_cycle: {duration: 200 ms}
  - close
  - expect_no_trip: {name: hold, inject: 20 A, duration: 2 s}
clean_up:
  - open
"""


def test_a_welded_switch_is_found(tmp_path: Path, bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    commute = Plant._commute
    monkeypatch.setattr(
        Plant, "_commute", lambda plant, on, *commutation: commute(plant, True, *commutation)
    )  # the gate goes off, the switch stays

    ending = run(tmp_path, bench, plan_of(tmp_path, PRIMARY))

    trip = next(result for result in ending.results if result.step == "trip")
    assert trip.verdict is Verdict.FAIL
    assert any("interruption after decision" in reason for reason in trip.reasons)
    assert quarantines(tmp_path) == ["current flowed on after the gate went off"]
    assert ending.exit_code == 1


def test_a_current_that_comes_back_is_found(tmp_path: Path, bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """It is gone for 3 ms, and the gate stays off."""
    commute = Plant._commute

    def again(plant: Plant, on: bool, commutation: int) -> None:
        commute(plant, on, commutation)
        if not on:
            plant._clock.at(plant._clock.now_ns() + 3 * MS, lambda: commute(plant, True, commutation))

    monkeypatch.setattr(Plant, "_commute", again)
    ending = run(tmp_path, bench, plan_of(tmp_path, PRIMARY))

    trip = next(result for result in ending.results if result.step == "trip")
    waves = {wave.channel: np.frombuffer(wave.samples, ">f4") for wave in trip.waveforms}
    after = waves["current"][int((waves["gate"] < 2.5).argmax()) :]
    assert (after[2:5] < 0.1).all() and after.max() > 59
    assert trip.verdict is Verdict.FAIL
    assert trip.reasons[0].startswith("interruption after decision")
    assert quarantines(tmp_path) == ["current flowed on after the gate went off"]


def test_a_primary_trip_interrupts_the_current(tmp_path: Path, bench: Bench) -> None:
    ending = run(tmp_path, bench, plan_of(tmp_path, PRIMARY))

    trip = next(result for result in ending.results if result.step == "trip")
    assert trip.verdict is Verdict.PASS
    assert [measurement.name for measurement in trip.measurements] == ["operate time", "interruption after decision"]
    assert trip.coverage is Coverage.PRIMARY


@pytest.mark.parametrize("text", [OVERLOAD, HOLD], ids=["a trip was wanted", "no trip was wanted"])
def test_a_stimulus_that_ends_early_is_no_verdict_on_the_breaker(tmp_path: Path, bench: Bench, text: str) -> None:
    assert bench.injector is not None
    apply = bench.injector.apply
    bench.injector.apply = lambda current, slew, cut_off: apply(current, slew, 0.1)  # type: ignore[method-assign]

    ending = run(tmp_path, bench, plan_of(tmp_path, text))

    (result,) = [result for result in ending.results if result.step in ("trip", "hold")]
    assert result.verdict is Verdict.ERROR
    assert "stimulus not reached: it lasted" in result.reasons[-1]


@pytest.mark.parametrize(("volts", "word"), [(5.0, "look at the gate channel"), (0.0, "recorder's gate channel")])
def test_a_gate_lead_that_fell_off_is_no_verdict_on_the_breaker(
    tmp_path: Path, bench: Bench, volts: float, word: str
) -> None:
    assert bench.recorder is not None
    fetch = bench.recorder.fetch

    def without_lead(*names: str) -> Acquisition | None:
        acquisition = fetch(*names)
        assert acquisition is not None
        gate = np.full_like(acquisition.channels["gate"], volts)
        return dataclasses.replace(acquisition, channels={**acquisition.channels, "gate": gate})

    bench.recorder.fetch = without_lead  # type: ignore[method-assign]
    ending = run(tmp_path, bench, plan_of(tmp_path, OVERLOAD))

    trip = next(result for result in ending.results if result.step == "trip")
    assert trip.verdict is Verdict.ERROR
    assert word in trip.reasons[0]


def test_a_runner_that_breaks_down_is_an_error_and_the_bench_is_safe(
    tmp_path: Path, bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*arguments: object) -> None:
        raise ZeroDivisionError("a bug")

    monkeypatch.setitem(RUNNERS, STEP_KINDS["check_status"], broken)
    journal = Journal(tmp_path / "run")
    with pytest.raises(ZeroDivisionError):
        Engine(DEVICE, bench, journal, Nobody()).run([plan_of(tmp_path, OVERLOAD)])
    journal.close()

    record = Record(tmp_path / "run")
    results = {result.step: result for result in record.results()}
    assert results["check_status_1"].verdict is Verdict.ERROR
    assert "internal error" in results["check_status_1"].reasons[0]
    assert "making_safe" in {event.kind for event in record.events()}
    record.close()
    assert supply_after(bench) < 1


def test_a_failing_action_does_not_keep_the_next_from_being_tried(tmp_path: Path, bench: Bench) -> None:
    def broken() -> None:
        raise ValueError("a bug in a driver")

    assert bench.source is not None
    bench.source.off = broken  # type: ignore[method-assign]
    ending = run(tmp_path, bench, plan_of(tmp_path, OVERLOAD))

    problems = {action.name: action.problem for action in ending.made_safe}
    assert problems.pop("source off") == "a bug in a driver"
    assert set(problems.values()) == {None}
    assert supply_after(bench) < 1
    assert ending.exit_code == 5


def test_a_lost_bench_while_putting_back_is_still_an_interruption(tmp_path: Path, bench: Bench) -> None:
    def interrupt(step: PlanStep) -> None:
        if step.name == "check_status_1":

            def gone(*arguments: object) -> bytes:
                raise PortError("adapter unplugged")

            bench.master.request = gone  # type: ignore[method-assign]
            raise KeyboardInterrupt

    ending = run(tmp_path, bench, plan_of(tmp_path, OVERLOAD), watcher=Nobody(interrupt))

    assert ending.exit_code == 130


def test_heat_of_a_shot_that_went_wrong_is_not_forgotten(tmp_path: Path, bench: Bench) -> None:
    def lose(step: PlanStep) -> None:
        if step.name == "trip":
            assert bench.recorder is not None
            bench.recorder.fetch = lambda *names: None  # type: ignore[method-assign]

    text = OVERLOAD.replace(
        "clean_up:", "  - expect_trip: {name: again, inject: 60 A, function: overload, start: cold}\nclean_up:"
    )
    ending = run(tmp_path, bench, plan_of(tmp_path, text), watcher=Nobody(lose))

    assert verdicts(ending)["trip"] is Verdict.ERROR
    record = Record(tmp_path / "run")
    levels = [event.detail["overload"] for event in record.events() if event.kind == "levels"]
    record.close()
    assert levels[-1] == [0.0, pytest.approx(2.0, abs=0.1)]  # it has cooled until the set-points were put back


def test_a_silent_breaker_is_at_fault_and_not_the_bench(tmp_path: Path, bench: Bench) -> None:
    bench.master.poll = _silent  # type: ignore[method-assign]

    ending = run(tmp_path, bench, plan_of(tmp_path, OVERLOAD))

    assert ending.unfit is not None
    assert "does not answer" in ending.unfit
    assert set(verdicts(ending).values()) == {Verdict.NOT_RUN}


def _silent(frame: str) -> dict[str, int]:
    raise NoAnswer(frame, [NoResponse(0x22, 0, 1)])


def test_set_points_that_cannot_be_read_at_the_start_end_the_run_in_order(
    tmp_path: Path, bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    def unreadable(*arguments: object) -> object:
        raise StepError("two readings differ")

    monkeypatch.setattr("harness.run.engine.read_set_points", unreadable)

    ending = run(tmp_path, bench, plan_of(tmp_path, OVERLOAD))

    assert (ending.exit_code, ending.bench_lost) == (5, "two readings differ")
    record = Record(tmp_path / "run")
    (left,) = [event.detail for event in record.events() if event.kind == "ledger"]
    record.close()
    assert (left["set_points"], left["levels"]) == ({}, {})
