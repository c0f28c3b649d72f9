"""The directions that worst-case corners rest on, each proven over random currents instead of assumed."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.trip.corner import PickupZone, corners, pickup_zone
from harness.trip.memory import MemoryModel
from harness.trip.model import TripModel
from harness.trip.trace import Segments
from protocol.protection import Declared, Parameter, ThermalMemory

ACCURACY = Declared(gain=0.01, offset=0.1, timer=0.02, latency=(0.005, 0.025))
OVERLOAD = ThermalMemory(
    name="overload",
    priority=1,
    declared=ACCURACY,
    pickup=Parameter("pickup"),
    time_constant=Parameter(None, 60.0),
    cooling_time_constant=Parameter(None, 120.0),
    reset_level=Parameter(None, 0.5),
    cause="overload",
    kept_without_supply=False,
)
AT = {"pickup": 27.5}

models = st.builds(MemoryModel, st.floats(5.0, 60.0), st.floats(2.0, 600.0), st.floats(2.0, 600.0))
currents = st.builds(
    lambda parts: Segments(np.array([p[0] for p in parts]), np.array([p[1] for p in parts])),
    st.lists(st.tuples(st.floats(0.01, 600.0), st.floats(0.0, 200.0)), min_size=1, max_size=8),
)
levels = st.floats(0.0, 0.99)
growths = st.floats(1.0, 1.5)


def never_later(sooner: TripModel, now: Segments, level: float, later: TripModel, then: Segments, lower: float) -> None:
    """``sooner`` operates and heats at least as fast as ``later``, to the rounding of a sum."""
    first, last = sooner.operate_time(now, level), later.operate_time(then, lower)
    if last is not None:
        assert first is not None
        assert first <= last * (1 + 1e-12)
    assert sooner.level_after(now, level) >= later.level_after(then, lower) * (1 - 1e-12) - 1e-15


@settings(deadline=None)
@given(models, currents, levels, growths, st.floats(0.0, 20.0))
def test_more_current_is_never_later(
    model: TripModel, current: Segments, level: float, gain: float, offset: float
) -> None:
    more = Segments(current.durations, current.currents * gain + offset)

    never_later(model, more, level, model, current, level)


@settings(deadline=None)
@given(models, currents, levels, levels)
def test_a_higher_start_is_never_later(model: TripModel, current: Segments, one: float, other: float) -> None:
    never_later(model, current, max(one, other), model, current, min(one, other))


@settings(deadline=None)
@given(models, currents, levels, growths)
def test_a_faster_way_to_the_trip_is_never_later(
    model: TripModel, current: Segments, level: float, rate: float
) -> None:
    never_later(model.paced(rate, 1.0), current, level, model, current, level)


@settings(deadline=None)
@given(models, currents, levels, growths)
def test_a_slower_way_back_is_never_later(model: TripModel, current: Segments, level: float, rate: float) -> None:
    never_later(model.paced(1.0, 1 / rate), current, level, model, current, level)


def test_why_the_corners_take_the_two_ways_apart() -> None:
    """A clock that is slow in a pause and fast afterwards beats one that is fast all along, and leaves more heat."""
    model, pulses = MemoryModel(27.5, 60.0, 120.0), Segments(np.array([60.0, 60.0, 60.0]), np.array([30.0, 0.0, 40.0]))
    wandering, fast = model.paced(1.02, 0.98), model.paced(1.02, 1.02)
    sooner, later = wandering.operate_time(pulses, 0.0), fast.operate_time(pulses, 0.0)
    assert sooner is not None
    assert later is not None

    assert sooner < later
    assert wandering.level_after(pulses.first(120.0), 0.0) > fast.level_after(pulses.first(120.0), 0.0)


@settings(max_examples=50, deadline=None)
@given(currents, levels)
def test_nominal_lies_between_first_and_last(current: Segments, level: float) -> None:
    first, nominal, last = corners(OVERLOAD, AT)

    for sooner, later in ((first, nominal), (nominal, last)):
        early, late = sooner.operate_time(current, level), later.operate_time(current, level)
        assert late is None or (early is not None and early <= late)
        assert sooner.level_after(current, level) >= later.level_after(current, level) * (1 - 1e-12) - 1e-15


def test_latency_is_added_and_nominal_takes_its_middle() -> None:
    exact = replace(OVERLOAD, declared=replace(ACCURACY, gain=0.0, offset=0.0, timer=0.0))
    current = Segments.constant(40.0, 1000.0)
    due = MemoryModel(27.5, 60.0, 120.0).operate_time(current, 0.0)
    assert due is not None

    assert [c.operate_time(current, 0.0) for c in corners(exact, AT)] == [
        due + 0.005,
        due + 0.015,
        due + 0.025,
    ]


def test_constant_current_agrees_with_a_record_of_it() -> None:
    for corner in corners(OVERLOAD, AT):
        lasting = corner.operate_times(np.array([40.0, -40.0, 20.0]), 0.2)
        assert lasting[0] == lasting[1] == pytest.approx(corner.operate_time(Segments.constant(40.0, 1e4), 0.2))
        assert lasting[2] == math.inf


def test_the_last_breaker_sees_no_current_below_its_offset() -> None:
    last = corners(OVERLOAD, AT).last

    assert last.level_after(Segments.constant(0.05, 1e6), 0.5) == pytest.approx(0.0, abs=1e-12)


def test_pickup_zone_edges_decide() -> None:
    zone = pickup_zone(OVERLOAD, AT)
    first, _, last = corners(OVERLOAD, AT)
    below, above = 1 - 1e-9, 1 + 1e-9

    # Worked by hand: (27.5 - 0.1)/1.01 and (27.5 + 0.1)/0.99.
    assert (zone.low, zone.pickup, zone.high) == pytest.approx((27.128713, 27.5, 27.878788), abs=1e-6)
    assert first.operate_times(zone.low * np.array([below, above]), 0.0).max() == math.inf
    assert first.operate_times(zone.low * np.array([below, above]), 0.0).min() < math.inf
    assert last.operate_times(zone.high * np.array([below, above]), 0.0).max() == math.inf
    assert last.operate_times(zone.high * np.array([below, above]), 0.0).min() < math.inf


def test_a_zone_contains_its_ends_and_both_directions_of_current() -> None:
    zone = PickupZone(27.0, 27.5, 28.0)

    assert all(current in zone for current in (27.0, 28.0, -27.5))
    assert not any(current in zone for current in (26.9, 28.1, 0.0))


def test_an_offset_above_the_pickup_leaves_no_current_that_never_operates() -> None:
    assert pickup_zone(replace(OVERLOAD, declared=replace(ACCURACY, offset=6.0)), {"pickup": 5.0}).low == 0.0
