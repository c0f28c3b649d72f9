"""The mock's bank and loop, against closed forms that it does not use."""

from __future__ import annotations

import math

import pytest

from mocks.bank import DISCHARGE_OHM, FARAD, Bank
from mocks.clock import EventClock

NS = 1e-9


def charged(volts: float) -> tuple[EventClock, Bank]:
    clock = EventClock(lambda stop: stop)
    bank = Bank(clock)
    bank.charge(volts, 5.0)
    clock.sleep_until(round(volts * FARAD / 5.0 / NS) + 1000)
    bank.charge(0.0, 0.0)
    assert bank.voltage.at(clock.now_ns()) == pytest.approx(volts)
    return clock, bank


def test_it_is_charged_with_a_constant_current_and_keeps_its_charge() -> None:
    clock, bank = charged(400.0)
    assert bank.voltage.at(80_000_000) == pytest.approx(200.0)  # 5 A into 2 mF: 2.5 V/ms

    clock.sleep_until(60_000_000_000)

    assert bank.voltage.at(clock.now_ns()) == pytest.approx(400.0)


@pytest.mark.parametrize("taus", [0.5, 1.0, 3.35])
def test_the_resistor_discharges_it(taus: float) -> None:
    clock, bank = charged(400.0)
    bank.discharge(True)
    clock.sleep_until(clock.now_ns() + round(taus * DISCHARGE_OHM * FARAD / NS))

    assert bank.voltage.at(clock.now_ns()) == pytest.approx(400 * math.exp(-taus), rel=1e-3)


@pytest.mark.parametrize("us", [1, 10, 50, 150, 250])
def test_a_closed_loop_swings_as_a_damped_series_circuit(us: int) -> None:
    clock, bank = charged(80.0)
    bank.close_path(0.0, 980.0)
    began_ns = clock.now_ns()
    bank.make(True)
    seconds = us * 1e-6
    damping, natural = bank.resistance / (2 * bank.inductance), 1 / math.sqrt(bank.inductance * FARAD)
    swing = math.sqrt(natural**2 - damping**2)
    current = 80 / (swing * bank.inductance) * math.exp(-damping * seconds) * math.sin(swing * seconds)

    assert bank.current.at(began_ns + us * 1000) == pytest.approx(current, rel=2e-4)


def test_the_diode_keeps_the_bank_from_going_negative_and_the_current_dies_away() -> None:
    clock, bank = charged(80.0)
    bank.close_path(0.0, 980.0)
    bank.make(True)
    instants = [clock.now_ns() + k * 20_000 for k in range(1000)]

    assert min(bank.voltage.at(each) for each in instants) == 0.0
    assert bank.current.at(instants[-1]) == pytest.approx(0.0, abs=0.02)


def test_the_clamp_takes_what_the_inductance_held_and_what_the_bank_adds() -> None:
    clock, bank = charged(400.0)
    bank.close_path(20e-3, 980.0)
    bank.make(True)
    clock.sleep_until(clock.now_ns() + 10_000)
    began_ns = clock.now_ns()
    peak = bank.current.at(began_ns)
    gone_ns = bank.close_path(None, 980.0)
    assert gone_ns is not None

    # tf = L I / (Vc - V), E = 1/2 L I^2 Vc / (Vc - V): the resistance takes some percent of it here.
    left = 980 - bank.voltage.at(began_ns)
    assert (gone_ns - began_ns) * NS == pytest.approx(bank.inductance * peak / left, rel=0.01)
    energy = 980 * bank.current.mean(began_ns, gone_ns) * (gone_ns - began_ns) * NS
    assert energy == pytest.approx(0.5 * bank.inductance * peak**2 * 980 / left, rel=0.01)
    assert bank.current.at(gone_ns + 1) == 0.0


def test_an_open_path_carries_nothing_and_has_the_banks_voltage_before_it() -> None:
    clock, bank = charged(400.0)
    bank.make(True)
    clock.sleep_until(clock.now_ns() + 1_000_000)

    assert bank.current.at(clock.now_ns()) == 0.0
    assert bank.terminal() == pytest.approx(400.0)
