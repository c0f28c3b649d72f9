"""Worst cases of a breaker inside its declared accuracies: the one that operates first, and the one that operates last.

A corner is a model with the breaker's clock at one end of its accuracy, and the reading, its own tolerances and the
latency at theirs. Its clock is taken at the worse end on the way to the trip and on the way back, each for itself: the
corner bounds a breaker whose clock wanders inside its accuracy, and is not narrower for one whose clock is merely off.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from harness.trip.junction import JunctionModel
from harness.trip.model import Ambient, Case, Sense, SetPoints, TripModel, model_of
from harness.trip.trace import FloatArray, Segments
from harness.trip.watch import Watch, watch_of
from protocol.protection import DefiniteTime, Instantaneous, ProtectionFunction, SensorCheck, Silence

_SENSES: tuple[Sense, Sense, Sense] = (1, 0, -1)


@dataclass(frozen=True)
class Corner:
    """One possible breaker: it reads what it watches with an error towards the trip, and acts ``latency`` late."""

    model: TripModel
    watch: Watch
    gain: float  # 1, towards the trip
    offset: float  # unit of the quantity, towards the trip
    latency: float  # s

    def operate_times(self, currents: FloatArray, level: float) -> FloatArray:
        """Operate time in s for each lasting constant current; inf: never."""
        return self.model.operate_times(self._read(currents), level) + self.latency

    def operate_time(self, current: Segments, level: float) -> float | None:
        """Operate time in s under a varying current, from its start; None: it does not reach the trip within it."""
        decided = self.model.operate_time(self._seen(current), level)
        return None if decided is None else decided + self.latency

    def level_after(self, current: Segments, level: float) -> float:
        """The level at the end of ``current``."""
        return self.model.level_after(self._seen(current), level)

    def temperature_after(self, current: Segments, level: float) -> float:
        """Junction temperature in degC at the end of ``current``; only of a model that has one."""
        assert isinstance(self.model, JunctionModel)
        return self.model.temperature_after(self._seen(current), level)

    def cooling_time(self, level: float, target: float) -> float | None:
        """Time in s to fall to ``target`` with no current; None: what it reads at 0 A may keep it above."""
        return self.model.cooling_time(level, target, float(self._read(np.zeros(1))[0]))

    def threshold(self) -> float:
        """The lasting current beyond which this breaker operates."""
        return self.watch.unread(self.model.pickup, self.gain, self.offset)

    def _read(self, currents: FloatArray) -> FloatArray:
        return self.watch.read(currents, self.gain, self.offset)

    def _seen(self, current: Segments) -> Segments:
        return self.watch.follow(current, self.gain, self.offset)


class Corners(NamedTuple):
    """The breaker that operates first, the one without error, and the one that operates last."""

    first: Corner
    nominal: Corner
    last: Corner


def corners(
    function: ProtectionFunction,
    set_points: SetPoints,
    mode: str | None = None,
    *,
    ambient: Ambient = 25.0,
    closed_at: float | None = None,
) -> Corners:
    """The corners of ``function`` at ``set_points``, which are those asked for, never those read back.

    The nominal one acts in the middle of the declared latency. ``ambient`` is the heat sink's temperature (degC), or
    the lowest and highest that the breaker may take it for; ``closed_at`` when the switch closes, on the axis of the
    current, for a comparator that is deaf at first. Raises KeyError and ValueError as model_of does.
    """
    case = Case(mode=mode, ambient=ambient, closed_at=closed_at)
    return Corners(*(_corner(function, set_points, replace(case, sense=sense)) for sense in _SENSES))


def _corner(function: ProtectionFunction, set_points: SetPoints, case: Case) -> Corner:
    declared, sense = function.declared, case.sense
    model = model_of(function, set_points, case)
    pace = sense * declared.timer
    return Corner(
        model.paced(1 + pace, 1 - pace) if sense else model,
        watch_of(function, certain=sense < 0),
        sense * declared.gain,
        # The timeout itself carries the offset of a silence, which is a time.
        0.0 if isinstance(function, Silence) else sense * declared.offset,
        _latency(function, sense),
    )


def _latency(function: ProtectionFunction, sense: Sense) -> float:
    soonest, latest = function.response if isinstance(function, Instantaneous) else function.declared.latency
    if sense < 0 and isinstance(function, DefiniteTime | Instantaneous | Silence | SensorCheck):
        return 0.0  # the latest is in what the quantity has to outlast: model.held
    return {1: soonest, 0: (soonest + latest) / 2, -1: latest}[sense]


@dataclass(frozen=True)
class PickupZone:
    """Lasting values, ends included, on which a breaker may or may not operate: beyond always, on this side never."""

    low: float
    pickup: float
    high: float
    unit: str = "A"

    def __contains__(self, value: float) -> bool:
        return self.low <= (abs(value) if self.unit == "A" else value) <= self.high


def pickup_zone(
    function: ProtectionFunction, set_points: SetPoints, mode: str | None = None, *, ambient: Ambient = 25.0
) -> PickupZone:
    """The zone around the pickup that the declared accuracy makes; the whole of it at -inf for one that never operates.

    Of a sensor check it is in K beyond what is plausible.
    """
    at = corners(function, set_points, mode, ambient=ambient)
    low, high = sorted((at.first.threshold(), at.last.threshold()))
    return PickupZone(low, at.nominal.threshold(), high, at.nominal.watch.unit)
