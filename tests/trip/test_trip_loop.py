"""A fault loop out of its recorded rise, against rises in closed form."""

from __future__ import annotations

import numpy as np
import pytest

from harness.trip.loop import measure_loop
from harness.trip.waveform import Channel, NotUsable

# V 800 V, R 20 mohm, L 10 uH, T 500 us: current after 50 and 500 us is 3806.503279 and 25284.822353 A, by
# i = V/R (1 - exp(-t/T)), first principles.
VOLTS, OHM, HENRY = 800.0, 20e-3, 10e-6
INTERVAL, AHEAD, POINTS = 0.2e-6, 500, 3000


def rise(noise: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    seconds = (np.arange(POINTS) - AHEAD) * INTERVAL
    current = np.where(seconds > 0, VOLTS / OHM * -np.expm1(-np.maximum(seconds, 0) * OHM / HENRY), 0.0)
    random = np.random.default_rng(1)
    return current + noise * random.standard_normal(POINTS), np.full(POINTS, VOLTS)


def test_the_vector_is_the_published_rise() -> None:
    current, _ = rise()

    assert current[AHEAD + 250] == pytest.approx(3806.503279, abs=1e-6)
    assert current[AHEAD + 2500 - 1] == pytest.approx(25284.822353, rel=1e-3)


def test_inductance_and_resistance_come_back() -> None:
    loop = measure_loop(INTERVAL, *map(Channel, rise()))

    assert loop.inductance.value == pytest.approx(HENRY, rel=1e-5)
    assert loop.resistance.value == pytest.approx(OHM, rel=1e-5)
    assert loop.prospective(800.0).value == pytest.approx(40_000.0, rel=1e-5)


def test_an_offset_of_the_current_is_taken_off_and_noise_is_in_the_uncertainty() -> None:
    current, volts = rise(noise=5.0)
    loop = measure_loop(INTERVAL, Channel(current + 40.0), Channel(volts))

    assert abs(loop.inductance.value - HENRY) < 4 * loop.inductance.uncertainty < 0.01 * HENRY
    assert abs(loop.resistance.value - OHM) < 4 * loop.resistance.uncertainty < 0.01 * OHM


@pytest.mark.parametrize(("of_current", "of_voltage"), [(0.01, 0.0), (0.0, 0.01)])
def test_an_error_of_gain_is_covered(of_current: float, of_voltage: float) -> None:
    current, volts = rise()
    loop = measure_loop(
        INTERVAL, Channel(current * (1 + of_current), gain=of_current), Channel(volts * (1 + of_voltage), of_voltage)
    )

    assert abs(loop.resistance.value / OHM - 1) == pytest.approx(0.01, rel=0.02)
    assert loop.resistance.uncertainty == pytest.approx(0.01 * OHM / np.sqrt(3), rel=0.02)


def test_an_error_of_the_time_base_is_one_of_the_inductance_alone() -> None:
    wrong = measure_loop(INTERVAL * 1.01, *map(Channel, rise()), clock=0.01)

    assert wrong.inductance.value == pytest.approx(1.01 * HENRY, rel=1e-4)
    assert wrong.inductance.uncertainty == pytest.approx(0.01 * 1.01 * HENRY / np.sqrt(3), rel=0.01)
    assert wrong.resistance.value == pytest.approx(OHM, rel=1e-4)


def test_what_cannot_be_used_is_said() -> None:
    current, volts = rise()

    with pytest.raises(NotUsable, match="clipped"):
        measure_loop(INTERVAL, Channel(current.clip(max=10_000.0), high=10_000.0), Channel(volts))
    with pytest.raises(NotUsable, match="pre-trigger"):
        measure_loop(INTERVAL, Channel(current[AHEAD - 20 :]), Channel(volts[AHEAD - 20 :]))
