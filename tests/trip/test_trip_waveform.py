"""Waveforms whose every figure is known in closed form, and what makes a record worthless."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from harness.trip.fault_current import Loop
from harness.trip.waveform import Channel, LetThrough, NotUsable, Value, joined_i2t, last_above, let_through, rest_level

V, CLAMP, L = 800.0, 1200.0, 10e-6
DT = 20e-9
BEFORE = 5e-6


def triangle(peak: float, interval: float = DT, zero: float = 0.0, noise: float = 0.0) -> tuple[Channel, Channel]:
    """0 to ``peak`` at V/L, then down against the clamp: current and switch voltage."""
    up, down = peak * L / V, peak * L / (CLAMP - V)
    t = np.arange(0, BEFORE + up + down + 5e-6, interval) - BEFORE
    amperes = np.interp(t, [0, up, up + down], [0, peak, 0])
    volts = np.where((t >= up) & (t < up + down), CLAMP, np.where(t >= up + down, V, 0.0))
    rng = np.random.default_rng(1)
    return Channel(amperes + zero + noise * rng.standard_normal(len(t))), Channel(volts.astype(float))


def analysed(peak: float, **how: float) -> LetThrough:
    return let_through(DT, *triangle(peak, **how), pickup=50.0, leakage=0.05)


def close(found: Value | None, wanted: float, relative: float) -> bool:
    return found is not None and math.isclose(found.value, wanted, rel_tol=relative)


# A fault from 0 in 10 uH at 800 V (80 A/us), worked out from first principles: 720 A after 9 us, gone 18 us later
# against 1200 V, 4.6656 A2s in all; 1000 A against 1200 V put 15 J into the clamp, 5 J of them from the inductance.
def test_the_triangle_of_720_a() -> None:
    found = analysed(720.0)

    assert close(found.peak, 720.0, 2e-3)
    assert close(found.i2t, 4.6656, 1e-4)
    assert close(found.clearing, 27e-6 - 50 / 80e6, 2e-3)
    assert found.over_voltage.value == CLAMP


def test_the_clamp_takes_15_j_of_1000_a() -> None:
    found = analysed(1000.0)

    assert close(found.clamp_energy, 15.0, 2e-3)
    assert found.clamp_energy is not None
    assert abs(found.clamp_energy.value - 15.0) < 2 * found.clamp_energy.uncertainty


@pytest.mark.parametrize("peak", [100.0, 720.0, 1155.0])
def test_what_is_measured_agrees_with_the_loop(peak: float) -> None:
    loop, found = Loop(V, L), analysed(peak)

    assert close(found.clamp_energy, loop.clamp_energy(peak, CLAMP), 5e-3)
    assert close(found.i2t, loop.rise_i2t(peak * L / V) + loop.fall_i2t(peak, CLAMP), 1e-3)
    assert found.commutation is not None
    assert found.commutation.value == pytest.approx(BEFORE + peak * L / V, abs=DT)


def test_an_offset_of_the_recorder_is_taken_off() -> None:
    with_offset, without = analysed(720.0, zero=7.0), analysed(720.0)

    assert with_offset.i2t.value == pytest.approx(without.i2t.value, rel=1e-9)
    assert with_offset.peak.value == pytest.approx(without.peak.value, rel=1e-9)


def test_noise_moves_nothing_beyond_its_uncertainty() -> None:
    found = analysed(720.0, noise=0.5)

    assert abs(found.peak.value - 720.0) < 4 * found.peak.uncertainty
    assert found.i2t.value == pytest.approx(4.6656, rel=2e-3)
    assert found.interruption is not None
    assert found.interruption.value == pytest.approx(BEFORE + 27e-6, abs=0.5e-6)


def test_limits_of_error_go_into_the_uncertainty() -> None:
    current, voltage = triangle(720.0)
    found = let_through(DT, replace(current, gain=0.01), replace(voltage, gain=0.02), 50.0, 0.05)

    assert found.peak.uncertainty == pytest.approx(7.2 / math.sqrt(3), rel=0.05)
    assert found.i2t.uncertainty == pytest.approx(2 * 0.01 * 4.6656 / math.sqrt(3), rel=0.05)
    assert found.over_voltage.uncertainty == pytest.approx(24 / math.sqrt(3), rel=1e-6)


def test_a_current_that_flows_on_is_not_interrupted() -> None:
    current, voltage = triangle(720.0)
    on = replace(current, samples=np.where(np.arange(len(current.samples)) > 300, 720.0, current.samples))

    found = let_through(DT, on, voltage, 50.0, 0.05)

    assert found.interruption is None
    assert found.clearing is None
    assert found.clamp_energy is None


def test_a_switch_that_never_opened_did_not_commutate() -> None:
    current, voltage = triangle(720.0)

    assert let_through(DT, current, replace(voltage, samples=voltage.samples * 0), 50.0, 0.05).commutation is None


@pytest.mark.parametrize(
    ("current", "voltage", "why"),
    [
        ({"high": 720.0 - 1e-9}, {}, "current is clipped"),
        ({}, {"high": CLAMP}, "switch voltage is clipped"),
        ({"samples": np.zeros(1600)}, {"samples": np.zeros(1600)}, "never came to 50 A"),
        ({"samples": np.full(1600, 720.0)}, {"samples": np.zeros(1600)}, "too little was recorded"),
        ({"samples": np.zeros(3)}, {}, "different numbers"),
        ({"samples": np.zeros(0)}, {"samples": np.zeros(0)}, "empty"),
    ],
)
def test_a_record_that_cannot_be_judged_is_an_error(
    current: dict[str, object], voltage: dict[str, object], why: str
) -> None:
    amperes, volts = triangle(720.0, interval=9e-6 / 450)

    with pytest.raises(NotUsable, match=why):
        let_through(DT, replace(amperes, **current), replace(volts, **voltage), 50.0, 0.05)  # type: ignore[arg-type]


def test_a_slow_log_and_a_fast_window_join() -> None:
    # 10 A for 1 s, sampled every 10 ms, a fast window of 1 A2s from 0.5 s to 0.6 s: 100 A2s/s over the other 0.9 s.
    slow = Channel(np.full(101, 10.0), gain=0.01)

    joined = joined_i2t(slow, 0.01, Value(1.0, 0.1), (0.5, 0.6))

    assert joined.value == pytest.approx(1.0 + 100 * 0.89, rel=0.02)
    assert joined.uncertainty == pytest.approx(math.hypot(0.1, 2 * 0.01 / math.sqrt(3) * 89), rel=0.02)


# When a current is gone: the larger of leakage and six standard deviations of what the channel read at rest.
@pytest.mark.parametrize(
    ("before", "level"),
    [
        ([1.0, -1.0, 1.0, -1.0], 6 * math.sqrt(4 / 3)),
        ([101.0, 99.0, 101.0, 99.0], 6 * math.sqrt(4 / 3)),  # an offset is no noise
        ([0.1, -0.1, 0.1, -0.1], 2.0),
        ([50.0, -50.0, 50.0], 2.0),  # too few to tell
        ([], 2.0),
    ],
)
def test_a_current_at_rest_reads_no_more_than_leakage_or_noise(before: list[float], level: float) -> None:
    assert rest_level(np.array(before), leakage=2.0) == pytest.approx(level)


@pytest.mark.parametrize(
    ("samples", "index"),
    [
        ([0.0, 0.5, -0.5], 0.0),
        ([3.0, 0.0, 0.0], 2 / 3),
        ([3.0, 0.0, 0.0, 3.0, 0.0], 3 + 2 / 3),  # it came back
        ([3.0, 0.0, -3.0, 0.0], 2 + 2 / 3),
        ([3.0, 0.0, 3.0], None),
    ],
)
def test_a_current_is_gone_when_it_stays_below_for_good(samples: list[float], index: float | None) -> None:
    assert last_above(np.array(samples), 1.0) == (None if index is None else pytest.approx(index))
