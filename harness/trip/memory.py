"""Thermal memory in closed form: dH/dt = ((I/Ip)² - H)/tau, trip at H >= 1 (form of IEC 60255-149, from memory of it).

tau holds while H rises, the cooling tau while it falls. Under a constant current H runs straight towards (I/Ip)² and
never across it, so one exponential is exact for each sample and the instant of crossing 1 is a logarithm.

Everywhere: currents and ``pickup`` in A, ``tau``, ``tau_cool`` and times in s, levels as a share of the trip level.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from harness.trip.trace import FloatArray, Segments, Trace, segments_of


def advance(level: float, current: float, seconds: float, pickup: float, tau: float, tau_cool: float) -> float:
    """The level after ``seconds`` of a constant current."""
    end = (current / pickup) ** 2
    return level - (end - level) * math.expm1(-seconds / (tau if end > level else tau_cool))


def operate_time(current: float, pickup: float, tau: float, tau_cool: float, level0: float) -> float | None:
    """Time from ``level0`` to the trip level under a lasting constant current; None: never. 0 where already there."""
    if level0 >= 1:
        return 0.0
    excess = _excess(current, pickup)
    return tau * math.log1p((1 - level0) / excess) if excess > 0 else None


def _excess(current: float, pickup: float) -> float:
    """(I/Ip)² - 1, all digits kept near pickup, where the difference is exact."""
    return (current - pickup) / pickup * ((current + pickup) / pickup)


def operate_times(currents: FloatArray, pickup: float, tau: float, tau_cool: float, level0: float) -> FloatArray:
    """operate_time for each of ``currents``; inf: never."""
    excess = (currents - pickup) / pickup * ((currents + pickup) / pickup)
    times = np.full(excess.shape, 0.0 if level0 >= 1 else math.inf)
    if level0 < 1:
        operates = excess > 0
        times[operates] = tau * np.log1p((1 - level0) / excess[operates])
    return times


def operate_time_of(
    current: Trace | Segments, pickup: float, tau: float, tau_cool: float, level0: float
) -> float | None:
    """Time from the start of the record to the trip level; None: not within it. 0 where already there."""
    if level0 >= 1:
        return 0.0
    segments, level = segments_of(current), level0
    for index, (end, rise, fall) in enumerate(_shares(segments, pickup, tau, tau_cool)):
        if end <= level:
            level += (end - level) * fall
            continue
        before, level = level, level + (end - level) * rise
        if level >= 1 and end > 1:
            into = tau * math.log1p((1 - before) / (end - 1))
            return float(segments.durations[:index].sum()) + min(into, float(segments.durations[index]))
    return None


def level_of(current: Trace | Segments, pickup: float, tau: float, tau_cool: float, level0: float) -> float:
    """The level at the end of the record. It goes on past 1: a trip does not stop the memory."""
    level = level0
    for end, rise, fall in _shares(segments_of(current), pickup, tau, tau_cool):
        level += (end - level) * (rise if end > level else fall)
    return level


def _shares(segments: Segments, pickup: float, tau: float, tau_cool: float) -> Iterator[tuple[float, float, float]]:
    """For each segment: the level it leads to, and the share of the way that it goes there, rising and falling.

    The recursion itself stays a plain loop over Python floats: which share holds depends on the level before, and
    20,000 samples take 2 ms.
    """
    ends = np.square(segments.currents / pickup)
    rises = -np.expm1(segments.durations / -tau)
    falls = -np.expm1(segments.durations / -tau_cool)
    return zip(ends.tolist(), rises.tolist(), falls.tolist(), strict=True)


def cooling_time(
    level: float, target: float, current: float, pickup: float, tau: float, tau_cool: float
) -> float | None:
    """Time for the level to fall to ``target`` at a constant current; 0 where it is below, None: never."""
    if level <= target:
        return 0.0
    end = (current / pickup) ** 2
    return tau_cool * math.log((level - end) / (target - end)) if target > end else None


@dataclass(frozen=True)
class MemoryModel:
    """A thermal memory with its parameters, as harness.trip.model.TripModel wants it.

    Raises ValueError for a parameter that is not positive.
    """

    pickup: float  # A
    tau: float  # s
    tau_cool: float  # s

    def __post_init__(self) -> None:
        for name, value in vars(self).items():
            if not (value > 0 and math.isfinite(value)):
                raise ValueError(f"thermal memory: {name} is {value}, want a positive number")

    def operate_times(self, currents: FloatArray, level: float) -> FloatArray:
        """Operate time for each lasting constant current; inf: never."""
        return operate_times(currents, self.pickup, self.tau, self.tau_cool, level)

    def operate_time(self, current: Segments, level: float) -> float | None:
        """Operate time under a varying current, from its start; None: not within it."""
        return operate_time_of(current, self.pickup, self.tau, self.tau_cool, level)

    def level_after(self, current: Segments, level: float) -> float:
        """The level at the end of ``current``."""
        return level_of(current, self.pickup, self.tau, self.tau_cool, level)

    def cooling_time(self, level: float, target: float, current: float) -> float | None:
        """Time for the level to fall to ``target`` at a constant current; None: never."""
        return cooling_time(level, target, current, self.pickup, self.tau, self.tau_cool)

    def paced(self, towards: float, back: float) -> MemoryModel:
        """The same memory, ``towards`` times as fast while it heats and ``back`` times as fast while it cools."""
        return MemoryModel(self.pickup, self.tau / towards, self.tau_cool / back)
