"""When the watchdog acts: a total table, and the little it must remember to name the events.

Rule 1: the hardware line is fed in GUARDING and in no other state; FEEDS says so.
Rule 2: ACTED is left by nothing. A run whose watchdog has acted energises nothing any more.
Rule 3: no message, no link and no clock here: the process (watchdog_process.py) and the simulated bench
(simulated.py) bring their own, and both are tested with the same vectors.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import Enum


class State(Enum):
    """What the watchdog is doing."""

    IDLE = "idle"
    GUARDING = "guarding"
    ACTED = "acted"


class Event(Enum):
    """What may happen to it."""

    GUARD_ON = "the harness is about to energise"
    GUARD_OFF = "both sides are proved dead"
    SILENCE = "the harness has not beaten for too long"
    LINK_LOST = "the harness is gone, or an instrument of the watchdog's own does not answer"
    INTERLOCK_OPEN = "the interlock is open, or its channels disagree"
    STOP = "the watchdog was told to end"
    RELEASED = "the harness has said goodbye"


def _stay(state: State, **changes: State) -> dict[Event, State]:
    return {event: changes.get(event.name, state) for event in Event}


TRANSITIONS: Mapping[State, Mapping[Event, State]] = {
    State.IDLE: _stay(State.IDLE, GUARD_ON=State.GUARDING, LINK_LOST=State.ACTED, STOP=State.ACTED),
    State.GUARDING: {event: State.ACTED for event in Event if event not in (Event.GUARD_ON, Event.GUARD_OFF)}
    | {Event.GUARD_ON: State.GUARDING, Event.GUARD_OFF: State.IDLE},
    State.ACTED: _stay(State.ACTED),
}
"""Total: every state, every event. On the way into ACTED the bench is made safe, once."""

FEEDS: Mapping[State, bool] = {State.IDLE: False, State.GUARDING: True, State.ACTED: False}
"""Whether the hardware line that enables the source is fed."""


class Watch:
    """The state, and since when the harness has been silent. Instants in ns of whatever clock the caller has."""

    def __init__(self, silence_ns: int) -> None:
        """``silence_ns`` without a beat is too long."""
        self.state = State.IDLE
        self.reason: Event | None = None  # what led into ACTED
        self._silence_ns = silence_ns
        self._heard_ns = 0

    @property
    def feeds(self) -> bool:
        """Whether the hardware line is to be fed now."""
        return FEEDS[self.state]

    def guard(self, on: bool, now_ns: int) -> State:
        """The harness asks to be guarded, or no longer; that is a beat too."""
        self._heard_ns = now_ns
        return self.handle(Event.GUARD_ON if on else Event.GUARD_OFF)

    def heard(self, now_ns: int) -> None:
        """A beat of the harness."""
        self._heard_ns = now_ns

    def look(self, now_ns: int, closed: bool) -> State:
        """Look at the clock and at the interlock; ``closed``: both channels of everything say so."""
        if self.state is State.GUARDING and not closed:
            return self.handle(Event.INTERLOCK_OPEN)
        if self.state is State.GUARDING and now_ns - self._heard_ns > self._silence_ns:
            return self.handle(Event.SILENCE)
        return self.state

    def handle(self, event: Event) -> State:
        """Something happened."""
        before, self.state = self.state, TRANSITIONS[self.state][event]
        if self.state is State.ACTED and before is not State.ACTED:
            self.reason = event
        return self.state
