"""Tolerance bands: when a breaker that keeps its declared accuracies operates, at the earliest and at the latest.

A band follows from the set-points asked for, the declared accuracies, and what is known of the level at the start.
Uncertainty of stimulus and instruments does not widen it; Slope carries that into an uncertainty of the time.
Times are seconds from the start of the current; levels are intervals (lowest, highest), as a share of the trip level.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from harness.quantity import show
from harness.trip.corner import Corner, PickupZone, corners, pickup_zone
from harness.trip.trace import Segments, Trace, segments_of
from protocol.device import Accuracy
from protocol.protection import ProtectionFunction

Level = tuple[float, float]
"""Lowest and highest level that is possible; 1 is the trip level."""

_STEP = 1e-5  # relative change of the current that a slope is taken over; central, so its own error goes with 1e-10


class InPickupZone(ValueError):
    """A lasting current on which the function may or may not operate, so that no result would say anything.

    Example scenarios: a trip point at the pickup current itself; a set-point raised under an unchanged trip point.
    """

    def __init__(self, function: str, current: float, zone: PickupZone) -> None:
        self.function, self.current, self.zone = function, current, zone
        super().__init__(
            f"{function}: {show(current, 'A')} lies between {show(zone.low, 'A')} and {show(zone.high, 'A')}, where a "
            f"breaker within its declared accuracy may or may not operate (pickup {show(zone.pickup, 'A')}); "
            "choose a current outside"
        )


@dataclass(frozen=True)
class Slope:
    """How an operate time answers to an error of the current that was recorded."""

    per_gain_s: float  # s for a relative change of 1
    per_ampere_s: float  # s for an offset of 1 A

    def uncertainty(self, gain: float, offset: float) -> float:
        """Standard uncertainty of the time in s, from those of the current's gain (relative) and offset (A).

        Both are taken as independent (JCGM 100, 5.1.2).
        """
        parts = [(self.per_gain_s, gain), (self.per_ampere_s, offset)]
        return math.hypot(*(slope * u for slope, u in parts if u))


@dataclass(frozen=True)
class Band:
    """When the function operates: not before ``early_s``, and by ``late_s``.

    ``early_s`` inf: it must not operate at all. ``late_s`` None: it need not operate. ``nominal_s`` inf: without any
    error it does not. A slope is that of its edge, infinite where the smallest change of current decides whether it
    operates at all; None where the edge is not there.
    """

    early_s: float
    nominal_s: float
    late_s: float | None
    early_slope: Slope | None
    late_slope: Slope | None


def operate_band(
    function: ProtectionFunction,
    set_points: Mapping[str, float],
    accuracy: Accuracy,
    current: float | Trace | Segments,
    start: Level,
) -> Band:
    """The band of ``function`` for a lasting current (A) or a recorded one.

    A record decides by what it holds: where it ends before the last breaker has to operate, ``late_s`` is None.
    Raises InPickupZone for a lasting current in the may-or-may-not-operate zone, ValueError for a start that is no
    interval of levels, and what harness.trip.model.model_of raises.
    """
    _check(start)
    if not isinstance(current, Trace | Segments):
        zone = pickup_zone(function, set_points, accuracy)
        if current in zone:
            raise InPickupZone(function.name, current, zone)
    first, nominal, last = corners(function, set_points, accuracy)
    early = _Edge(first, current, start[1])
    middle = _Edge(nominal, current, sum(start) / 2)
    late = _Edge(last, current, start[0])
    return Band(early.time, middle.time, late.time if late.exists else None, early.slope(), late.slope())


class _Edge:
    """One corner's operate time as a function of the error of the current."""

    def __init__(self, corner: Corner, current: float | Trace | Segments, level: float) -> None:
        self._at: Callable[[float, float], float]
        if isinstance(current, Trace | Segments):
            record = segments_of(current)
            self._at = lambda gain, offset: _or_inf(corner.operate_time(record.shifted(gain, offset), level))
            self._largest = float(np.abs(record.currents).max(initial=0.0))
        else:
            row = np.array([current])
            self._at = lambda gain, offset: float(corner.operate_times(row * (1 + gain) + offset, level)[0])
            self._largest = abs(current)
        self.time = self._at(0.0, 0.0)

    @property
    def exists(self) -> bool:
        return self.time < math.inf

    def slope(self) -> Slope | None:
        """By central differences, and not finite where one side of them does not operate."""
        if not self.exists:
            return None
        step = max(self._largest, 1e-9) * _STEP
        return Slope(
            _slope(self._at(_STEP, 0.0), self._at(-_STEP, 0.0), 2 * _STEP),
            _slope(self._at(0.0, step), self._at(0.0, -step), 2 * step),
        )


def must_not_operate(
    function: ProtectionFunction,
    set_points: Mapping[str, float],
    accuracy: Accuracy,
    current: float | Trace | Segments,
    duration: float,
    start: Level,
) -> bool:
    """Whether no breaker within its declared accuracies operates on the first ``duration`` seconds of ``current``.

    Latency does not help: a breaker that has decided by the end operates afterwards. A record shorter than
    ``duration`` is judged as far as it goes.
    """
    _check(start)
    segments = _lasting(current, duration)
    first = corners(function, set_points, accuracy).first
    return first.operate_time(segments, start[1]) is None


def level_interval(
    function: ProtectionFunction,
    set_points: Mapping[str, float],
    accuracy: Accuracy,
    current: Trace | Segments,
    start: Level,
) -> Level:
    """The levels that are possible at the end of ``current``."""
    _check(start)
    first, _, last = corners(function, set_points, accuracy)
    segments = segments_of(current)
    return last.level_after(segments, start[0]), first.level_after(segments, start[1])


def cooled(
    function: ProtectionFunction,
    set_points: Mapping[str, float],
    accuracy: Accuracy,
    seconds: float,
    start: Level,
) -> Level:
    """The levels that are possible after ``seconds`` without current."""
    return level_interval(function, set_points, accuracy, Segments.constant(0.0, seconds), start)


def time_to_cool(
    function: ProtectionFunction,
    set_points: Mapping[str, float],
    accuracy: Accuracy,
    level: float,
    target: float,
) -> float | None:
    """Time without current after which even the slowest breaker has fallen from ``level`` to ``target``.

    None: never certain, as the declared offset of the measured current alone may keep it above.
    """
    return corners(function, set_points, accuracy).first.cooling_time(level, target)


def _lasting(current: float | Trace | Segments, duration: float) -> Segments:
    if isinstance(current, Trace | Segments):
        return segments_of(current).first(duration)
    return Segments.constant(current, duration)


def _slope(above: float, below: float, step: float) -> float:
    return (above - below) / step if above < math.inf and below < math.inf else math.inf


def _or_inf(time: float | None) -> float:
    return math.inf if time is None else time


def _check(start: Level) -> None:
    low, high = start
    if not 0 <= low <= high < math.inf:
        raise ValueError(f"start level from {low} to {high}: want 0 or more, the lower one first")
