"""Readings that jump further than what is measured can have moved: at the earliest, and for certain.

How far a reading has to be from the last good one is a matter of the sample in which it was taken. A breaker that
reads the mean over a sample takes a jump in the middle of one for two, of which it may believe the first; one of them
is more than half of it. So a jump must be found only where it is more than twice the step.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.trip.trace import FloatArray, Segments

_BEYOND = 1e6  # K: as bad as a reading can be, or as good


@dataclass(frozen=True)
class Jump:
    """A change by more than ``step`` (own unit) from one reading to the next, ``shortest`` to ``longest`` s later.

    ``certain``: only what every breaker finds counts, else all that one may find.
    """

    step: float
    shortest: float
    longest: float
    certain: bool = False

    def judged(self, quantity: Segments, readings: FloatArray, offset: float) -> FloatArray:
        """``readings``, which are above 0 where they are bad in themselves, and where they are too far as well.

        ``offset`` is the error of one reading, either way. The first value is a good one. What the last good one is,
        nobody knows after a jump that may be believed in part: from then on every reading may be too far away, and
        none is for certain.
        """
        values, ends = quantity.currents, np.cumsum(quantity.durations)
        begins, error = ends - quantity.durations, 2 * abs(offset)  # of two readings
        before = values[np.searchsorted(ends, begins - self.longest, side="right")] if len(values) else values
        possible = np.abs(values - before) > self.step - error
        if not possible.any():
            return readings
        first, bad = int(possible.argmax()), readings > 0
        if not self.certain:
            bad[first:] = True
            return np.where(bad, _BEYOND, readings)
        last_good = np.searchsorted(ends, begins - self.shortest, side="right")
        far = 2 * (self.step + error)
        jumps = (np.abs(values - values[last_good]) > far) & (last_good < first)
        if jumps.any():
            begin = int(jumps.argmax())
            back = np.abs(values[begin:] - values[last_good[begin]]) <= far
            bad[begin : begin + int(back.argmax()) if back.any() else None] = True
        return np.where(bad & ~_through(bad, values, before), _BEYOND, -_BEYOND)


def _through(bad: NDArray[np.bool_], values: FloatArray, before: FloatArray) -> NDArray[np.bool_]:
    """Where a bad reading follows on another from the other side of a good one, and its mean may be believed."""
    begins = np.flatnonzero(bad & ~np.append(False, bad[:-1]))
    good = np.repeat(before[begins], np.diff(np.append(begins, len(values)))) if begins.size else values[:0]
    away = np.append(np.zeros(len(values) - len(good)), values[len(values) - len(good) :] - good)
    return np.append(False, bad[1:] & bad[:-1] & (away[1:] * away[:-1] < 0))
