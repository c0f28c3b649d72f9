"""Tolerance bands: when a breaker that keeps its declared accuracies operates, at the earliest and at the latest.

A band follows from the set-points asked for, the declared accuracies, and what is known of the level at the start.
Uncertainty of stimulus and instruments does not widen it; Slope carries that into an uncertainty of the time.
Times are seconds from the start of the current; levels are intervals (lowest, highest), as a share of the trip level.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from harness.quantity import show
from harness.trip.corner import Corner, PickupZone, corners, pickup_zone
from harness.trip.model import Ambient, SetPoints
from harness.trip.trace import Segments, Trace, segments_of
from harness.trip.watch import REMEMBERS
from protocol.protection import (
    InverseTime,
    JunctionTemperature,
    ProtectionFunction,
    SensorCheck,
    Silence,
    ThermalMemory,
)

Level = tuple[float, float]
"""Lowest and highest level that is possible; 1 is the trip level."""

_FASTER = 20  # a current is averaged (its square) over this share of a network's shortest time constant
_COARSE_STEP = 2e-3  # the same where time is found to one sample only: about the error of a recorder
_STEP = 1e-5  # relative change of the current that a slope is taken over; central, so its own error goes with 1e-10
_STEEP = 5.0  # share of the time for a share of the current; what is steeper may be a jump


class InPickupZone(ValueError):
    """A lasting current on which the function may or may not operate, so that no result would say anything.

    Example scenarios: a trip point at the pickup current itself; a set-point raised under an unchanged trip point.
    """

    def __init__(self, function: str, current: float, zone: PickupZone) -> None:
        self.function, self.current, self.zone = function, current, zone
        unit, of = zone.unit, "current" if zone.unit == "A" else "value"
        super().__init__(
            f"{function}: {show(current, unit)} lies between {show(zone.low, unit)} and {show(zone.high, unit)}, where "
            f"a breaker within its declared accuracy may or may not operate (pickup {show(zone.pickup, unit)}); "
            f"choose a {of} outside"
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
    set_points: SetPoints,
    current: float | Trace | Segments,
    start: Level,
    mode: str | None = None,
    *,
    ambient: Ambient = 25.0,
    closed_at: float | None = None,
) -> Band:
    """The band of ``function`` for a lasting current (A) or a recorded one; of another quantity, in its own unit.

    A record decides by what it holds: where it ends before the last breaker has to operate, ``late_s`` is None.
    ``start`` of a junction temperature is an equilibrium at ``ambient`` (degC, heat sink; an interval for what the
    breaker may take it for); ``closed_at`` is when the switch closes, None where it has been closed for long.
    Raises InPickupZone for a lasting current in the may-or-may-not-operate zone, ValueError for a start that is no
    interval of levels, and what harness.trip.model.model_of raises.
    """
    _check(start)
    if not isinstance(current, Trace | Segments) and not isinstance(function, Silence | SensorCheck):
        zone = pickup_zone(function, set_points, mode, ambient=ambient)
        if current in zone:
            raise InPickupZone(function.name, current, zone)
    first, nominal, last = corners(function, set_points, mode, ambient=ambient, closed_at=closed_at)
    step = _STEP if isinstance(function, REMEMBERS) else _COARSE_STEP
    if isinstance(function, JunctionTemperature) and isinstance(current, Trace | Segments):
        current = segments_of(current).condensed(min(tau for _, tau in function.network) / _FASTER)
    early = _Edge(first, current, start[1], step)
    middle = _Edge(nominal, current, sum(start) / 2, step)
    late = _Edge(last, current, start[0], step)
    return Band(early.time, middle.time, late.time if late.exists else None, early.slope(), late.slope())


def silence_band(function: Silence, set_points: SetPoints, mode: str | None = None) -> Band:
    """The band of a silence that lasts, from the end of the last valid frame."""
    return operate_band(function, set_points, 1.0, (0.0, 0.0), mode)


class _Edge:
    """One corner's operate time as a function of the error of the current."""

    def __init__(self, corner: Corner, current: float | Trace | Segments, level: float, step: float) -> None:
        self._step = step
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
        size = max(self._largest, 1e-9)
        return Slope(
            self._slope(lambda error: self._at(error, 0.0), 1.0),
            self._slope(lambda error: self._at(0.0, error), size),
        )

    def _slope(self, at: Callable[[float], float], size: float) -> float:
        """Of the time ``at`` an error of the current, ``size`` of which is all of it.

        Where the time jumps from one pulse to the next, the jump is that of any error as wide as a recorder's.
        """
        slope = _difference(at, self._step * size)
        if abs(slope) * size > _STEEP * self.time and self._step < _COARSE_STEP:
            wide = _difference(at, _COARSE_STEP * size)
            return wide if abs(wide) < abs(slope) / 2 else slope
        return slope


def must_not_operate(
    function: ProtectionFunction,
    set_points: SetPoints,
    current: float | Trace | Segments,
    duration: float,
    start: Level,
    mode: str | None = None,
    *,
    ambient: Ambient = 25.0,
    closed_at: float | None = None,
) -> bool:
    """Whether no breaker within its declared accuracies operates on the first ``duration`` seconds of ``current``.

    Latency does not help: a breaker that has decided by the end operates afterwards. A record shorter than
    ``duration`` is judged as far as it goes.
    """
    _check(start)
    segments = _lasting(current, duration)
    first = corners(function, set_points, mode, ambient=ambient, closed_at=closed_at).first
    return first.operate_time(segments, start[1]) is None


def level_interval(
    function: ProtectionFunction,
    set_points: SetPoints,
    current: Trace | Segments,
    start: Level,
    mode: str | None = None,
    *,
    ambient: Ambient = 25.0,
) -> Level:
    """The levels that are possible at the end of ``current``.

    Beyond the trip only a thermal memory is declared, so the lowest level of any other is at most 1. The interval of a
    junction temperature is that of equilibria that bound every stage: right as a start, wider than the temperature.
    """
    _check(start)
    first, _, last = corners(function, set_points, mode, ambient=ambient)
    segments = segments_of(current)
    lowest = last.level_after(segments, start[0])
    return lowest if isinstance(function, ThermalMemory) else min(lowest, 1.0), first.level_after(segments, start[1])


def cooled(
    function: ProtectionFunction,
    set_points: SetPoints,
    seconds: float,
    start: Level,
    mode: str | None = None,
    *,
    ambient: Ambient = 25.0,
) -> Level:
    """The levels that are possible after ``seconds`` without current, or with the quantity healthy."""
    _check(start)
    if not isinstance(function, REMEMBERS):
        return 0.0, 0.0
    return level_interval(function, set_points, Segments.constant(0.0, seconds), start, mode, ambient=ambient)


def time_to_cool(
    function: ProtectionFunction,
    set_points: SetPoints,
    level: float,
    target: float,
    mode: str | None = None,
    *,
    ambient: Ambient = 25.0,
) -> float | None:
    """Time without current after which even the slowest breaker has fallen from ``level`` to ``target``.

    None: never certain, as the declared offset of the measured current alone may keep it above. 0 for a function that
    remembers nothing.
    """
    if not isinstance(function, REMEMBERS):
        return 0.0
    return corners(function, set_points, mode, ambient=ambient).first.cooling_time(level, target)


def reset_level(
    function: ProtectionFunction, set_points: SetPoints, mode: str | None = None, *, ambient: Ambient = 25.0
) -> float | None:
    """The level below which every breaker lets itself be closed again; None for a function that remembers nothing."""
    if isinstance(function, ThermalMemory | InverseTime):
        return function.reset_level.value(set_points, mode)
    if isinstance(function, JunctionTemperature):
        reset, limit = function.reset.value(set_points, mode), function.limit.value(set_points, mode)
        sink = ambient[1] if isinstance(ambient, tuple) else ambient
        return (reset - sink) / (limit - sink)
    return None


def rescaled(
    function: JunctionTemperature,
    set_points: SetPoints,
    level: float,
    before: float,
    after: float,
    mode: str | None = None,
) -> float:
    """The level of the same rise above a heat sink that went from ``before`` to ``after`` (degC); inf: at the limit."""
    limit = function.limit.value(set_points, mode)
    return level * (limit - before) / (limit - after) if limit > after else math.inf


def junction_temperatures(
    function: JunctionTemperature,
    set_points: SetPoints,
    current: Trace | Segments,
    start: Level,
    mode: str | None = None,
    *,
    ambient: Ambient = 25.0,
) -> tuple[float, float]:
    """Lowest and highest junction temperature (degC) that a breaker may estimate at the end of ``current``."""
    _check(start)
    first, _, last = corners(function, set_points, mode, ambient=ambient)
    segments = segments_of(current)
    return last.temperature_after(segments, start[0]), first.temperature_after(segments, start[1])


def _lasting(current: float | Trace | Segments, duration: float) -> Segments:
    if isinstance(current, Trace | Segments):
        return segments_of(current).first(duration)
    return Segments.constant(current, duration)


def _difference(at: Callable[[float], float], step: float) -> float:
    above, below = at(step), at(-step)
    return (above - below) / (2 * step) if above < math.inf and below < math.inf else math.inf


def _or_inf(time: float | None) -> float:
    return math.inf if time is None else time


def _check(start: Level) -> None:
    low, high = start
    if not 0 <= low <= high < math.inf:
        raise ValueError(f"start level from {low} to {high}: want 0 or more, the lower one first")
