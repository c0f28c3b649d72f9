"""State of the switch: a total table over state and event. Nothing here but a command closes the switch."""

from __future__ import annotations

from enum import Enum


class State(Enum):
    """What the breaker reports. Only ON has the gate on."""

    OFF = "off"
    ON = "on"
    TRIPPED = "tripped"


class Event(Enum):
    """What may change the state. A close command is COOL or HOT by the thermal level at that moment."""

    OPEN = "open command"
    CLOSE_COOL = "close command below the reset level"
    CLOSE_HOT = "close command at or above the reset level"
    TRIP = "a protection function operates"


NEXT: dict[State, dict[Event, State]] = {
    State.OFF: {
        Event.OPEN: State.OFF,
        Event.CLOSE_COOL: State.ON,
        Event.CLOSE_HOT: State.OFF,
        Event.TRIP: State.OFF,  # nothing to open: the memory goes on counting and bars the next close
    },
    State.ON: {
        Event.OPEN: State.OFF,
        Event.CLOSE_COOL: State.ON,
        Event.CLOSE_HOT: State.ON,
        Event.TRIP: State.TRIPPED,
    },
    State.TRIPPED: {
        Event.OPEN: State.OFF,  # acknowledges the trip
        Event.CLOSE_COOL: State.TRIPPED,
        Event.CLOSE_HOT: State.TRIPPED,
        Event.TRIP: State.TRIPPED,
    },
}
"""State and event to the next state."""
