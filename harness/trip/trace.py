"""A current over time, as an instrument recorded it or as a step function: what every trip model integrates.

Each value holds until the next one, so a trip model can be exact inside a sample. Times are seconds, currents amperes,
and positions are counted from the start of the record.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]
_GROWTH = 2e-3
_LOOK = 32  # neighbours looked at together, at first


def _frozen(values: ArrayLike, what: str) -> FloatArray:
    """A read-only copy of ``values`` as a row of floats. Raises ValueError where one is not finite."""
    array = np.array(values, dtype=np.float64)
    if array.ndim != 1:
        raise ValueError(f"{what}: want one row of numbers, got {array.ndim} dimensions")
    bad = np.flatnonzero(~np.isfinite(array))
    if bad.size:
        raise ValueError(f"{what}: number {bad[0]} is {array[bad[0]]}")
    array.flags.writeable = False
    return array


@dataclass(frozen=True, eq=False)
class Segments:
    """A piecewise-constant current: ``currents[i]`` (A) for ``durations[i]`` (s, 0 or more).

    Raises ValueError for rows of unequal length, values that are not finite and negative durations.
    """

    durations: FloatArray
    currents: FloatArray

    def __post_init__(self) -> None:
        object.__setattr__(self, "durations", _frozen(self.durations, "durations"))
        object.__setattr__(self, "currents", _frozen(self.currents, "currents"))
        if len(self.durations) != len(self.currents):
            raise ValueError(f"{len(self.durations)} durations for {len(self.currents)} currents")
        if (self.durations < 0).any():
            raise ValueError(f"a duration of {self.durations.min()} s")

    @classmethod
    def constant(cls, current: float, seconds: float) -> Segments:
        """One current for one duration."""
        return cls(np.array([seconds]), np.array([current]))

    @property
    def duration_s(self) -> float:
        """The whole duration."""
        return float(self.durations.sum())

    def first(self, seconds: float) -> Segments:
        """The part before ``seconds``; all of it where it is shorter."""
        begins = self._begins()
        count = int(np.searchsorted(begins, seconds))
        return Segments(np.minimum(seconds - begins[:count], self.durations[:count]), self.currents[:count])

    def after(self, seconds: float) -> Segments:
        """The part from ``seconds`` on; empty where it is shorter."""
        ends = np.cumsum(self.durations)
        skipped = int(np.searchsorted(ends, seconds, side="right"))
        return Segments(np.minimum(ends[skipped:] - seconds, self.durations[skipped:]), self.currents[skipped:])

    def then(self, current: float, seconds: float) -> Segments:
        """This, and ``current`` for ``seconds`` after it.

        A breaker that opens ends the current that it is judged by; what would have flowed on is put back with this.
        """
        return Segments(np.append(self.durations, seconds), np.append(self.currents, current))

    def shifted(self, gain: float, offset: float) -> Segments:
        """Every current I as I * (1 + gain) + offset."""
        return Segments(self.durations, self.currents * (1 + gain) + offset)

    def condensed(self, shortest: float) -> Segments:
        """Fewer segments with the same heat, by the mean of I²: for what cannot follow changes within ``shortest`` s.

        They grow longer with time, by a share that moves no instant by more than 2e-4 of itself, but not across a
        change of more than 2 % of the greatest heat.
        """
        mean = self._grouped(np.floor(self._begins() / shortest))
        heat = np.square(mean.currents)
        jumps = np.abs(np.diff(heat, prepend=heat[:1])) > 0.02 * heat.max(initial=0.0)
        grid = np.floor(np.log1p(_GROWTH * mean._begins() / shortest) / _GROWTH)  # each shortest + growth * t long
        return mean._grouped(np.cumsum((np.diff(grid, prepend=0.0) != 0) | jumps))

    def _grouped(self, keys: FloatArray) -> Segments:
        """Neighbours of the same key as one segment, its current the root of the mean square."""
        if not keys.size:
            return self
        firsts = np.flatnonzero(np.diff(keys, prepend=keys[0] - 1))
        durations = np.add.reduceat(self.durations, firsts)
        heat = np.add.reduceat(self.durations * np.square(self.currents), firsts)
        safe = np.where(durations > 0, durations, 1.0)
        return Segments(durations, np.sqrt(heat / safe))

    def merged(self, tolerance: float) -> Segments:
        """Neighbours that differ by no more than ``tolerance`` as one, at the root of their mean square.

        A recorded plateau is one value and the recorder's noise. A function that heats by the square of the current
        sees the same heat; the order of the noise within a plateau is lost, which moves an operate time by less than
        tolerance / current, squared. The tolerance should be a few times the noise, and less than any real step.
        """
        if not len(self.currents):
            return self
        starts = [0]
        while (end := self._within(starts[-1], tolerance)) < len(self.currents):
            starts.append(end)
        durations = np.add.reduceat(self.durations, starts)
        squares = np.add.reduceat(self.durations * self.currents**2, starts)
        sums = np.add.reduceat(self.durations * self.currents, starts)
        safe = np.where(durations > 0, durations, 1.0)
        return Segments(durations, np.copysign(np.sqrt(squares / safe), sums))

    def _within(self, first: int, tolerance: float) -> int:
        """The end of the neighbours from ``first`` on that differ by no more than ``tolerance``."""
        number = _LOOK
        low = high = self.currents[first]
        while first < len(self.currents):
            ahead = self.currents[first : first + number]
            lows = np.minimum(np.minimum.accumulate(ahead), low)
            highs = np.maximum(np.maximum.accumulate(ahead), high)
            beyond = highs - lows > tolerance
            if beyond.any():
                return first + int(beyond.argmax())
            low, high = lows[-1], highs[-1]
            first, number = first + len(ahead), 2 * number
        return first

    def _begins(self) -> FloatArray:
        return np.cumsum(self.durations) - self.durations


def joined(first: Segments, then: Segments) -> Segments:
    """One after the other."""
    return Segments(np.concatenate([first.durations, then.durations]), np.concatenate([first.currents, then.currents]))


@dataclass(frozen=True, eq=False)
class Trace:
    """A recorded current: sample k (A) holds from start_s + k * interval_s for interval_s.

    ``start_s`` is the first sample's time on the recorder's axis, negative for samples before the trigger. Raises
    ValueError for an interval that is not positive and for samples that are not finite.
    """

    start_s: float
    interval_s: float
    samples: FloatArray

    def __post_init__(self) -> None:
        object.__setattr__(self, "samples", _frozen(self.samples, "samples"))
        if not self.interval_s > 0:
            raise ValueError(f"a sampling interval of {self.interval_s} s")

    @property
    def segments(self) -> Segments:
        """The same as durations and currents."""
        return Segments(np.full(len(self.samples), self.interval_s), self.samples)

    @property
    def duration_s(self) -> float:
        """The whole duration."""
        return len(self.samples) * self.interval_s


def segments_of(current: Trace | Segments) -> Segments:
    """Either form as segments."""
    return current.segments if isinstance(current, Trace) else current
