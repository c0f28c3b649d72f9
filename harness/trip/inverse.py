"""Inverse time in closed form: t = multiplier * (k / ((I/pickup)**alpha - 1) + c), in the form of IEC 60255-151 and of
IEEE C37.112 (constants and names from memory of both).

A varying current operates when the integral of dt/t(I) comes to 1 (IEEE C37.112, abstract), and not before it has been
above pickup for ``minimum_time`` without a break. At or below pickup the integral falls at 1/reset_time, from no more
than 1 (definition in protocol.protection.InverseTime).
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

import numpy as np

from harness.trip.trace import FloatArray, Segments


@dataclass(frozen=True)
class InverseTimeModel:
    """An inverse-time characteristic, as harness.trip.model.TripModel wants it. The level is the integral ("travel").

    Raises ValueError for a constant that is not positive, and for ``c`` or ``minimum_time`` below 0.
    """

    pickup: float  # A
    multiplier: float  # 1
    k: float  # s
    alpha: float
    c: float  # s
    minimum_time: float  # s
    reset_time: float  # s

    def __post_init__(self) -> None:
        for name, value in vars(self).items():
            least = value >= 0 if name in ("c", "minimum_time") else value > 0
            if not (least and math.isfinite(value)):
                raise ValueError(f"inverse time: {name} is {value}, want a positive number")

    def times(self, currents: FloatArray) -> FloatArray:
        """t(I) from 0 to the trip for each of ``currents``, without the minimum time; inf at or below pickup."""
        times = np.full(currents.shape, math.inf)
        above = currents > self.pickup
        # The difference is exact near pickup (Sterbenz), where M**alpha - 1 would keep no digit.
        power = np.expm1(self.alpha * np.log1p((currents[above] - self.pickup) / self.pickup))
        times[above] = self.multiplier * (self.k / power + self.c)
        return times

    def operate_times(self, currents: FloatArray, level: float) -> FloatArray:
        """Operate time for each lasting constant current; inf: never."""
        return (
            np.zeros(currents.shape)
            if level >= 1
            else np.maximum((1 - level) * self.times(currents), self.minimum_time)
        )

    def operate_time(self, current: Segments, level: float) -> float | None:
        """Operate time under a varying current, from its start; None: not within it."""
        if level >= 1:
            return 0.0
        above = 0.0  # s above pickup without a break
        for index, (duration, rate) in enumerate(zip(current.durations.tolist(), self._rates(current), strict=True)):
            before, level = level, _within(level + duration * rate)
            if rate < 0:
                above = 0.0
                continue
            if level == 1 and above + duration >= self.minimum_time:
                into = max((1 - before) / rate, self.minimum_time - above, 0.0)
                return float(current.durations[:index].sum() + min(into, duration))
            above += duration
        return None

    def level_after(self, current: Segments, level: float) -> float:
        """The level at the end of ``current``: a trip does not stop the integral, and it goes no further than 1."""
        for duration, rate in zip(current.durations.tolist(), self._rates(current), strict=True):
            level = _within(level + duration * rate)
        return level

    def cooling_time(self, level: float, target: float, current: float) -> float | None:
        """Time for the level to fall to ``target`` at a constant current; None: never."""
        if level <= target:
            return 0.0
        return (level - target) * self.reset_time if current <= self.pickup and target >= 0 else None

    def paced(self, towards: float, back: float) -> InverseTimeModel:
        """The same, ``towards`` times as fast above pickup and ``back`` times as fast below."""
        return dataclasses.replace(
            self,
            k=self.k / towards,
            c=self.c / towards,
            minimum_time=self.minimum_time / towards,
            reset_time=self.reset_time / back,
        )

    def _rates(self, current: Segments) -> list[float]:
        """d(level)/dt in each segment, 1/s."""
        times = self.times(current.currents)
        rates = np.where(times < math.inf, 1 / times, -1 / self.reset_time)
        return [float(rate) for rate in rates]


def _within(travel: float) -> float:
    return min(max(travel, 0.0), 1.0)
