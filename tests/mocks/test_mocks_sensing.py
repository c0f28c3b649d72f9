"""Slow channel: averages, errors, converter, against sums done here."""

from dataclasses import replace

import numpy as np
import pytest
from world_bench import MS, heater

from mocks.clock import EventClock
from mocks.noise import Noise
from mocks.plant import Plant
from mocks.sensing import NEVER, Chain
from mocks.unit import Unit, draw_unit

COUNT = 400 / 65536  # A; 16 bits over ±200 A
EXACT = replace(draw_unit(heater(), Noise(1)), current_gain=0.0, current_offset=0.0, timer=0.0)


class Rig:
    """Plant and channel without noise."""

    def __init__(self, unit: Unit = EXACT) -> None:
        self.clock = EventClock(lambda until_ns: until_ns)
        self.plant = Plant(self.clock, unit, 700.0)
        sensing = replace(heater().sensing, slow_noise=0.0)
        self.channel = Chain(sensing, unit, Noise(1), self.plant)
        self.channel.start(0)

    def samples(self, until_ns: int, most: int = 100) -> list[tuple[int, int]]:
        found: list[tuple[int, int]] = []
        while self.channel.next_ns <= until_ns:
            instants, counts, _ = self.channel.block(until_ns, most)
            found += zip(instants, counts, strict=True)
            self.channel.taken(instants[-1])
        return found


@pytest.mark.parametrize("most", [1, 7, 100])
def test_sample_is_the_mean_of_both_currents_over_its_period(most: int):
    """A ramp, a step in mid-period and a primary current beside it, summed here microsecond by microsecond."""
    rig = Rig()
    rig.plant.injected.ramp(3_400_000, 60.0, 2e-6)
    rig.plant.injected.set(87_654_321, 12.5)
    rig.plant.current.set(41_000_000, 30.0)
    rig.plant.current.ramp(55_123_456, -20.0, 1e-6)
    rig.plant.sensed.combine(0, [(rig.plant.injected, 1.0), (rig.plant.current, 1.0)])
    fine = np.arange(0, 150 * MS, 1000) + 500.0
    true = rig.plant.injected.frozen().sample(fine) + rig.plant.current.frozen().sample(fine)

    samples = rig.samples(150 * MS, most)

    assert [instant for instant, _ in samples] == [10 * MS * number for number in range(1, 16)]
    means = true.reshape(15, 10_000).mean(axis=1)
    assert [count * COUNT for _, count in samples] == pytest.approx(means.tolist(), abs=COUNT / 2 + 1e-3)


def test_errors_of_the_unit():
    rig = Rig(replace(EXACT, current_gain=0.005, current_offset=0.05, timer=-0.004))
    rig.plant.sensed.set(0, 100.0)
    samples = rig.samples(100 * MS)

    assert [instant for instant, _ in samples] == [9_960_000 * number for number in range(1, 11)]
    assert [count * COUNT for _, count in samples] == pytest.approx([100.55] * 10, abs=COUNT / 2)


@pytest.mark.parametrize(("amperes", "count"), [(250.0, 32767), (-250.0, -32768), (0.0, 0), (-10.0, -1638)])
def test_converter_has_16_bits_both_ways(amperes: float, count: int):
    rig = Rig()
    rig.plant.sensed.set(0, amperes)

    assert {found for _, found in rig.samples(50 * MS)} == {count}


def test_noise_is_that_declared():
    unit = EXACT
    clock = EventClock(lambda until_ns: until_ns)
    plant = Plant(clock, unit, 700.0)
    channel = Chain(heater().sensing, unit, Noise(4), plant)
    channel.start(0)
    _, counts, _ = channel.block(10_000 * 10 * MS, 10_000)

    assert np.std(counts) * COUNT == pytest.approx(0.03, rel=0.03)
    assert abs(np.mean(counts)) * COUNT < 0.002


def test_stopped_channel_never_samples_and_starts_anew():
    rig = Rig()
    rig.samples(35 * MS)
    rig.channel.stop()
    assert rig.channel.next_ns == NEVER
    rig.channel.start(1234 * MS)

    assert [instant for instant, _ in rig.samples(1260 * MS)] == [1244 * MS, 1254 * MS]
