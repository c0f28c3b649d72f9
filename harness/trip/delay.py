"""Definite time: a quantity beyond a threshold for a delay. A comparator is one without delay.

Times are exact for a piecewise-constant quantity and worked out on whole rows, so that a million samples cost no more
than a few passes. A level is the share of the delay that has run; above 0 it runs.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.trip.trace import FloatArray, Segments


@dataclass(frozen=True)
class DelayModel:
    """A threshold, a delay and what sampling makes of them, as harness.trip.model.TripModel wants it.

    Raises ValueError for a time or a hysteresis below 0, or one that is not finite.
    """

    threshold: float  # unit of the quantity
    direction: int  # 1: operates above the threshold, -1: below
    hysteresis: float  # unit of the quantity; the delay starts anew once it has come back by more
    delay: float  # s
    bridged: float = 0.0  # s; a return no longer than this goes unseen, unless the record ends in it
    held: float = 0.0  # s; the quantity must stay beyond for so much longer than the delay, and so long to be seen
    deaf: float = 0.0  # s, from the start of the quantity; nothing is seen before

    def __post_init__(self) -> None:
        for name in ("hysteresis", "delay", "bridged", "held", "deaf"):
            value = getattr(self, name)
            if not (value >= 0 and math.isfinite(value)):
                raise ValueError(f"definite time: {name} is {value}, want 0 or more")

    @property
    def pickup(self) -> float:
        """The threshold."""
        return self.threshold

    def operate_times(self, currents: FloatArray, level: float) -> FloatArray:
        """Operate time for each lasting constant quantity; inf: never."""
        if level >= 1:
            return np.zeros(currents.shape)
        beyond = self._excess(currents) > 0
        if level > 0:
            beyond = self._excess(currents) >= -self.hysteresis
        return np.where(beyond, self.deaf + (1 - level) * self.delay + self.held, math.inf)

    def operate_time(self, current: Segments, level: float) -> float | None:
        """Operate time under a varying quantity, from its start; None: not within it."""
        if level >= 1:
            return 0.0
        begins, ends = self._runs(current, level)
        wanted = np.full(begins.shape, self.delay + self.held)
        if level > 0 and wanted.size:
            wanted[0] -= level * self.delay
        enough = np.flatnonzero(ends - begins >= wanted)
        return float(begins[enough[0]] + wanted[enough[0]]) if enough.size else None

    def level_after(self, current: Segments, level: float) -> float:
        """The level at the end of ``current``; a delay that has run out stays at 1."""
        begins, ends = self._runs(current, level)
        if not begins.size or current.duration_s - ends[-1] > self.bridged:
            return 0.0
        if self.delay == 0:
            return 1.0
        carried = level if begins.size == 1 else 0.0
        return min(float(current.duration_s - begins[-1]) / self.delay + carried, 1.0)

    def cooling_time(self, level: float, target: float, current: float) -> float | None:
        """Time for the level to fall to ``target`` at a constant quantity; None: never."""
        if level <= target:
            return 0.0
        return self.bridged if self._excess(np.array([current]))[0] < -self.hysteresis else None

    def paced(self, towards: float, back: float) -> DelayModel:
        """The same with the delay running ``towards`` times as fast; on the way back there is no time."""
        del back
        return dataclasses.replace(self, delay=self.delay / towards)

    def _excess(self, quantity: FloatArray) -> FloatArray:
        return self.direction * (quantity - self.threshold)

    def _runs(self, current: Segments, level: float) -> tuple[FloatArray, FloatArray]:
        """Where the delay runs, as begins and ends in s; the first begins at 0 if there is a ``level`` to carry."""
        heard = current.after(self.deaf)
        running = self._running(heard, level > 0)
        edges = np.flatnonzero(np.diff(np.concatenate([[False], running, [False]])))
        instants = min(self.deaf, current.duration_s) + np.concatenate([[0.0], np.cumsum(heard.durations)])
        begins, ends = instants[edges[::2]], instants[edges[1::2]]
        if level > 0 and not (running.size and running[0]):
            begins, ends = np.concatenate([[0.0], begins]), np.concatenate([[0.0], ends])
        apart = begins[1:] - ends[:-1] > self.bridged
        first, last = np.concatenate([[True], apart]), np.concatenate([apart, [True]])
        return (begins[first], ends[last]) if begins.size else (begins, ends)

    def _running(self, heard: Segments, before: bool) -> NDArray[np.bool_]:
        """Whether the delay runs in each segment: the last of crossing and of coming back, where seen, decides."""
        excess = self._excess(heard.currents)
        beyond = _without(excess > 0, heard, lambda seconds, _: seconds < self.held)
        back = _without(excess < -self.hysteresis, heard, lambda seconds, last: (seconds <= self.bridged) & ~last)
        event = np.where(beyond, 1, np.where(back, -1, 0))
        latest = np.maximum.accumulate(np.where(event != 0, np.arange(len(event)), -1))
        return np.where(latest >= 0, event[latest] > 0, before) if len(event) else np.zeros(0, dtype=np.bool_)


def _without(
    stretches: NDArray[np.bool_], record: Segments, unseen: Callable[[FloatArray, NDArray[np.bool_]], NDArray[np.bool_]]
) -> NDArray[np.bool_]:
    """Without what may fall between two samples: what comes then may be inside the hysteresis, and change nothing."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], stretches, [False]])))
    firsts, ends = edges[::2], edges[1::2]
    instants = np.concatenate([[0.0], np.cumsum(record.durations)])
    kept = ~unseen(instants[ends] - instants[firsts], ends == len(stretches))
    change = np.zeros(len(stretches) + 1, dtype=np.int64)
    change[firsts[kept]], change[ends[kept]] = 1, -1
    return np.asarray(np.cumsum(change)[:-1] > 0)
