"""Time as the harness sees it: integer nanoseconds from a clock that is passed in, never from the time module.

On a bench it is the wall clock; on the simulated bench an event clock of the mocks with the same two methods.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from typing import Protocol

MS = 1_000_000
"""Nanoseconds in a millisecond."""
S = 1_000_000_000
"""Nanoseconds in a second."""

_NEVER_NS = sys.maxsize
_NAP_NS = 20 * MS  # the longest sleep while somebody wants beats

_SPIN_NS = MS  # sleep to here before the instant, then spin: 0.2 us late at the median, against 100 us with sleep alone


class Clock(Protocol):
    """What every part that waits or stamps is given."""

    def now_ns(self) -> int:
        """Nanoseconds since the clock's own start; never falls."""
        ...

    def sleep_until(self, instant_ns: int) -> None:
        """Return at ``instant_ns`` or, where that has passed, at once."""
        ...


class WallClock:
    """The monotonic clock of the machine, starting at 0.

    Everything that waits asks it for the time over and over, so it is where a sign of life of the main thread comes
    from: see ``beat_every``.
    """

    def __init__(self) -> None:
        self._start = time.monotonic_ns()
        self._beat: Callable[[], None] | None = None
        self._period_ns = 0
        self._due_ns = _NEVER_NS

    def beat_every(self, period_ns: int, beat: Callable[[], None] | None) -> None:
        """Have ``beat`` called out of ``now_ns`` and ``sleep_until``, at most every ``period_ns``; None: no longer."""
        self._beat, self._period_ns = beat, period_ns
        self._due_ns = _NEVER_NS if beat is None else 0

    def now_ns(self) -> int:
        """Nanoseconds since this object was made."""
        now_ns = time.monotonic_ns()
        if now_ns >= self._due_ns and self._beat is not None:
            self._due_ns = now_ns + self._period_ns
            self._beat()
        return now_ns - self._start

    def sleep_until(self, instant_ns: int) -> None:
        """Sleep to 1 ms before the instant, then spin."""
        while (rest := instant_ns - self.now_ns() - _SPIN_NS) > 0:
            time.sleep((rest if self._beat is None else min(rest, _NAP_NS)) / S)
        while self.now_ns() < instant_ns:
            pass
