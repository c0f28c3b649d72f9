"""Worst cases of a breaker inside its declared accuracies: the one that operates first, and the one that operates last.

A corner is a model with the breaker's clock at one end of its accuracy, and the measured current and the latency at
theirs. Its clock is taken at the worse end on the way to the trip and on the way back, each for itself: the corner
bounds a breaker whose clock wanders inside its accuracy, and is not narrower for one whose clock is merely off.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from harness.trip.model import TripModel, model_of
from harness.trip.trace import FloatArray, Segments
from protocol.device import Accuracy
from protocol.protection import ProtectionFunction


@dataclass(frozen=True)
class Corner:
    """One possible breaker: it measures |I| * (1 + gain) + offset, not below 0, and acts ``latency`` late."""

    model: TripModel
    gain: float  # 1
    offset: float  # A
    latency: float  # s

    def operate_times(self, currents: FloatArray, level: float) -> FloatArray:
        """Operate time in s for each lasting constant current; inf: never."""
        return self.model.operate_times(self._measured(currents), level) + self.latency

    def operate_time(self, current: Segments, level: float) -> float | None:
        """Operate time in s under a varying current, from its start; None: it does not reach the trip within it."""
        decided = self.model.operate_time(self._seen(current), level)
        return None if decided is None else decided + self.latency

    def level_after(self, current: Segments, level: float) -> float:
        """The level at the end of ``current``."""
        return self.model.level_after(self._seen(current), level)

    def cooling_time(self, level: float, target: float) -> float | None:
        """Time in s to fall to ``target`` with no current; None: what it measures at 0 A may keep it above."""
        return self.model.cooling_time(level, target, max(self.offset, 0.0))

    def _measured(self, currents: FloatArray) -> FloatArray:
        return np.maximum(np.abs(currents) * (1 + self.gain) + self.offset, 0.0)

    def _seen(self, current: Segments) -> Segments:
        return Segments(current.durations, self._measured(current.currents))


class Corners(NamedTuple):
    """The breaker that operates first, the one without error, and the one that operates last."""

    first: Corner
    nominal: Corner
    last: Corner


def corners(function: ProtectionFunction, set_points: Mapping[str, float], accuracy: Accuracy) -> Corners:
    """The corners of ``function`` at ``set_points``, which are those asked for, never those read back.

    The nominal one acts in the middle of the declared latency. Raises KeyError and ValueError as model_of does.
    """
    model = model_of(function, set_points)
    soonest, latest = accuracy.latency
    fast, slow = 1 + accuracy.timer, 1 - accuracy.timer
    return Corners(
        Corner(model.paced(fast, slow), accuracy.current_gain, accuracy.current_offset, soonest),
        Corner(model, 0.0, 0.0, (soonest + latest) / 2),
        Corner(model.paced(slow, fast), -accuracy.current_gain, -accuracy.current_offset, latest),
    )


@dataclass(frozen=True)
class PickupZone:
    """Lasting currents, ends included, on which a breaker may or may not operate. Below never, above always. A."""

    low: float
    pickup: float
    high: float

    def __contains__(self, current: float) -> bool:
        return self.low <= abs(current) <= self.high


def pickup_zone(function: ProtectionFunction, set_points: Mapping[str, float], accuracy: Accuracy) -> PickupZone:
    """The zone around the pickup current that the declared accuracy of the measured current makes."""
    pickup = model_of(function, set_points).pickup
    return PickupZone(
        max(pickup - accuracy.current_offset, 0.0) / (1 + accuracy.current_gain),
        pickup,
        (pickup + accuracy.current_offset) / (1 - accuracy.current_gain),
    )
