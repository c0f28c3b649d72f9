"""Making safe, action by action: what is told to which instrument, in which order, whatever fails on the way."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any, cast

import pytest

from harness.bench.bench import Bench
from harness.bench.instrument import InstrumentError
from harness.bench.making_safe import ACTIONS, SafeAction, finish_safe, make_dead, make_safe, stop_currents
from harness.files.profile import load_device, shipped_device

DEVICE = load_device(shipped_device("heater"))
STATUS = DEVICE.status
SUPPLY_OFF = "12 V supply off, once both sides are proved dead"
CONTACTOR = "contactor open, once the current is below what it may break"

# What each action does on a bench that has everything.
DONE: dict[str, list[str]] = {
    "source off": ["source.off"],
    "bank's charger off": ["bank.off"],
    "load off": ["load.off"],
    "injector off": ["injector.off"],
    "breaker commanded open": [
        "supply_12v.voltage",
        "master.send_command none",
        "master.send_command open",
        f"master.poll {STATUS.frame}",
    ],
    CONTACTOR: ["high_voltage.open_contactor"],
    "bank's making switch open, and what leads past the breaker": ["shots.part", "high_voltage.unlink"],
    "source read back off": ["source.voltage"],
    "both sides discharged": ["high_voltage.discharge"],
    "bank discharged": ["shots.discharge"],
    "both sides and the bank proved dead": ["high_voltage.prove_dead"],
    "simulated signals off": ["gate_supply.off", "ntc.off"],
    SUPPLY_OFF: ["source.voltage", "supply_12v.off"],
}
KEPT_ON = {"injector off", "simulated signals off", SUPPLY_OFF}  # while a plan goes on without high voltage


class Part:
    """Notes every call, answers as it was told, and fails where it is the one to fail."""

    def __init__(self, bench: FakeBench, name: str, **answers: object) -> None:
        self._bench, self._name, self._answers = bench, name, answers

    def __getattr__(self, verb: str) -> Callable[..., object]:
        def act(*arguments: object) -> object:
            call = " ".join([f"{self._name}.{verb}", *map(str, arguments)])
            self._bench.calls.append(call)
            if call == self._bench.fails:
                raise self._bench.error
            return self._answers.get(verb)

        return act


class FakeBench:
    """Everything that a bench can have; ``calls`` is what was asked of it, in order."""

    def __init__(self, fails: str = "", error: Exception | None = None) -> None:
        self.calls: list[str] = []
        self.fails, self.error = fails, error or InstrumentError("no answer")
        self.device = DEVICE
        self.clock = SimpleNamespace(now_ns=lambda: 0, sleep_until=lambda at_ns: None)
        self.source: Part | None = Part(self, "source", voltage=0.4)
        self.bank: Part | None = Part(self, "bank")
        self.load: Part | None = Part(self, "load")
        self.injector: Part | None = Part(self, "injector")
        self.supply_12v = Part(self, "supply_12v", voltage=13.5)
        self.master = Part(self, "master", poll={STATUS.switch_signal: STATUS.switch["open"]})
        self.signals = {name: Part(self, name) for name in ("gate_supply", "ntc")}
        self.high_voltage: Any = Part(self, "high_voltage", open_contactor="at 0.1 A", prove_dead=SimpleNamespace())
        self.high_voltage.bank = Part(self, "shots")
        self.high_voltage.in_doubt = False

    def carry_out(self, what: Callable[[Bench], list[SafeAction]] = make_safe) -> dict[str, str | None]:
        """Action -> its problem, of all that were carried out."""
        self.calls.clear()
        return {action.name: action.problem for action in what(cast(Bench, self))}


def calls_of(*but: str) -> list[str]:
    return [call for name, calls in DONE.items() if name not in but for call in calls]


def test_every_action_is_carried_out_in_order() -> None:
    bench = FakeBench()

    assert bench.carry_out() == dict.fromkeys(DONE)
    assert bench.calls == ["high_voltage.leave True", *calls_of()]


def test_taking_high_voltage_away_leaves_the_rest_as_it_is() -> None:
    bench = FakeBench()

    assert list(bench.carry_out(make_dead)) == [name for name in DONE if name not in KEPT_ON]
    assert bench.calls == ["high_voltage.leave False", *calls_of(*KEPT_ON)]


def test_currents_stop_with_the_supply_still_on_and_the_last_action_takes_it() -> None:
    bench = FakeBench()

    bench.carry_out(stop_currents)
    assert bench.calls == ["high_voltage.leave True", *calls_of(SUPPLY_OFF)]
    bench.carry_out(finish_safe)
    assert bench.calls == ["high_voltage.leave False", *DONE[SUPPLY_OFF]]


@pytest.mark.parametrize("error", [InstrumentError("no answer"), ZeroDivisionError("nobody thought of it")])
@pytest.mark.parametrize("call", dict.fromkeys(calls_of()))
def test_what_fails_is_named_and_keeps_no_other_action_from_being_tried(call: str, error: Exception) -> None:
    bench = FakeBench(call, error)

    problems = bench.carry_out()

    failed = {name for name, calls in DONE.items() if call in calls}  # the source is read in two of them
    assert problems == {name: str(error) if name in failed else None for name in DONE}
    assert {call, *calls_of(*failed)} <= set(bench.calls)


@pytest.mark.parametrize("call", dict.fromkeys(calls_of()))
def test_what_fails_is_handed_over_where_the_watchdog_can_do_it(call: str) -> None:
    bench = FakeBench(call)

    bench.carry_out()

    backed = any(action.backed for action in ACTIONS if call in DONE[action.name])
    assert ("high_voltage.hand_over" in bench.calls) is backed


def test_an_error_without_words_is_named_by_its_kind() -> None:
    assert FakeBench("load.off", KeyError()).carry_out()["load off"] == "KeyError"


def test_every_signal_is_switched_off_though_the_first_does_not_follow() -> None:
    bench = FakeBench("gate_supply.off")

    assert bench.carry_out()["simulated signals off"] == "no answer"
    assert "ntc.off" in bench.calls


def test_a_bench_without_high_voltage_is_made_safe_all_the_same() -> None:
    bench = FakeBench()
    bench.source = bench.bank = bench.load = bench.injector = bench.high_voltage = None

    assert bench.carry_out() == dict.fromkeys(DONE)
    assert bench.calls == [*DONE["breaker commanded open"], "gate_supply.off", "ntc.off", "supply_12v.off"]


def test_a_breaker_that_stays_closed_is_said() -> None:
    bench = FakeBench()
    bench.master = Part(bench, "master", poll={STATUS.switch_signal: STATUS.switch["closed"]})

    assert bench.carry_out()["breaker commanded open"] == "the breaker still says that its switch is closed"


def test_a_breaker_without_supply_is_told_nothing() -> None:
    bench = FakeBench()
    bench.supply_12v = Part(bench, "supply_12v", voltage=DEVICE.ratings.supply[0] - 0.1)

    assert bench.carry_out()["breaker commanded open"] is None
    assert not [call for call in bench.calls if call.startswith("master")]


@pytest.mark.parametrize(("volts", "off"), [(59.9, True), (60.0, False), (-60.0, False)])
def test_a_source_that_still_reads_a_voltage_keeps_the_12_v_on(volts: float, off: bool) -> None:
    bench = FakeBench()
    bench.source = Part(bench, "source", voltage=volts)

    problems = bench.carry_out()

    said = None if off else f"source still reads {volts:.0f} V; treat both sides of the breaker as live"
    assert problems["source read back off"] == problems[SUPPLY_OFF] == said
    assert ("supply_12v.off" in bench.calls) is off


def test_what_is_not_proved_dead_is_said_and_keeps_the_12_v_on() -> None:
    bench = FakeBench()
    bench.high_voltage.in_doubt = True
    bench.high_voltage.prove_dead = lambda: SimpleNamespace(reasons=("a lead may be off", "it is slow"))

    problems = bench.carry_out()

    said = "NOT PROVED DEAD, treat both sides as live: a lead may be off; it is slow"
    assert problems["both sides and the bank proved dead"] == said
    assert problems[SUPPLY_OFF] == "stays on: the breaker can be told to open as long as its electronics live"
    assert "supply_12v.off" not in bench.calls


def test_at_which_current_the_contactor_opened_is_a_note() -> None:
    notes = {action.name: action.note for action in make_safe(cast(Bench, FakeBench()))}

    assert notes == dict.fromkeys(DONE) | {CONTACTOR: "at 0.1 A"}


@pytest.mark.parametrize(("later", "problem"), [(600.0, None), (655.0, "source still reads 660 V"), (900.0, "660 V")])
def test_a_source_whose_own_capacitors_still_fall_is_off(later: float, problem: str | None) -> None:
    bench = FakeBench()
    assert bench.source is not None
    readings = itertools.cycle((660.0, later))
    bench.source.voltage = lambda: next(readings)  # type: ignore[attr-defined]

    found = bench.carry_out()["source read back off"]

    assert (found is None) is (problem is None)
    assert (problem or "") in (found or "")
