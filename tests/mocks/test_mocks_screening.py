"""What is left out changes nothing: the whole breaker with and without screening, in blocks of any size."""

from __future__ import annotations

from random import Random

import pytest
from world_bench import START_NS, Bench, S, shipped

SCENARIO: tuple[tuple[float, str, str], ...] = (
    (0.05, "close", ""),
    (0.1, "injector", "SOUR:CURR:SLEW 1000;:SOUR:CURR 50;:OUTP ON"),  # screened
    (0.31, "injector", "SOUR:CURR 86"),  # near the overcurrent pickup less its noise
    (0.42, "injector", "SOUR:CURR 91"),  # within the noise
    (0.47, "injector", "SOUR:CURR:SLEW 2e6;:SOUR:CURR 120"),  # overcurrent
    (0.7, "injector", "OUTP OFF"),
    (0.75, "open", ""),
    (0.8, "ntc", "SOUR:TEMP:SLEW 400;:OUTP ON;:SOUR:TEMP 60"),
    (1.5, "close", ""),
    (1.6, "bus_signal", "SOUR:VOLT:SLEW 3000;:SOUR:VOLT 860;:OUTP ON"),  # bus_high
    (2.1, "bus_signal", "OUTP OFF"),
    (2.2, "open", ""),
    (2.4, "close", ""),
    (2.5, "injector", "SOUR:CURR:SLEW 1e6;:SOUR:CURR 195;:OUTP ON"),  # comparator
    (2.52, "injector", "OUTP OFF"),
    (2.6, "supply_12v", "SOUR:VOLT 8"),
    (2.9, "supply_12v", "SOUR:VOLT 13.5"),
    (3.0, "open", ""),
)


def played(device: str, seed: int, block: int, screening: bool) -> dict[str, object]:
    bench = Bench(seed, block, shipped(device), screening)
    bench.adopt(overcurrent_pickup=90.0)
    random = Random(seed)
    trips: list[object] = []
    on_trip = bench.world.firmware.on_trip
    bench.world.firmware.on_trip = lambda trip: (trips.append((bench.clock.now_ns(), trip)), on_trip(trip))[1]
    gate: list[tuple[int, float]] = []
    set_gate = bench.world.plant.gate.set
    bench.world.plant.gate.set = lambda now, volts: (gate.append((now, volts)), set_gate(now, volts))[1]  # type: ignore[method-assign]
    for seconds, role, line in SCENARIO:
        bench.clock.sleep_until(START_NS + round((seconds + random.uniform(0, 0.01)) * S))
        if line:
            bench.say(role, line)
        else:
            bench.command("none", role)
    bench.clock.sleep_until(START_NS + 4 * S)
    firmware = bench.world.firmware
    return {
        "trips": trips,
        "gate": gate,
        "junctions": [each.temperature for each in firmware.protection.junctions],
        "level": firmware.overload.level,
        "standing": [each.standing for each in firmware.protection.thresholds],
        "status": firmware.status_signals(),
    }


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("device", ["heater", "pump"])
def test_screening_and_blocks_change_nothing(device: str, seed: int):
    everything = played(device, seed, 1, screening=False)

    assert everything["trips"]
    for block, screening in ((100, True), (7, True), (100, False)):
        assert played(device, seed, block, screening) == everything


def test_scenario_is_worth_playing():
    result = played("heater", 1, 100, True)
    causes = [trip.cause for _, trip in result["trips"]]  # type: ignore[attr-defined]

    assert causes[:3] == ["overcurrent", "bus_high", "short_circuit"]


def test_screening_saves_most_fast_tasks():
    """A second at half the pickup: none of 20 000 fast samples is taken."""
    bench = Bench(1, device=shipped())
    bench.close()
    bench.say("injector", "SOUR:CURR 20;:OUTP ON")
    taken = []
    fast_task = bench.world.firmware.fast_task
    bench.world.firmware.fast_task = lambda raw: (taken.append(raw), fast_task(raw))[1]  # type: ignore[method-assign]
    bench.wait(1)
    assert taken == []
    bench.say("injector", "SOUR:CURR 91")
    bench.wait(0.01)
    assert 190 < len(taken) < 210
