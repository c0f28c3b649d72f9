"""The high-voltage side on a bench of plain numbers: when the contactor opens, what a person's word takes."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any, cast

import pytest

from harness.bench.gate import Confirmation, Interlock, State
from harness.bench.guard import GateRefused
from harness.bench.high_voltage import HighVoltage
from harness.bench.instrument import InstrumentError
from harness.bench.interlock import Inputs
from harness.bench.safety_spec import ContactorSpec
from harness.bench.spec import load_bench, shipped_bench
from harness.clock import MS, S
from harness.record.standing import Standing

SPEC = replace(
    load_bench(shipped_bench("simulated")), contactor=ContactorSpec(breaking_current=20.0, maximum_wait=0.1), bank=None
)
WORD = "both are dead"


class Numbers:
    """Clock, source, interlock, voltmeter and watchdog of a bench at once, left in doubt.

    ``amperes`` and ``volts`` are read one after the other, the last again and again; None: no answer.
    """

    def __init__(
        self,
        folder: Path,
        amperes: tuple[float | None, ...] = (0.0,),
        volts: tuple[tuple[float, float] | None, ...] = ((0.0, 0.0),),
        welded: bool = False,
        note: Callable[[int, str, Mapping[str, object]], None] | None = None,
        in_doubt: bool = True,
        simulated: bool = False,
    ) -> None:
        self.spec, self.simulated = SPEC, simulated
        self.clock = self.attended = self.source = self
        self.load = self.bank = self.isolation = None
        self.contactor = True
        self.opened_ns: int | None = None
        self.read_ns: list[int] = []
        self.guarded: list[bool] = []
        self.events: list[Mapping[str, object]] = []
        self._now = 0
        self._amperes, self._volts, self._welded = list(amperes), list(volts), welded
        self.standing = Standing(folder, SPEC.name)
        if in_doubt:
            self.standing.in_doubt("left so")
        note = note or (lambda at_ns, kind, detail: self.events.append({"kind": kind, **detail}))
        here = cast(Any, self)
        self.high_voltage = HighVoltage(here, here, here, here, note, self.standing)

    def now_ns(self) -> int:
        return self._now

    def sleep_until(self, instant_ns: int) -> None:
        self._now = max(self._now, instant_ns)

    def current(self) -> float:
        value = self._amperes.pop(0) if len(self._amperes) > 1 else self._amperes[0]
        if value is None:
            raise InstrumentError("source: no answer")
        return value

    def both(self) -> tuple[float, float]:
        self.read_ns.append(self._now)
        value = self._volts.pop(0) if len(self._volts) > 1 else self._volts[0]
        if value is None:
            raise InstrumentError("voltmeter: no answer")
        return value

    def relay(self, name: str, closed: bool) -> None:
        assert (name, closed) == ("contactor", False)
        self.opened_ns = self._now
        self.contactor = self._welded

    def inputs(self) -> Inputs:
        return Inputs(Interlock(True, True), arm_button=False, contactor=self.contactor, discharge=True)

    def guard(self, on: bool) -> None:
        self.guarded.append(on)


# What arms it


def test_a_real_bench_takes_no_confirmation_without_a_press_of_the_button(tmp_path: Path) -> None:
    unpressed = Confirmation("d1", 0, 0)
    real = Numbers(tmp_path, in_doubt=False).high_voltage
    simulated = Numbers(tmp_path, in_doubt=False, simulated=True).high_voltage

    with pytest.raises(GateRefused, match="the arm button was not pressed"):
        real.arm(unpressed, "d1")
    simulated.arm(unpressed, "d1")

    assert (real.state, simulated.state) == (State.SAFE, State.ARMED)


def test_a_bench_left_in_doubt_takes_no_confirmation(tmp_path: Path) -> None:
    bench = Numbers(tmp_path).high_voltage

    with pytest.raises(GateRefused, match="the bench is not_proven_dead"):
        bench.arm(Confirmation("d1", 0, 2, 0, 1), "d1")

    assert bench.state is State.NOT_PROVEN_DEAD


# When the contactor opens; the watchdog's own copy of this is held to the same in test_bench_watchdog.py


@pytest.mark.parametrize("sign", [1, -1])
def test_the_contactor_opens_once_the_current_is_below_what_it_may_break(tmp_path: Path, sign: int) -> None:
    bench = Numbers(tmp_path, (sign * 90.0, sign * 40.0, sign * 20.0, sign * 19.5))

    assert bench.high_voltage.open_contactor() == f"at {sign * 19.5} A"
    assert bench.opened_ns == 3 * 5 * MS  # a look each 5 ms


def test_a_small_current_is_not_waited_for(tmp_path: Path) -> None:
    bench = Numbers(tmp_path, (19.9,))

    assert bench.high_voltage.open_contactor() == "at 19.9 A"
    assert bench.opened_ns == 0


def test_a_current_that_does_not_fall_is_waited_for_no_longer_than_declared(tmp_path: Path) -> None:
    bench = Numbers(tmp_path, (90.0,))

    assert bench.high_voltage.open_contactor() == "at 90.0 A: the longest wait of 0.1 s was over"
    assert bench.opened_ns == 100 * MS


def test_an_unknown_current_is_no_small_one(tmp_path: Path) -> None:
    bench = Numbers(tmp_path, (None,))

    assert bench.high_voltage.open_contactor() == "at an unknown current: the longest wait of 0.1 s was over"
    assert bench.opened_ns == 100 * MS


def test_a_current_that_is_known_again_is_waited_for_no_longer(tmp_path: Path) -> None:
    bench = Numbers(tmp_path, (None, None, 3.0))

    assert bench.high_voltage.open_contactor() == "at 3.0 A"
    assert bench.opened_ns == 2 * 5 * MS


def test_a_contactor_that_is_welded_is_told_from_one_that_opened(tmp_path: Path) -> None:
    with pytest.raises(InstrumentError, match="the contactor's feedback says closed: welded"):
        Numbers(tmp_path, welded=True).high_voltage.open_contactor()


# What a person's statement takes


def test_a_statement_counts_with_two_fresh_dead_readings_and_is_recorded(tmp_path: Path) -> None:
    bench = Numbers(tmp_path, volts=((1.0, 2.0), (3.0, -4.0)))

    assert bench.high_voltage.stated_dead(WORD) is None
    assert bench.high_voltage.state is State.SAFE
    stated = {"statement": WORD, "first": (1.0, 2.0), "second": (3.0, -4.0), "problem": None}
    assert bench.events == [{"kind": "gate", "event": "stated dead", **stated}]
    assert bench.read_ns == [0, S]
    assert bench.guarded == [False]
    assert bench.standing.doubt() is None


@pytest.mark.parametrize(
    ("volts", "why"),
    [
        (((0.0, 300.0), (0.0, 0.0)), "the load side reads 300 V"),
        (((0.0, 0.0), (-300.0, 0.0)), "the source side reads -300 V"),
        (((300.0, 0.0), (200.0, 0.0)), "the source side reads 300 V"),
    ],
    ids=["first", "second", "both"],
)
def test_a_statement_against_a_reading_is_recorded_and_counts_for_nothing(
    tmp_path: Path, volts: tuple[tuple[float, float], ...], why: str
) -> None:
    bench = Numbers(tmp_path, volts=volts)

    assert bench.high_voltage.stated_dead(WORD) == why
    assert bench.high_voltage.state is State.NOT_PROVEN_DEAD
    (event,) = bench.events
    assert (event["statement"], event["first"], event["second"], event["problem"]) == (WORD, *volts, why)
    assert bench.guarded == []
    assert bench.standing.doubt() == "left so"


def test_a_statement_without_two_readings_counts_for_nothing(tmp_path: Path) -> None:
    bench = Numbers(tmp_path, volts=((0.0, 0.0), None))

    with pytest.raises(InstrumentError):
        bench.high_voltage.stated_dead(WORD)

    assert bench.high_voltage.state is State.NOT_PROVEN_DEAD
    assert bench.standing.doubt() == "left so"


def test_a_statement_that_cannot_be_recorded_counts_for_nothing(tmp_path: Path) -> None:
    def full(at_ns: int, kind: str, detail: Mapping[str, object]) -> None:
        raise OSError("disk full")

    bench = Numbers(tmp_path, note=full)

    with pytest.raises(OSError, match="disk full"):
        bench.high_voltage.stated_dead(WORD)

    assert bench.high_voltage.state is State.NOT_PROVEN_DEAD
    assert bench.standing.doubt() == "left so"
