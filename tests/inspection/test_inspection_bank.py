"""The capacitor bank at low voltage: what is left in it, how it is charged and falls, and that it is left dead."""

from __future__ import annotations

import dataclasses
from functools import partial

import pytest
from test_inspection_course import SPEC, Looked, look

from harness.bench.instrument import InstrumentError, PowerSupply
from harness.bench.interlock import InterlockUnit
from harness.clock import MS, S
from harness.inspection.opened import Opened
from harness.inspection.row import Verdict, exit_code

assert SPEC.bank is not None and SPEC.interlock is not None
BANK, LOCK = SPEC.bank, SPEC.interlock
_DONE = "charged to at most 50 V"


def charge(bench: Opened, volts: float) -> None:
    """As somebody left it before the inspection."""
    bank, lock = bench.instruments["bank"], bench.instruments["interlock"]
    assert isinstance(bank, PowerSupply) and isinstance(lock, InterlockUnit)
    bank.configure(volts, 5.0)
    lock.feed(True)
    bank.output(True)
    bench.clock.sleep_until(bench.clock.now_ns() + 190 * MS)
    bank.off()
    lock.feed(False)
    assert Looked(bench).standing()["volts_bank"] == pytest.approx(volts, abs=0.5)


def test_a_charged_bank_is_discharged_before_anything_goes_on() -> None:
    looked = look(on_open=partial(charge, volts=400.0))

    assert exit_code(looked.rows) == 0, looked.faults
    assert looked.row("bank", "making switch open").found.endswith(" V, 400.0 V at first")
    assert looked.standing()["volts_bank"] < 2


def test_a_making_switch_that_was_left_closed_is_opened_before_anything_goes_on() -> None:
    def close(bench: Opened) -> None:
        bench.instruments["interlock"].relay("pulse", True)  # type: ignore[attr-defined]

    looked = look(on_open=close)

    assert exit_code(looked.rows) == 0, looked.faults


@pytest.mark.parametrize(("volts", "shown"), [(400.0, "400.0"), (55.0, "55.0"), (14.0, "14.0")])
def test_a_bank_that_stays_charged_lets_nothing_be_put_on_and_is_told_last(volts: float, shown: str) -> None:
    """2 mF: 55 V are 3 J; 14 V and the reading's error may be 0.2 J."""
    looked = look("FAULT bank_discharge_stuck ON", on_open=partial(charge, volts=volts))

    row, last = looked.row("bank", "making switch open"), looked.rows[-1]
    assert row.verdict is Verdict.FAULT
    assert row.found == f"{shown} V, {shown} V at first"
    assert "discharge it by hand" in row.fix
    assert looked.row("source", "switched off").found.startswith("not before this is in order: bank: making")
    assert looked.measured.keys() == {"12 V cut"}
    assert (last.done, last.verdict) == ("everything switched off", Verdict.FAULT)
    assert last.found == f"the bank reads {shown} V, and below 14.1 V it is dead"
    assert "treat both sides and the bank as live" in last.fix


def test_what_is_left_of_a_bank_below_its_limit_is_dead() -> None:
    looked = look("FAULT bank_discharge_stuck ON", on_open=partial(charge, volts=13.0))

    assert looked.row("bank", "making switch open").verdict is Verdict.OK


@pytest.mark.parametrize("fault", ["bank_discharge_stuck", "charger_ignores_off"])
def test_a_bank_that_does_not_fall_is_left_as_one_that_is_live(fault: str) -> None:
    looked = look(f"FAULT {fault} ON")

    assert looked.faults == [("bank", f"{_DONE} and discharged"), ("bench", "everything switched off")]
    assert looked.rows[-1].found == "the bank reads 42.4 V, and below 14.1 V it is dead"
    assert looked.row("bank", "making switch closed").found.startswith("not before this is in order: bank: charged")


def test_a_bank_that_reads_nothing_is_not_said_to_be_dead() -> None:
    looked = look("FAULT sense_bank_off ON")

    assert looked.rows[-1].found == "the bank was charged, reads 0.0 V, and nobody saw it fall"
    assert looked.most < 50.5
    assert looked.standing()["volts_bank"] < 1  # it was given all of its time


def test_a_welded_making_switch_is_found_before_the_bank_is_full() -> None:
    looked = look("FAULT making_welded ON")

    row = looked.row("bank", "making switch closed")
    assert "while the bank is charged and its making switch open" in row.found
    assert row.found < "a side reads 14"
    assert looked.rows[-1].verdict is Verdict.OK  # seen to fall, through its resistor


def test_a_making_switch_that_does_not_make_is_found() -> None:
    def dull(bench: Opened) -> None:
        lock = bench.instruments["interlock"]
        assert isinstance(lock, InterlockUnit)
        relay = lock.relay
        lock.relay = lambda name, closed: relay(name, closed and name != "pulse")  # type: ignore[method-assign]

    row = look(on_open=dull).row("bank", "making switch closed")

    assert (row.verdict, row.found[:2]) == (Verdict.FAULT, "0.")
    assert row.found.endswith(" V across the breaker, 42.4 V on the bank")


def test_a_charger_that_gives_more_than_it_is_told_is_taken_away() -> None:
    def higher(bench: Opened) -> None:
        bank = bench.instruments["bank"]
        assert isinstance(bank, PowerSupply)
        configure = bank.configure

        def by_half(voltage: float, current_limit: float) -> None:
            bank.ranges = {"SOUR:CURR": bank.ranges["SOUR:CURR"]}
            configure(1.5 * voltage, current_limit)

        bank.configure = by_half  # type: ignore[method-assign]

    looked = look(on_open=higher)

    row = looked.row("bank", _DONE)
    assert (row.verdict, row.found.endswith("V, and 42.4 V were asked for")) == (Verdict.FAULT, True)
    assert looked.most < 50.5


def test_the_line_keeps_the_charger_off() -> None:
    def alone(bench: Opened) -> None:
        """The charger's enable goes through the emergency stop, and not through the line."""
        lock, panel = bench.instruments["interlock"], bench.panel
        assert isinstance(lock, InterlockUnit) and panel is not None
        feed = lock.feed

        def fed(on: bool) -> None:
            feed(on)
            panel(f"FAULT charger_bypassed {'OFF' if on else 'ON'}")

        lock.feed = fed  # type: ignore[method-assign]

    looked = look(on_open=alone)

    assert looked.faults == [("watchdog", "charger told on, line not fed")]
    assert "enable input does not go through the watchdog line" in looked.row("watchdog", "charger told").fix


def test_a_small_bank_is_seen_to_fall_below_its_own_limit(monkeypatch: pytest.MonkeyPatch) -> None:
    """200 uF are dead at 44.7 V, and 50 V are put on them."""
    monkeypatch.setattr("mocks.bank.FARAD", 200e-6)

    looked = look(spec=dataclasses.replace(SPEC, bank=dataclasses.replace(BANK, capacitance=200e-6)))

    assert exit_code(looked.rows) == 0, looked.faults
    assert looked.row("bank", _DONE).found.startswith("50.0 V, and ")


@pytest.mark.parametrize("trouble", [KeyboardInterrupt, RuntimeError])
@pytest.mark.parametrize("broken", ["pulse", "discharge", "bank"])
def test_its_resistor_is_closed_whatever_ends_it_and_whatever_else_fails(
    trouble: type[BaseException], broken: str
) -> None:
    benches: list[Opened] = []

    def interrupt(bench: Opened) -> None:
        benches.append(bench)
        bank, lock = bench.instruments["bank"], bench.instruments["interlock"]
        assert isinstance(bank, PowerSupply) and isinstance(lock, InterlockUnit)
        off, relay = bank.off, lock.relay

        def refuse(name: str, closed: bool) -> None:
            if name == broken:
                raise InstrumentError("no answer")
            relay(name, closed)

        def ended() -> None:
            if Looked(bench).standing()["volts_bank"] < 40:
                return off()
            bank.off = off  # type: ignore[method-assign]
            off()
            lock.relay = refuse  # type: ignore[method-assign]
            if broken == "bank":
                bank.off = partial(refuse, "bank", False)  # type: ignore[method-assign]
            raise trouble

        bank.off = ended  # type: ignore[method-assign]

    with pytest.raises(trouble):
        look(on_open=interrupt)

    (bench,) = benches
    bench.clock.sleep_until(bench.clock.now_ns() + S)
    assert Looked(bench).standing()["volts_bank"] < 1


def test_a_bank_without_its_relays_is_only_read() -> None:
    """Bench files like that are refused; the inspection does not rely on it."""
    relays = {name: number for name, number in LOCK.relays.items() if name not in ("pulse", "bank_discharge")}

    looked = look(spec=dataclasses.replace(SPEC, interlock=dataclasses.replace(LOCK, relays=relays)))

    assert exit_code(looked.rows) == 0, looked.faults
    assert [row.done for row in looked.rows if row.role == "bank"][2:] == ["making switch open, resistor on"]
    with pytest.raises(InstrumentError, match="range of 0 to 0: nothing was sent"):
        looked.bench.instruments["bank"].go(1.0)  # type: ignore[attr-defined]


def test_a_making_switch_that_welded_meanwhile_is_found_at_the_first_charge() -> None:
    """Before that, the checks of both sides find one: the bank is in the way of the source."""

    def welds(bench: Opened) -> None:
        bank, lock, panel = bench.instruments["bank"], bench.instruments["interlock"], bench.panel
        assert isinstance(bank, PowerSupply) and isinstance(lock, InterlockUnit) and panel is not None
        configure = bank.configure

        def welded(voltage: float, current_limit: float) -> None:
            lock.relay("pulse", True)
            bench.clock.sleep_until(bench.clock.now_ns() + 100 * MS)
            panel("FAULT making_welded ON")
            lock.feed(True)
            configure(voltage, current_limit)

        bank.configure = welded  # type: ignore[method-assign]

    row = look(on_open=welds).row("bank", _DONE)

    assert (row.verdict, row.fix.startswith("making switch: welded")) == (Verdict.FAULT, True)
    assert row.found < "a side reads 14"  # long before the bank is full


def test_an_interlock_that_is_silent_at_the_end_keeps_nobody_from_reading_the_bank() -> None:
    def silent(bench: Opened) -> None:
        charge(bench, 55.0)

        def nothing() -> None:
            raise InstrumentError("interlock: no answer")

        bench.instruments["interlock"].inputs = nothing  # type: ignore[attr-defined]

    last = look("FAULT bank_discharge_stuck ON", on_open=silent).rows[-1]

    assert last.found == "interlock: no answer; the bank reads 55.0 V, and below 14.1 V it is dead"
    assert "both sides and the bank" in last.fix
