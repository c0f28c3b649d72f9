"""Tracks against brute force: values, means, crossings, combinations."""

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from mocks.track import Track

CHANGES = st.lists(
    st.tuples(st.integers(1, 40), st.sampled_from(["set", "ramp"]), st.integers(-50, 50), st.integers(1, 8)),
    max_size=6,
)


def built(changes: list[tuple[int, str, int, int]]) -> tuple[Track, int]:
    """A track with the changes, each some ns after the one before, and the instant of the last."""
    track, now = Track(3.0), 0
    for gap, kind, value, rate in changes:
        now += gap
        if kind == "set":
            track.set(now, value)
        else:
            track.ramp(now, value, rate / 4, delay_ns=gap % 3)
    return track, now


@given(CHANGES, st.integers(0, 100), st.integers(1, 60))
def test_mean_is_that_of_a_fine_sum(changes: list[tuple[int, str, int, int]], start: int, length: int):
    track, _ = built(changes)
    # Straight between whole nanoseconds; at a step the limit from the left is one piece's own line.
    area = 0.0
    for instant in range(start, start + length):
        value, rate, origin, _ = track.piece(instant)
        area += value + rate * (instant + 0.5 - origin)

    assert track.mean(start, start + length) == pytest.approx(area / length, abs=1e-9)


@given(CHANGES, st.integers(-40, 40), st.booleans(), st.integers(0, 120))
def test_crossing_is_the_first_that_a_search_finds(
    changes: list[tuple[int, str, int, int]], half: int, rising: bool, after: int
):
    track, now = built(changes)
    level = half + 0.37  # never hit exactly by a corner, so that rounding decides nothing
    sign = 1 if rising else -1
    beyond = [sign * (track.at(instant) - level) >= 0 for instant in range(after, now + 600)]
    expected = next((after + k for k in range(1, len(beyond)) if beyond[k] and not beyond[k - 1]), None)

    assert track.crossing(level, rising, after, None) == expected
    if expected is not None:
        assert track.crossing(level, rising, after, expected) == expected
        assert track.crossing(level, rising, after, expected - 1) is None


@given(CHANGES, st.integers(-40, 40), st.booleans(), st.lists(st.integers(1, 30), max_size=8))
def test_crossing_is_the_same_however_the_search_is_cut(
    changes: list[tuple[int, str, int, int]], half: int, rising: bool, cuts: list[int]
):
    track, now = built(changes)
    level, end = half + 0.37, now + 600
    whole = track.crossing(level, rising, 0, end)
    found, at = None, 0
    for cut in [*np.cumsum(cuts).tolist(), end]:
        found = found or track.crossing(level, rising, at, cut)
        at = max(at, cut)

    assert found == whole


def test_crossing_at_a_step_is_its_instant():
    track = Track()
    track.set(1000, 5.0)

    assert track.crossing(2.5, True, 0, None) == 1000
    assert track.crossing(2.5, True, 1000, None) is None
    assert track.crossing(2.5, False, 0, None) is None


def test_ramp_arrives_exactly_and_stays():
    track = Track()
    arrival = track.ramp(100, 41.0, 0.002)

    assert arrival == 100 + 20_500
    assert track.at(100 + 10_250) == pytest.approx(20.5, rel=1e-12)
    assert track.at(arrival) == track.at(10 * arrival) == 41.0


def test_change_during_a_ramp_starts_from_where_it_had_come():
    track = Track()
    track.ramp(0, 100.0, 1.0)
    track.ramp(40, 0.0, 2.0, delay_ns=10)

    assert [track.at(instant) for instant in (39, 45, 50, 60, 70, 99)] == [39.0, 40.0, 40.0, 20.0, 0.0, 0.0]


@given(CHANGES, CHANGES, st.integers(0, 60))
def test_combination_is_the_sum_at_every_instant(
    first: list[tuple[int, str, int, int]], second: list[tuple[int, str, int, int]], start: int
):
    (one, _), (two, _) = built(first), built(second)
    total = Track(-1.0)
    total.combine(start + 1, [(one, 2.0), (two, -0.5)])

    assert total.at(start) == -1.0
    for instant in range(start + 1, start + 300, 7):
        assert total.at(instant) == pytest.approx(2 * one.at(instant) - 0.5 * two.at(instant), abs=1e-9)


@given(CHANGES, st.integers(0, 100))
def test_forgetting_keeps_all_from_there_on(changes: list[tuple[int, str, int, int]], before: int):
    track, _ = built(changes)
    wanted = [track.at(instant) for instant in range(before, before + 200)]

    track.forget(before)

    assert [track.at(instant) for instant in range(before, before + 200)] == wanted
    assert track.frozen().sample(np.arange(before, before + 200.0)).tolist() == wanted


def test_forgetting_what_was_before_the_first_piece_keeps_all():
    track = Track(1.0)
    track.set(10, 2.0)
    track.forget(-1)

    assert [track.at(instant) for instant in (0, 10)] == [1.0, 2.0]


def test_mean_over_a_ramp_is_exact():
    track = Track()
    track.ramp(1_000, 30.0, 0.01)  # arrives at 4000

    mean = track.mean(0, 10_000)

    assert mean == pytest.approx(float(Fraction(15 * 3000 + 30 * 6000, 10_000)), rel=1e-14)
