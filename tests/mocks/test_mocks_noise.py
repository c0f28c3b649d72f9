"""Noise: a function of seed, channel and index, clipped, normal."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from harness.files.profile import load_device, shipped_device
from mocks.noise import BLOCK, SIGMAS, Channel, Noise
from mocks.world import World


@given(
    st.integers(0, 2**64 - 1),
    st.integers(0, 3 * BLOCK),
    st.lists(st.integers(1, BLOCK + 50), min_size=1, max_size=5),
    st.booleans(),
)
def test_how_samples_are_asked_for_changes_nothing(seed: int, first: int, lengths: list[int], backwards: bool):
    whole = Noise(seed).samples(Channel.SLOW, first, sum(lengths))
    noise = Noise(seed)
    starts = [first + sum(lengths[:index]) for index in range(len(lengths))]
    order = list(zip(starts, lengths, strict=True))
    parts = {
        start: noise.samples(Channel.SLOW, start, length) for start, length in (order[::-1] if backwards else order)
    }

    assert np.array_equal(np.concatenate([parts[start] for start in starts]), whole)


def test_channels_and_seeds_differ():
    streams = [Noise(seed).samples(channel, 0, 100) for seed in (1, 2) for channel in (Channel.SLOW, Channel.RECORDER)]

    correlations = np.corrcoef(streams)[np.triu_indices(4, 1)]

    assert np.abs(correlations).max() < 0.4  # four deviations of 1/sqrt(100)


def test_normal_with_unit_deviation_and_clipped():
    samples = Noise(5).samples(Channel.SLOW, 0, 200_000)

    assert abs(samples.mean()) < 0.01
    assert abs(samples.std() - 1) < 0.01
    assert abs((np.abs(samples) > 1.959964).mean() - 0.05) < 0.003  # two-sided 5 % point of the normal distribution
    assert np.abs(samples).max() <= SIGMAS


def test_clip_is_at_six():
    drawn = np.array([7.5, -9.0, 0.5])
    noise = Noise(1)
    noise.generator = lambda channel, block=0: _Fixed(drawn)  # type: ignore[method-assign,assignment,return-value]

    assert noise.samples(Channel.SLOW, 0, 3).tolist() == [SIGMAS, -SIGMAS, 0.5]


class _Fixed:
    def __init__(self, values: np.ndarray) -> None:
        self._values = values

    def standard_normal(self, number: int) -> np.ndarray:
        return np.resize(self._values, number)


def test_a_noise_seed_is_another_run_of_the_same_unit_and_instruments():
    device = load_device(shipped_device("heater"))
    first, again, other = World(device, 5), World(device, 5, noise_seed=6), World(device, 6)

    assert first.unit == again.unit != other.unit
    assert [world.scpi("recorder").handle("*IDN?") for world in (first, again)] == ["Simulated,recorder,5,1"] * 2


def test_each_start_of_a_run_puts_the_samples_elsewhere_in_time_within_one_slow_period():
    device = load_device(shipped_device("heater"))
    starts = {}
    for seed in (None, 1, 2):
        chain = World(device, 5, noise_seed=seed)._sensing
        starts[seed] = []
        for _ in range(20):
            chain.start(0)
            starts[seed].append((chain.next_ns - chain.period_ns, chain.fast_ns - chain.fast_period_ns))
    period_ns = chain.period_ns

    assert set(starts[None]) == {(0, 0)}
    assert starts[1] != starts[2]
    for seed in (1, 2):
        assert all(slow == fast and 0 <= slow < period_ns for slow, fast in starts[seed])
        assert len(set(starts[seed])) == 20
