"""Time as the harness sees it: integer nanoseconds from a clock that is passed in, never from the time module.

On a bench it is the wall clock; on the simulated bench an event clock of the mocks with the same two methods.
"""

from __future__ import annotations

import time
from typing import Protocol

MS = 1_000_000
"""Nanoseconds in a millisecond."""
S = 1_000_000_000
"""Nanoseconds in a second."""

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
    """The monotonic clock of the machine, starting at 0."""

    def __init__(self) -> None:
        self._start = time.monotonic_ns()

    def now_ns(self) -> int:
        """Nanoseconds since this object was made."""
        return time.monotonic_ns() - self._start

    def sleep_until(self, instant_ns: int) -> None:
        """Sleep to 1 ms before the instant, then spin."""
        rest = instant_ns - self.now_ns() - _SPIN_NS
        if rest > 0:
            time.sleep(rest / S)
        while self.now_ns() < instant_ns:
            pass
