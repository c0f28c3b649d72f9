"""A thermistor that jumps: no breaker within its declared accuracies leaves the band, however it samples."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from harness.trip.band import must_not_operate, operate_band
from harness.trip.trace import Segments
from protocol.protection import Declared, Parameter, SensorCheck

COLD = (0.0, 0.0)
CHECK = SensorCheck(
    name="sensor", cause="sensor", priority=5, declared=Declared(0.0, 2.0, 0.01, (0.0, 0.12)), plausible=(-45.0, 150.0),
    step=25.0, sample=0.01, delay=Parameter(None, 0.2),
)  # fmt: skip


def course(*parts: tuple[float, float]) -> Segments:
    """(s, degC) one after the other."""
    return Segments(np.array([seconds for seconds, _ in parts]), np.array([celsius for _, celsius in parts]))


def operates(record: Segments, seed: int) -> float:
    """One breaker that reads the thermistor from any phase, each reading up to 2 K wrong; inf: does not operate."""
    rng = np.random.default_rng(seed)
    clock = 1 + rng.choice([-0.01, 0.0, 0.01])
    period, averaging = 0.01 / clock, rng.random() < 0.5
    late = rng.uniform(0.0, 0.12 - 3 * period)
    ends = np.cumsum(record.durations)
    area = np.concatenate([[0.0], np.cumsum(record.durations * record.currents)])
    knots = np.concatenate([[0.0], ends])

    def reading(t: float) -> float:
        if averaging and t >= period:
            value = float(np.interp(t, knots, area) - np.interp(t - period, knots, area)) / period
        else:
            value = float(record.currents[min(int(np.searchsorted(ends, t, side="right")), len(ends) - 1)])
        return value + float(rng.choice([-2.0, 2.0]) if rng.random() < 0.5 else rng.uniform(-2, 2))

    good, bad = float(record.currents[0]), None
    for t in np.arange(rng.uniform(0, period), float(ends[-1]), period).tolist():
        value = reading(t)
        if -45 <= value <= 150 and abs(value - good) <= 25:
            good, bad = value, None
            continue
        bad = t if bad is None else bad
        if (t - bad) * clock >= 0.2 - 1e-12:
            return float(t + late)
    return math.inf


def test_worked_bands() -> None:
    # By hand: 200 ms by a clock 1 % wrong, up to 120 ms of latency; two readings 2 K wrong make 21 of 25 K, and 29.
    up = operate_band(CHECK, {}, course((0.5, 25.0), (2.0, 84.0)), COLD)
    assert (up.early_s, up.late_s) == pytest.approx((0.5 + 0.2 / 1.01, 0.5 + 0.2 / 0.99 + 0.12))
    either = operate_band(CHECK, {}, course((0.5, 25.0), (2.0, 82.0)), COLD)  # 57 K may be 28.5 K twice
    assert (either.early_s, either.late_s) == (pytest.approx(0.5 + 0.2 / 1.01), None)
    assert operate_band(CHECK, {}, course((0.5, 25.0), (2.0, 46.5)), COLD).early_s < math.inf
    assert operate_band(CHECK, {}, course((0.5, 25.0), (2.0, 45.5)), COLD).early_s == math.inf


@pytest.mark.parametrize(
    ("rate", "quiet"),
    [(2000.0, True), (2200.0, False)],  # K/s: 20.2 K and 22.2 K in the longest sample, of 10.1 ms
)
def test_what_is_quick_is_no_jump(rate: float, quiet: bool) -> None:
    pieces = 1000
    rise = Segments(np.full(pieces, 80 / rate / pieces), 25.0 + 80 * (np.arange(pieces) + 0.5) / pieces)
    assert must_not_operate(CHECK, {}, rise.then(105.0, 10.0), 10.0, COLD) is quiet


def test_a_jump_and_back_may_be_believed_half_way() -> None:
    # The mean of the sample in which it comes back, 62 degC, is a good reading where 45 degC was one on the way up.
    band = operate_band(CHECK, {}, course((0.5, 25.0), (0.18, 100.0), (3.0, 25.0)), COLD)
    assert (band.early_s, band.late_s) == (pytest.approx(0.5 + 0.2 / 1.01), None)
    assert operate_band(CHECK, {}, course((0.5, 25.0), (0.4, 100.0), (3.0, 25.0)), COLD).late_s is not None


parts = st.lists(st.tuples(st.floats(0.005, 0.6), st.floats(-60.0, 170.0)), min_size=1, max_size=5)


@settings(max_examples=100, deadline=None)
@given(parts, st.integers(0, 2**32))
@example([(0.3, 25.0), (0.6, 84.0)], 3)
@example([(0.3, 25.0), (0.1, 84.0), (0.6, 30.0)], 0)
@example([(0.3, 25.0), (0.3, 60.0), (0.6, 84.0)], 0)
@example([(0.125, 84.0), (0.5, -34.0)], 0)  # through the last good reading
def test_no_breaker_leaves_the_band(rest: list[tuple[float, float]], seed: int) -> None:
    record = course((0.1, 25.0), *rest)
    band = operate_band(CHECK, {}, record, COLD)
    for number in range(8):
        time = operates(record, (seed + number) % 2**32)
        assert time >= band.early_s - 1e-9
        assert band.late_s is None or time <= band.late_s + 1e-9
