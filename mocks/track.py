"""One quantity over time as straight pieces: values, means and crossings in closed form, past and known future.

A piece holds from its start to the start of the next. Only a real change makes a piece, never somebody's look, so that
what is computed does not depend on who looked when.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

_NEVER = 1 << 62


@dataclass(frozen=True)
class Pieces:
    """A stretch of a track that no longer changes."""

    starts: NDArray[np.float64]  # ns
    values: NDArray[np.float64]
    rates: NDArray[np.float64]  # per ns

    def sample(self, instants: NDArray[np.float64]) -> NDArray[np.float64]:
        """Values at ``instants`` (ns), none of which lies before the first piece."""
        index = np.searchsorted(self.starts, instants, side="right") - 1
        found: NDArray[np.float64] = self.values[index] + self.rates[index] * (instants - self.starts[index])
        return found


class Track:
    """A quantity with history and known future. Times in ns, rates per ns. Changes come in order of time."""

    def __init__(self, value: float = 0.0) -> None:
        self._starts = [0]
        self._values = [value]
        self._rates = [0.0]

    def at(self, instant_ns: int) -> float:
        """Value at ``instant_ns``; at a step, the value after it."""
        index = bisect_right(self._starts, instant_ns) - 1
        return self._values[index] + self._rates[index] * (instant_ns - self._starts[index])

    def piece(self, start_ns: int) -> tuple[float, float, int, int | None]:
        """Value, rate and start of the piece that holds just after ``start_ns``, and its end (None: open)."""
        index = bisect_right(self._starts, start_ns) - 1
        end = self._starts[index + 1] if index + 1 < len(self._starts) else None
        return self._values[index], self._rates[index], self._starts[index], end

    def mean(self, start_ns: int, end_ns: int) -> float:
        """Exact mean from ``start_ns`` to ``end_ns``."""
        area = 0.0
        at_ns = start_ns
        while at_ns < end_ns:
            value, rate, origin, end = self.piece(at_ns)
            stop_ns = end_ns if end is None else min(end, end_ns)
            area += (value + rate * ((at_ns + stop_ns) / 2 - origin)) * (stop_ns - at_ns)
            at_ns = stop_ns
        return area / (end_ns - start_ns)

    def mean_square(self, start_ns: int, end_ns: int) -> float:
        """Exact mean of the square from ``start_ns`` to ``end_ns``."""
        area = 0.0
        at_ns = start_ns
        while at_ns < end_ns:
            value, rate, origin, end = self.piece(at_ns)
            stop_ns = end_ns if end is None else min(end, end_ns)
            middle = value + rate * ((at_ns + stop_ns) / 2 - origin)
            area += (middle**2 + (rate * (stop_ns - at_ns)) ** 2 / 12) * (stop_ns - at_ns)
            at_ns = stop_ns
        return area / (end_ns - start_ns)

    def crossing(self, level: float, rising: bool, after_ns: int, until_ns: int | None) -> int | None:
        """First whole nanosecond after ``after_ns`` at which the value has come to ``level`` from its other side.

        ``rising`` says from which. None where that does not happen, by ``until_ns`` where that is given.
        """
        sign = 1.0 if rising else -1.0
        reached = self._reached(after_ns, level, sign) <= after_ns
        at_ns = after_ns + 1
        while until_ns is None or at_ns <= until_ns:
            end = self.piece(at_ns)[3]
            found_ns = self._reached(at_ns, level, sign)
            if not reached and (end is None or found_ns < end):
                found_ns = max(found_ns, at_ns)
                return found_ns if found_ns < _NEVER and (until_ns is None or found_ns <= until_ns) else None
            if end is None:
                return None
            reached = self._reached(end - 1, level, sign) <= end - 1
            at_ns = end
        return None

    def _reached(self, instant_ns: int, level: float, sign: float) -> int:
        """In the piece at ``instant_ns``: since when the value is at ``level`` or beyond, if it is so or comes to it.

        Worked out from the piece's own start, so that the answer is the same wherever a search begins.
        """
        value, rate, origin, _ = self.piece(instant_ns)
        short = sign * (level - value)
        if sign * rate > 0:
            return origin + math.ceil(short / (sign * rate))
        return instant_ns if short <= sign * rate * (instant_ns - origin) else _NEVER

    def set(self, instant_ns: int, value: float) -> None:
        """Step to ``value`` at ``instant_ns`` and stay there."""
        self._cut(instant_ns)
        self._append(instant_ns, value, 0.0)

    def ramp(self, instant_ns: int, goal: float, rate: float, delay_ns: int = 0) -> int:
        """Stay for ``delay_ns``, then go to ``goal`` at ``rate`` (above 0) and stay there. Returns the arrival."""
        value = self.at(instant_ns)
        start_ns = instant_ns + delay_ns
        duration_ns = math.ceil(abs(goal - value) / rate)
        self._cut(instant_ns)
        self._append(instant_ns, value, 0.0)
        if duration_ns:
            self._append(start_ns, value, (goal - value) / duration_ns)
            self._append(start_ns + duration_ns, goal, 0.0)
        return start_ns + duration_ns

    def follow(self, instant_ns: int, points: Sequence[tuple[int, float]]) -> None:
        """From the value at ``instant_ns`` go straight through ``points`` (ns, value), and stay at the last."""
        before_ns, value = instant_ns, self.at(instant_ns)
        self._cut(instant_ns)
        for at_ns, goal in points:
            self._append(before_ns, value, (goal - value) / (at_ns - before_ns))
            before_ns, value = at_ns, goal
        self._append(before_ns, value, 0.0)

    def combine(self, instant_ns: int, terms: Sequence[tuple[Track, float]]) -> None:
        """From ``instant_ns`` on be the sum of other tracks, each times a factor, as these are known now."""
        starts = {instant_ns}
        for track, _ in terms:
            starts.update(start for start in track._starts if start > instant_ns)
        self._cut(instant_ns)
        for start in sorted(starts):
            rate = sum(factor * track.piece(start)[1] for track, factor in terms)
            self._append(start, sum(factor * track.at(start) for track, factor in terms), rate)

    def forget(self, before_ns: int) -> None:
        """Drop pieces that ended at or before ``before_ns``."""
        index = max(0, bisect_right(self._starts, before_ns) - 1)
        del self._starts[:index], self._values[:index], self._rates[:index]

    def frozen(self) -> Pieces:
        """Everything that is held, as it is now."""
        return Pieces(np.array(self._starts, dtype=np.float64), np.array(self._values), np.array(self._rates))

    def _cut(self, instant_ns: int) -> None:
        index = bisect_left(self._starts, instant_ns)
        del self._starts[index:], self._values[index:], self._rates[index:]

    def _append(self, start_ns: int, value: float, rate: float) -> None:
        if self._starts and self._starts[-1] == start_ns:
            self._values[-1], self._rates[-1] = value, rate
        else:
            self._starts.append(start_ns)
            self._values.append(value)
            self._rates.append(rate)
