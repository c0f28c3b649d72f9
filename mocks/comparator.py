"""The comparator path: it opens the switch by itself, from the exact current, and leaves a latch for the firmware.

While the gate is on and its blanking is over, the current through its threshold (in either direction) sets it off; the
gate driver goes off one response time after the crossing, come what may in between. The latch holds the driver off
until the firmware takes the gate signal away.
"""

from __future__ import annotations

from mocks.clock import EventClock
from mocks.plant import Plant
from mocks.unit import ComparatorErrors


class Comparator:
    """A comparator on the sensed current. ``plan`` must be called after every change of the current or the gate."""

    def __init__(self, clock: EventClock, plant: Plant, errors: ComparatorErrors) -> None:
        self._clock = clock
        self._plant = plant
        self._errors = errors
        self._reference = float("inf")  # A
        self.latched = False
        self._armed_ns: int | None = None  # when the blanking is over; None: gate off
        self._crossed_ns: int | None = None  # when the threshold is crossed, as far as is known
        self._plans = 0  # how many there were, so that an old one is known as such

    def set_reference(self, milliamperes: int) -> None:
        """The firmware sets the threshold."""
        self._reference = milliamperes / 1000
        self.plan()

    def set_gate(self, on: bool) -> None:
        """The firmware's gate signal, on its way to the driver."""
        if not on:
            self.latched = False
        driven = on and not self.latched
        if driven and self._armed_ns is None:
            self._armed_ns = self._clock.now_ns() + self._errors.blanking_ns
        elif not driven:
            self._armed_ns = None
        self._plant.set_gate(driven)
        self.plan()

    def plan(self) -> None:
        """See when the current, on its course as known now, crosses the threshold."""
        if self._armed_ns is None:
            self._plans += 1
            self._crossed_ns = None
            return
        now_ns = self._clock.now_ns()
        if self._crossed_ns is not None and self._crossed_ns < now_ns:
            return
        self._plans += 1
        self._crossed_ns = self._crossing(max(now_ns, self._armed_ns))
        if self._crossed_ns is not None:
            plan = self._plans
            self._clock.at(self._crossed_ns + self._errors.response_ns, lambda: self._act(plan))

    def _crossing(self, from_ns: int) -> int | None:
        sensed, errors = self._plant.sensed, self._errors
        high = (self._reference - errors.offset) / (1 + errors.gain)
        low = (-self._reference - errors.offset) / (1 + errors.gain)
        if not low < sensed.at(from_ns) < high:
            return from_ns
        found = [sensed.crossing(high, True, from_ns, None), sensed.crossing(low, False, from_ns, None)]
        return min((each for each in found if each is not None), default=None)

    def _act(self, plan: int) -> None:
        if plan == self._plans:
            self.latched = True
            self._armed_ns = None
            self._crossed_ns = None
            self._plans += 1
            self._plant.force_off()
