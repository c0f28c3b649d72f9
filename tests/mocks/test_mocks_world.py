"""The whole world: right trips, and the same bits however it is looked at."""

from __future__ import annotations

import math
from collections.abc import Callable
from random import Random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from world_bench import MS, START_NS, Bench, S, heater

from mocks.world import World
from protocol.decoder import BREAK

# Cold operate time over time constant: facts/protection.md section 2, its table for tau = 600 s (V:calc).
COLD = {1.1: 1050.7609, 1.2: 711.3742, 1.5: 352.6720, 2: 172.6092, 5: 24.4932, 10: 6.0302}
TAU_S = 60.0  # default of the device


def cold_time(multiple: float) -> float:
    """t = tau ln(M² / (M² - 1)), IEC 60255-149:2013 4.4.4 as in facts/protection.md section 2."""
    return TAU_S * math.log(multiple**2 / (multiple**2 - 1))


@pytest.mark.parametrize("multiple", COLD)
def test_formula_of_the_corners_gives_the_published_table(multiple: float):
    assert cold_time(multiple) == pytest.approx(COLD[multiple] * TAU_S / 600, rel=1e-6)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("multiple", [1.2, 1.5, 2, 5, 10])
def test_operate_time_is_within_declared_accuracy(multiple: float, seed: int):
    """Gate instant against the closed form at the corners of current, timer and latency that the device declares."""
    bench = Bench(seed)
    pickup = 15.0
    bench.world.firmware.adopt({"overload_pickup": 1500})
    bench.close()
    bench.wait(0.003 * seed)  # some phase of the slow period
    plant = bench.world.plant
    bench.say("injector", f"SOUR:CURR {multiple * pickup};:OUTP ON")
    onset = bench.clock.now_ns()
    bench.wait(1.3 * COLD[multiple] * TAU_S / 600 + 0.1)
    volts, _, opened, _ = plant.gate.piece(bench.clock.now_ns())
    accuracy = heater().accuracy
    current = plant.injected.at(bench.clock.now_ns())
    high = (current * (1 + accuracy.current_gain) + accuracy.current_offset) / pickup
    low = (current * (1 - accuracy.current_gain) - accuracy.current_offset) / pickup

    assert volts == 0
    operated = (opened - onset) / S
    assert cold_time(high) * (1 - accuracy.timer) + accuracy.latency[0] <= operated
    assert operated <= cold_time(low) * (1 + accuracy.timer) + accuracy.latency[1]


def test_units_differ_and_stay_within_their_share():
    units = [World(heater(), seed).unit for seed in range(60)]
    accuracy = heater().accuracy
    for name, limit in (
        ("current_gain", accuracy.current_gain),
        ("current_offset", accuracy.current_offset),
        ("timer", accuracy.timer),
    ):
        drawn = np.array([getattr(unit, name) for unit in units])
        assert np.abs(drawn).max() <= 0.6 * limit  # the rest is for resolution, noise and sampling
        assert drawn.min() < -0.3 * limit
        assert drawn.max() > 0.3 * limit
    assert len({unit.uptime_ms for unit in units}) == 60
    assert max(unit.uptime_ms for unit in units) > 2**31  # the wrap is within reach


def test_two_hours_just_below_pickup_never_trip():
    """720,000 slow tasks; the level comes to (I/pickup)², which is below 1 for every healthy unit here."""
    bench = Bench(3)
    bench.close()
    bench.say("injector", "SOUR:CURR 26.9;:OUTP ON")  # 27.5 A less 1 %, 0.1 A, and the injector's own error
    bench.wait(7200)

    assert bench.world.firmware.gate
    assert 0.9 < bench.world.firmware.overload.level / 2**30 < 1


def test_primary_current_stops_with_the_trip_and_injected_current_does_not():
    bench = Bench()
    bench.say("source", "SOUR:VOLT 700;CURR 120;:OUTP ON")
    bench.wait(0.1)
    bench.close()
    bench.say("load", "SOUR:CURR 60;:INP ON")
    bench.say("injector", "SOUR:CURR 10;:OUTP ON")
    bench.wait(30)
    status = bench.world.firmware.status_signals()

    assert status["HtrState"] == 2
    assert bench.ask("load", "MEAS:CURR?") < 2e-3
    assert bench.ask("injector", "MEAS:CURR?") == pytest.approx(10, abs=0.05)
    assert status["HtrCurrent"] * 0.025 - 200 == pytest.approx(10, abs=0.4)


@pytest.mark.parametrize(("role", "switch"), [("injector", "OUTP"), ("load", "INP")])
def test_cut_off_counts_from_the_last_on_and_a_stale_one_does_nothing(role: str, switch: str):
    bench = Bench()
    bench.say(role, f"SOUR:CURR 20;:SOUR:PULS:WIDT 0.5;:{switch} ON")
    bench.wait(0.4)
    bench.say(role, f"{switch} ON")
    bench.wait(0.4999)
    assert bench.ask(role, f"{switch}?") == 1
    bench.wait(0.0002)
    assert bench.ask(role, f"{switch}?") == 0
    bench.say(role, f"{switch} ON;:{switch} OFF;:SOUR:PULS:WIDT 0;:{switch} ON")
    bench.wait(2)
    assert bench.ask(role, f"{switch}?") == 1


def test_cut_off_ends_the_current():
    bench = Bench()
    bench.close()
    bench.say("injector", "SOUR:CURR:SLEW 2e6;:SOUR:CURR 40;:SOUR:PULS:WIDT 0.25;:OUTP ON")
    on = bench.clock.now_ns()
    bench.wait(1)
    _, _, ended, _ = bench.world.plant.injected.piece(bench.clock.now_ns())

    assert ended == pytest.approx(on + S // 4, abs=21_000)  # 40 A at 2 A/us
    assert bench.world.firmware.gate


def test_supply_cycle_opens_and_starts_cold():
    bench = Bench()
    bench.close()
    bench.say("injector", "SOUR:CURR 60;:OUTP ON")
    bench.wait(5)
    before = bench.world.firmware.uptime_ms
    bench.say("supply_12v", "OUTP OFF")
    bench.wait(1)
    assert not bench.world.firmware.powered
    assert bench.world.plant.gate.at(bench.clock.now_ns()) == 0
    bench.say("injector", "OUTP OFF")
    bench.say("supply_12v", "OUTP ON")
    bench.wait(1)

    assert bench.world.firmware.powered
    assert not bench.world.firmware.gate
    assert bench.world.firmware.overload.level < 2**30 // 1000
    assert 900 < (bench.world.firmware.uptime_ms - before) % 2**32 < 1100  # without supply it does not count


def test_short_dip_of_the_supply_is_ridden_through():
    bench = Bench()
    bench.close()
    bench.say("supply_12v", "OUTP OFF")
    bench.wait(0.008)
    bench.say("supply_12v", "OUTP ON")
    bench.wait(1)

    assert bench.world.firmware.gate


# The same bits however it is looked at

SCENARIO: tuple[tuple[float, str, str], ...] = (
    (0.0, "source", "SOUR:VOLT 700;CURR 100;:OUTP ON"),
    (0.1, "recorder", "SENS:SWE:TINT 1e-3;POIN 4000;OFFS:POIN 100;:TRIG:SOUR CHAN3;LEV 20;:INIT"),
    (0.1234, "wire", "none"),
    (0.1345, "wire", "close"),
    (0.31, "load", "SOUR:CURR:SLEW 500;:SOUR:CURR 40;:SOUR:PULS:WIDT 2.34567;:INP ON"),
    (0.777777777, "injector", "SOUR:CURR:SLEW 333;:SOUR:CURR 90;:OUTP ON"),
    (1.5, "injector", "SOUR:CURR 20"),
    (3.2, "injector", "SOUR:CURR 199"),
    (3.4, "poll", ""),
    (6.0, "wire", "open"),
    (6.05, "poll", ""),
    (6.1, "injector", "OUTP OFF"),
    (6.5, "supply_12v", "OUTP OFF"),
    (6.9, "supply_12v", "OUTP ON"),
    (7.1, "wire", "none"),
    (7.2, "wire", "close"),
    (7.25, "poll", ""),
    (7.3, "load", "SOUR:CURR 15;:SOUR:PULS:WIDT 0;:INP ON"),
)
END_S = 8.0


def played(seed: int, block: int, observe: Callable[[Bench], None]) -> dict[str, object]:
    """Play the scenario and return everything that a user or the firmware could tell it by."""
    bench = Bench(seed, block)
    bench.world.firmware.adopt({"overload_time_constant": 200})
    taken: list[tuple[int, int]] = []
    heard: list[tuple[tuple[int, ...], int]] = []
    slow_task = bench.world.firmware.slow_task

    def spy(raw: int, square: int) -> bool:
        taken.append((bench.clock.now_ns(), raw))
        return slow_task(raw, square)

    bench.world.firmware.slow_task = spy  # type: ignore[method-assign]
    bench.world.wire.listen(lambda symbols, end_ns: heard.append((tuple(symbols), end_ns)))
    gate: list[tuple[int, float]] = []
    set_gate = bench.world.plant.gate.set
    bench.world.plant.gate.set = lambda now, volts: (gate.append((now, volts)), set_gate(now, volts))[1]  # type: ignore[method-assign]
    observe(bench)
    for seconds, role, text in SCENARIO:
        bench.clock.sleep_until(START_NS + round(seconds * S))
        if role == "wire":
            bench.command(text)
        elif role == "poll":
            bench.world.wire.carry([BREAK, 0x55, 0xE2], bench.clock.now_ns())  # status frame 0x22; the node answers
        else:
            bench.say(role, text)
    bench.clock.sleep_until(START_NS + round(END_S * S))
    return {
        "taken": taken,
        "heard": heard,
        "gate": gate,
        "level": bench.world.firmware.overload.level,
        "status": bench.world.firmware.status_signals(),
        "traces": [bench.world.scpi("recorder").handle(f"TRAC:DATA? CHAN{channel}") for channel in range(1, 6)],
    }


def nobody(bench: Bench) -> None:
    """No observer."""


def test_scenario_is_worth_playing():
    result = played(1, 100, nobody)

    assert [volts for _, volts in result["gate"]] == [5.0, 0.0, 5.0]  # type: ignore[attr-defined]
    assert len(result["taken"]) > 700  # type: ignore[arg-type]
    assert sum(len(symbols) == 9 for symbols, _ in result["heard"]) == 3  # type: ignore[attr-defined]
    assert result["status"]["HtrState"] == 1  # type: ignore[index]
    assert 0 < result["level"] < 2**30  # type: ignore[operator]


@pytest.mark.parametrize("seed", [1, 2, 77])
def test_block_size_changes_nothing(seed: int):
    single = played(seed, 1, nobody)

    for block in (2, 100, 10_000):
        assert played(seed, block, nobody) == single


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 2**32))
def test_observers_at_random_times_change_nothing(draw: int):
    random = Random(draw)

    def look(bench: Bench) -> None:
        for query in ("STAT:OPER:COND?", "TRAC:POIN? CHAN3"):
            bench.ask("recorder", query)
        bench.world.scpi("recorder").handle("TRAC:DATA? CHAN1;:SYST:ERR?")
        for role in ("source", "load"):
            bench.ask(role, "MEAS:VOLT?")
        bench.world.firmware.status_signals()

    def observe(bench: Bench) -> None:
        for _ in range(60):
            bench.clock.at(START_NS + random.randrange(round(END_S * S)), lambda: look(bench))

    assert played(9, 100, observe) == _reference()


@settings(max_examples=10, deadline=None)
@given(st.integers(0, 2**32))
def test_paced_time_is_event_time(draw: int):
    """Time that comes in pieces of any size, as from a wall clock, and time that comes in one leap."""
    random = Random(draw)

    def observe(bench: Bench) -> None:
        sleep_until = bench.clock.sleep_until

        def paced(instant_ns: int) -> None:
            while bench.clock.now_ns() < instant_ns:
                bench.world.clock.sleep_until = sleep_until  # type: ignore[method-assign]
                bench.world.advance(min(instant_ns, bench.clock.now_ns() + random.randrange(1, 40 * MS)))
                bench.world.clock.sleep_until = paced  # type: ignore[method-assign]

        bench.clock.sleep_until = paced  # type: ignore[method-assign]

    assert played(9, 100, observe) == _reference()


_HELD: list[dict[str, object]] = []


def _reference() -> dict[str, object]:
    if not _HELD:
        _HELD.append(played(9, 100, nobody))
    return _HELD[0]
