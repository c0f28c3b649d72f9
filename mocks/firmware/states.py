"""State of the switch: a total table over state and event. Nothing here but a command closes the switch."""

from __future__ import annotations

from enum import Enum


class State(Enum):
    """What the breaker reports. Only ON has the gate on."""

    OFF = "off"
    ON = "on"
    TRIPPED = "tripped"
    COOLING = "cooling"
    LOCKED_OUT = "locked_out"


class Event(Enum):
    """What may change the state."""

    OPEN = "open command"
    OPEN_LOCKED = "open command after the last trip that lock-out allows"
    CLOSE = "close command while nothing bars closing"
    TRIP = "a function operates that the switch is opened for"
    FAULT = "the comparator has opened the switch, or it does not open"
    BLOCK = "a function operates that only bars closing"
    COOL = "every function is back below its reset level"
    RELEASE = "the lock-out is released"


NEXT: dict[State, dict[Event, State]] = {
    State.OFF: {
        Event.OPEN: State.OFF,
        Event.OPEN_LOCKED: State.OFF,
        Event.CLOSE: State.ON,
        Event.TRIP: State.OFF,  # nothing to open
        Event.FAULT: State.TRIPPED,
        Event.BLOCK: State.OFF,
        Event.COOL: State.OFF,
        Event.RELEASE: State.OFF,
    },
    State.ON: {
        Event.OPEN: State.OFF,
        Event.OPEN_LOCKED: State.OFF,
        Event.CLOSE: State.ON,
        Event.TRIP: State.TRIPPED,
        Event.FAULT: State.TRIPPED,
        Event.BLOCK: State.OFF,
        Event.COOL: State.ON,
        Event.RELEASE: State.ON,
    },
    State.TRIPPED: {
        Event.OPEN: State.COOLING,  # acknowledges the trip
        Event.OPEN_LOCKED: State.LOCKED_OUT,
        Event.CLOSE: State.TRIPPED,
        Event.TRIP: State.TRIPPED,
        Event.FAULT: State.TRIPPED,
        Event.BLOCK: State.TRIPPED,
        Event.COOL: State.TRIPPED,
        Event.RELEASE: State.TRIPPED,  # still to be acknowledged
    },
    State.COOLING: {
        Event.OPEN: State.COOLING,
        Event.OPEN_LOCKED: State.COOLING,
        Event.CLOSE: State.COOLING,
        Event.TRIP: State.COOLING,
        Event.FAULT: State.TRIPPED,
        Event.BLOCK: State.COOLING,
        Event.COOL: State.OFF,
        Event.RELEASE: State.COOLING,
    },
    State.LOCKED_OUT: {
        Event.OPEN: State.LOCKED_OUT,
        Event.OPEN_LOCKED: State.LOCKED_OUT,
        Event.CLOSE: State.LOCKED_OUT,
        Event.TRIP: State.LOCKED_OUT,
        Event.FAULT: State.LOCKED_OUT,
        Event.BLOCK: State.LOCKED_OUT,
        Event.COOL: State.LOCKED_OUT,
        Event.RELEASE: State.COOLING,
    },
}
"""State and event to the next state."""
