"""Bands against breakers made at random inside the declared accuracies, simulated apart from the code under test."""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from harness.trip.band import (
    Band,
    InPickupZone,
    Slope,
    cooled,
    level_interval,
    must_not_operate,
    operate_band,
    time_to_cool,
)
from harness.trip.memory import operate_time
from harness.trip.trace import Segments, Trace
from protocol.protection import Declared, Parameter, ThermalMemory

PICKUP, TAU, TAU_COOL = 27.5, 60.0, 120.0
ACCURACY = Declared(gain=0.01, offset=0.1, timer=0.01, latency=(0.0, 0.025))
OVERLOAD = ThermalMemory(
    name="overload",
    priority=1,
    declared=ACCURACY,
    pickup=Parameter("overload_pickup"),
    time_constant=Parameter("overload_time_constant"),
    cooling_time_constant=Parameter("overload_cooling_time_constant"),
    reset_level=Parameter(None, 0.5),
    cause="overload",
    kept_without_supply=False,
)
AT = {"overload_pickup": PICKUP, "overload_time_constant": TAU, "overload_cooling_time_constant": TAU_COOL}
EXACT = Declared(gain=0.0, offset=0.0, timer=0.0, latency=(0.0, 0.0))
EXACT_OVERLOAD = replace(OVERLOAD, declared=EXACT)
COLD = (0.0, 0.0)


@dataclass(frozen=True)
class Breakers:
    """Breakers inside ACCURACY, a row each; errors have a column a segment where they wander."""

    gain: NDArray[np.float64]
    offset: NDArray[np.float64]
    clock: NDArray[np.float64]
    latency: NDArray[np.float64]
    level: NDArray[np.float64]

    def run(self, record: Segments) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Operate times (inf: not within the record) and levels at its end, by the breakers' own clocks."""
        level, began = self.level.copy(), 0.0
        due = np.where(level >= 1, 0.0, np.inf)
        for k, (duration, current) in enumerate(zip(record.durations, record.currents, strict=True)):
            gain, offset, clock = (e[:, k] if e.ndim == 2 else e for e in (self.gain, self.offset, self.clock))
            end = (np.maximum(abs(current) * (1 + gain) + offset, 0.0) / PICKUP) ** 2
            after = end + (level - end) * np.exp(-duration * clock / np.where(end > level, TAU, TAU_COOL))
            operates = (after >= 1) & (end > 1) & np.isinf(due)
            with np.errstate(invalid="ignore", divide="ignore"):
                inside = TAU / clock * np.log((end - level) / (end - 1))
            due[operates] = began + inside[operates]
            level, began = after, began + duration
        return due + self.latency, level


def drawn(count: int, segments: int, start: tuple[float, float], seed: int, wandering: bool = False) -> Breakers:
    """Random breakers, a good part of them with every error at an end of its range."""
    rng = np.random.default_rng(seed)
    shape = (count, segments) if wandering else (count,)

    def within(low: float, high: float, size: tuple[int, ...]) -> NDArray[np.float64]:
        share = rng.random(size)
        at_end = rng.random((count,) + (1,) * (len(size) - 1)) < 0.5
        return low + (high - low) * np.where(at_end, np.round(share), share)

    a = ACCURACY
    return Breakers(
        within(-a.gain, a.gain, shape),
        within(-a.offset, a.offset, shape),
        within(1 - a.timer, 1 + a.timer, shape),
        within(*a.latency, (count,)),
        within(*start, (count,)),
    )


starts = st.tuples(st.floats(0.0, 0.9), st.floats(0.0, 0.09)).map(lambda pair: (pair[0], pair[0] + pair[1]))
records = st.builds(
    lambda parts: Segments(np.array([p[0] for p in parts]), np.array([p[1] for p in parts])),
    st.lists(st.tuples(st.floats(0.01, 300.0), st.floats(0.0, 120.0)), min_size=1, max_size=8),
)


@settings(max_examples=60, deadline=None)
@given(records, starts, st.integers(0, 2**32), st.booleans())
def test_no_breaker_within_its_accuracies_leaves_the_band(
    record: Segments, start: tuple[float, float], seed: int, wandering: bool
) -> None:
    band = operate_band(OVERLOAD, AT, record, start)
    low, high = level_interval(OVERLOAD, AT, record, start)
    times, levels = drawn(1000, len(record.durations), start, seed, wandering).run(record)
    slack = 1e-9

    assert times.min() >= band.early_s * (1 - slack)
    if band.late_s is not None:
        assert times.max() <= band.late_s * (1 + slack)
    assert levels.min() >= low * (1 - slack) - 1e-15
    assert levels.max() <= high * (1 + slack)
    if must_not_operate(OVERLOAD, AT, record, record.duration_s, start):
        assert np.isinf(times).all()


@pytest.mark.parametrize("current", [29.0, 40.0, 120.0])
def test_the_band_is_no_wider_than_the_breakers_there_are(current: float) -> None:
    start = (0.2, 0.3)
    band = operate_band(OVERLOAD, AT, current, start)
    times, _ = drawn(20_000, 1, start, 1).run(Segments.constant(current, 1e4))

    # Both extremes are among the breakers drawn: half of them have all errors at an end.
    assert times.min() == pytest.approx(band.early_s, rel=1e-9)
    assert times.max() == pytest.approx(band.late_s, rel=1e-9)


def test_worked_band() -> None:
    # Worked by hand for 40 A cold: measured 40.5 and 39.5 A; early 60/1.01 ln(1/(1-(27.5/40.5)²)),
    # late 60/0.99 ln(1/(1-(27.5/39.5)²)) + 0.025, nominal with half the latency.
    band = operate_band(OVERLOAD, AT, 40.0, COLD)

    assert band.early_s == pytest.approx(60 / 1.01 * -math.log(1 - (27.5 / 40.5) ** 2))
    assert band.nominal_s == pytest.approx(60 * -math.log(1 - (27.5 / 40) ** 2) + 0.0125)
    assert band.late_s == pytest.approx(60 / 0.99 * -math.log(1 - (27.5 / 39.5) ** 2) + 0.025)
    assert (band.early_s, band.nominal_s, band.late_s) == pytest.approx((36.7216, 38.4067, 40.2069), abs=1e-4)


def test_without_any_error_the_band_is_a_line() -> None:
    band = operate_band(EXACT_OVERLOAD, AT, 40.0, COLD)
    due = operate_time(40.0, PICKUP, TAU, TAU_COOL, 0.0)

    assert band.early_s == band.nominal_s == band.late_s == due


def test_a_recorded_current_has_the_band_of_what_flowed() -> None:
    """A source that sags to 38 A is judged by 38 A, not by the 40 A that were asked of it."""
    asked = operate_band(OVERLOAD, AT, 40.0, COLD)
    sagged = operate_band(OVERLOAD, AT, Trace(0.0, 0.01, np.full(6000, 38.0)), COLD)
    lasting = operate_band(OVERLOAD, AT, 38.0, COLD)

    assert sagged.early_s > asked.early_s + 3
    assert (sagged.early_s, sagged.nominal_s, sagged.late_s) == pytest.approx(
        (lasting.early_s, lasting.nominal_s, lasting.late_s)
    )


def test_times_count_from_the_first_sample() -> None:
    still_before = Trace(-5.0, 0.5, np.array([0.0] * 10 + [40.0] * 100))
    band = operate_band(EXACT_OVERLOAD, AT, still_before, COLD)
    due = operate_time(40.0, PICKUP, TAU, TAU_COOL, 0.0)
    assert due is not None

    assert band.early_s == pytest.approx(5.0 + due)


@pytest.mark.parametrize("current", [27.2, 27.5, 27.87, -27.5])
def test_a_lasting_current_in_the_pickup_zone_is_refused(current: float) -> None:
    with pytest.raises(InPickupZone, match=r"overload: -?27\.\d+ A lies between 27\.13 A and 27\.88 A") as refusal:
        operate_band(OVERLOAD, AT, current, COLD)

    assert refusal.value.current == current
    assert refusal.value.zone.high == pytest.approx(27.878788)


def test_below_the_pickup_zone_it_must_not_operate() -> None:
    assert operate_band(OVERLOAD, AT, 27.0, (0.0, 0.9)) == Band(math.inf, math.inf, None, None, None)
    assert must_not_operate(OVERLOAD, AT, 27.0, 1e9, (0.0, 0.9))


def test_a_record_that_ends_between_the_edges_leaves_it_open() -> None:
    band = operate_band(OVERLOAD, AT, Segments.constant(40.0, 38.0), COLD)

    assert band.early_s == pytest.approx(36.7216, abs=1e-4)
    assert band.nominal_s == math.inf
    assert band.late_s is None
    assert band.late_slope is None


def test_a_start_at_the_trip_level_may_operate_at_once() -> None:
    band = operate_band(OVERLOAD, AT, 40.0, (0.0, 1.0))

    assert band.early_s == 0.0
    assert band.early_slope == Slope(0.0, 0.0)
    assert not must_not_operate(OVERLOAD, AT, 0.0, 1.0, (0.0, 1.0))


@pytest.mark.parametrize("start", [(0.5, 0.4), (-0.1, 0.0), (0.0, math.inf), (math.nan, 0.5)])
def test_a_start_that_is_no_interval(start: tuple[float, float]) -> None:
    calls: list[Callable[[], object]] = [
        lambda: operate_band(OVERLOAD, AT, 40.0, start),
        lambda: must_not_operate(OVERLOAD, AT, 40.0, 1.0, start),
        lambda: level_interval(OVERLOAD, AT, Segments.constant(40.0, 1.0), start),
    ]
    for call in calls:
        with pytest.raises(ValueError, match="start level from"):
            call()


# Must not operate


def test_must_not_operate_ends_where_the_first_breaker_decides() -> None:
    early = operate_band(OVERLOAD, AT, 40.0, COLD).early_s
    record = Trace(0.0, 0.001, np.full(60_000, 40.0))

    for current in (40.0, record):
        assert must_not_operate(OVERLOAD, AT, current, early - 1e-3, COLD)
        assert not must_not_operate(OVERLOAD, AT, current, early + 1e-3, COLD)


def test_latency_does_not_undo_a_decision() -> None:
    late_to_act = replace(OVERLOAD, declared=replace(ACCURACY, latency=(5.0, 6.0)))
    decides = operate_band(late_to_act, AT, 40.0, COLD).early_s - 5.0

    assert not must_not_operate(late_to_act, AT, 40.0, decides + 1.0, COLD)


# Slopes


@pytest.mark.parametrize("current", [29.0, 40.0, 120.0])
def test_slope_of_a_lasting_current(current: float) -> None:
    # d/dI of tau ln((M² - h)/(M² - 1)), M = I/Ip, from cold: -2 tau Ip² / (I (I² - Ip²)).
    band = operate_band(EXACT_OVERLOAD, AT, current, COLD)
    expected = -2 * TAU * PICKUP**2 / (current * (current**2 - PICKUP**2))
    assert band.late_slope is not None

    assert band.late_slope.per_ampere_s == pytest.approx(expected, rel=1e-6)
    assert band.late_slope.per_gain_s == pytest.approx(expected * current, rel=1e-6)


def test_slope_of_a_record_is_that_of_its_current() -> None:
    lasting = operate_band(OVERLOAD, AT, 40.0, (0.1, 0.2))
    record = operate_band(OVERLOAD, AT, Trace(0.0, 0.01, np.full(10_000, 40.0)), (0.1, 0.2))

    for one, other in ((lasting.early_slope, record.early_slope), (lasting.late_slope, record.late_slope)):
        assert one is not None
        assert other is not None
        assert other.per_gain_s == pytest.approx(one.per_gain_s, rel=1e-6)
        assert other.per_ampere_s == pytest.approx(one.per_ampere_s, rel=1e-6)


def test_a_jump_from_one_pulse_to_the_next_is_no_slope() -> None:
    # Pulses of 1 s: an error of 0.2 % either way moves the time by a pulse and a pause at most, 2 s / 0.4 %.
    def slope(height: float) -> float:
        train = Segments(np.ones(800), np.tile([height, 0.0], 400))
        found = operate_band(EXACT_OVERLOAD, AT, train, COLD).late_slope
        assert found is not None
        return abs(found.per_gain_s)

    def time(height: float) -> float:
        return operate_band(EXACT_OVERLOAD, AT, Segments(np.ones(800), np.tile([height, 0.0], 400)), COLD).early_s

    low, high = 55.0, 60.0  # between them the time jumps over pauses: close in on one of these
    assert time(low) - time(high) > 2
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (middle, high) if time(low) - time(middle) < time(middle) - time(high) else (low, middle)
    assert time(low) - time(high) > 0.9

    assert slope(low) <= 1.1 * 2 / 4e-3


@settings(max_examples=30, deadline=None)
@given(st.floats(30.0, 100.0), st.floats(1.0, 30.0), st.floats(0.0, 20.0))
def test_slope_predicts_what_a_wrong_recorder_does(current: float, pause: float, rest: float) -> None:
    def pulses(gain: float, offset: float) -> Segments:
        shape = Segments(np.array([5.0, pause, 5000.0]), np.array([current, rest, current]))
        return shape.shifted(gain, offset)

    band = operate_band(OVERLOAD, AT, pulses(0.0, 0.0), COLD)
    gained = operate_band(OVERLOAD, AT, pulses(1e-4, 0.0), COLD)
    offset = operate_band(OVERLOAD, AT, pulses(0.0, 1e-3), COLD)
    assert band.late_slope is not None
    assert band.late_s is not None
    assert gained.late_s is not None
    assert offset.late_s is not None
    # At the end of the first pulse the time jumps by the pause; what a slope says there is another test's.
    beside = [operate_band(OVERLOAD, AT, pulses(gain, 0.0), COLD).late_s for gain in (-5e-3, 5e-3)]
    assume(len({each is not None and each < 5.0 + ACCURACY.latency[1] for each in beside}) == 1)

    assert gained.late_s - band.late_s == pytest.approx(1e-4 * band.late_slope.per_gain_s, rel=0.01)
    assert offset.late_s - band.late_s == pytest.approx(1e-3 * band.late_slope.per_ampere_s, rel=0.01)


def test_slope_is_infinite_where_the_end_of_the_record_decides() -> None:
    late = operate_band(OVERLOAD, AT, 40.0, COLD).late_s
    assert late is not None
    just_enough = Segments.constant(40.0, late - ACCURACY.latency[1] + 1e-9)
    slope = operate_band(OVERLOAD, AT, just_enough, COLD).late_slope
    assert slope is not None

    assert slope.uncertainty(0.001, 0.0) == math.inf
    assert slope.uncertainty(0.0, 0.0) == 0.0


def test_uncertainty_adds_gain_and_offset_as_independent() -> None:
    assert Slope(-30.0, -0.5).uncertainty(0.1, 8.0) == pytest.approx(5.0)


# Levels


def test_level_interval_of_a_recorded_current() -> None:
    # Worked by hand: 10 s at 20 A from 0.1..0.2, m = ((20 ± 0.3)/27.5)², rate (1 ± 0.01)/60 s.
    low, high = level_interval(OVERLOAD, AT, Trace(0.0, 0.1, np.full(100, 20.0)), (0.1, 0.2))
    least, most = (19.7 / 27.5) ** 2, (20.3 / 27.5) ** 2

    assert low == pytest.approx(least + (0.1 - least) * math.exp(-9.9 / 60))
    assert high == pytest.approx(most + (0.2 - most) * math.exp(-10.1 / 60))


def test_cooling_counts_the_timer_and_the_offset() -> None:
    # The slowest breaker falls with tau_cool/0.99 towards what it measures at 0 A; the fastest with tau_cool/1.01 to 0.
    floor = (0.1 / 27.5) ** 2
    low, high = cooled(OVERLOAD, AT, 120.0, (0.8, 1.0))

    assert low == pytest.approx(0.8 * math.exp(-1.01))
    assert high == pytest.approx(floor + (1 - floor) * math.exp(-0.99))


@settings(deadline=None)
@given(st.floats(0.05, 2.0), st.floats(0.01, 0.99))
def test_after_the_time_to_cool_every_breaker_is_cool(level: float, target: float) -> None:
    wait = time_to_cool(OVERLOAD, AT, level, target)
    assert wait is not None

    assert cooled(OVERLOAD, AT, wait, (0.0, level))[1] <= target * (1 + 1e-9)
    if wait > 0:
        assert cooled(OVERLOAD, AT, wait * 0.999, (0.0, level))[1] > target


def test_time_to_cool_is_none_where_the_offset_may_keep_it_warm() -> None:
    warm = replace(OVERLOAD, declared=replace(ACCURACY, offset=10.0))

    assert time_to_cool(warm, AT, 1.0, 0.1) is None
    assert time_to_cool(OVERLOAD, AT, 0.3, 0.5) == 0.0
