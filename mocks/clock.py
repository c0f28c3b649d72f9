"""An event clock: time is an integer of nanoseconds that moves only when somebody sleeps or steps."""

from __future__ import annotations

import heapq
from collections.abc import Callable
from itertools import count


class EventClock:
    """Clock of a simulated world; it has the two methods of the harness's clock, and events beside them.

    ``move`` brings the world from ``instant_ns`` towards the instant that it is given and returns how far it came: less
    where something happened on the way that may have made a new event. It may set ``instant_ns`` as it goes. At equal
    instants the world comes first, then events in the order in which they were asked for.
    """

    def __init__(self, move: Callable[[int], int]) -> None:
        self.instant_ns = 0
        self._move = move
        self._heap: list[tuple[int, int, Callable[[], None]]] = []
        self._order = count()

    def now_ns(self) -> int:
        """Nanoseconds since the world began."""
        return self.instant_ns

    @property
    def next_ns(self) -> int | None:
        """Instant of the next event, None where there is none; for who paces this clock by another one."""
        return self._heap[0][0] if self._heap else None

    def at(self, instant_ns: int, event: Callable[[], None]) -> None:
        """Have ``event`` called at ``instant_ns`` or, where that has passed, at the next step. It must not sleep."""
        heapq.heappush(self._heap, (instant_ns, next(self._order), event))

    def step(self, until_ns: int) -> bool:
        """Run the next event due at or before ``until_ns``: True. False where there was none; then it is ``until_ns``.

        Time never falls: an ``until_ns`` that has passed means now.
        """
        until_ns = max(until_ns, self.instant_ns)
        while True:
            due = bool(self._heap) and self._heap[0][0] <= until_ns
            stop = self._heap[0][0] if due else until_ns
            if self.instant_ns < stop:
                self.instant_ns = self._move(stop)
            elif due:
                heapq.heappop(self._heap)[2]()
                return True
            else:
                return False

    def sleep_until(self, instant_ns: int) -> None:
        """Let the world and its events run until ``instant_ns``; at once where that has passed."""
        while self.step(instant_ns):
            pass
