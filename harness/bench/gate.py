"""Who may energise: nobody, until a person has confirmed what, where and how high, and the interlock agrees.

Rule 1: source and contactor, charger and making switch may be on in ENERGISED and in no other state; OUTPUTS says so,
nothing else may.
Rule 2: the only way into ENERGISED is ``Gate.energise``, with a confirmation that is fresh, unused and of this digest.
Rule 3: whatever goes wrong leads to DISCHARGING; from there to SAFE only with proof, else to NOT_PROVEN_DEAD, which
only a person's recorded statement with two fresh readings leaves.
This file knows no instrument and reads no clock. The software is not the safety function: interlock and emergency stop
act in hardware, before and without it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum

from harness.clock import S

FRESH_NS = 60 * S
"""A confirmation is good for so long before it is used."""
PRESS_FRESH_NS = 10 * S
"""The arm button was pressed no longer than this ahead of the confirmation's end."""


class State(Enum):
    """Where the high-voltage side of the bench stands."""

    SAFE = "safe"
    ARMED = "armed"
    ENERGISED = "energised"
    DISCHARGING = "discharging"
    NOT_PROVEN_DEAD = "not_proven_dead"


class Event(Enum):
    """What may happen to it."""

    CONFIRMED = "a person confirmed"
    EXPIRED = "the confirmation expired or was withdrawn"
    ENERGISE = "energise, with all that it takes"
    FINISHED = "the last high-voltage step is over"
    TROUBLE = "error, timeout, lost heartbeat, interlock or signal"
    PROVED = "both sides proved dead"
    UNPROVED = "time for the proof is over"
    STATED_DEAD = "a person's statement and two fresh readings"
    REBOUND = "voltage came back"


@dataclass(frozen=True)
class Outputs:
    """What may be on. ``discharge`` and ``bank_discharge`` are on where they are True, and not merely allowed.

    In ENERGISED they may be on: a shot from the bank is taken with the source parted and both sides discharged.
    """

    source: bool
    contactor: bool
    discharge: bool
    charger: bool
    making: bool
    bank_discharge: bool


_OFF = Outputs(source=False, contactor=False, discharge=True, charger=False, making=False, bank_discharge=True)
OUTPUTS: Mapping[State, Outputs] = {
    State.SAFE: _OFF,
    State.ARMED: _OFF,
    State.ENERGISED: Outputs(
        source=True, contactor=True, discharge=False, charger=True, making=True, bank_discharge=False
    ),
    State.DISCHARGING: _OFF,
    State.NOT_PROVEN_DEAD: _OFF,
}
"""Total over the states."""


def _stay(state: State, **changes: State) -> dict[Event, State]:
    return {event: changes.get(event.name, state) for event in Event}


TRANSITIONS: Mapping[State, Mapping[Event, State]] = {
    State.SAFE: _stay(State.SAFE, CONFIRMED=State.ARMED, REBOUND=State.DISCHARGING),
    State.ARMED: _stay(
        State.ARMED,
        EXPIRED=State.SAFE,
        FINISHED=State.SAFE,
        ENERGISE=State.ENERGISED,
        TROUBLE=State.DISCHARGING,
        REBOUND=State.DISCHARGING,
    ),
    State.ENERGISED: _stay(State.ENERGISED, FINISHED=State.DISCHARGING, TROUBLE=State.DISCHARGING),
    State.DISCHARGING: _stay(State.DISCHARGING, PROVED=State.SAFE, UNPROVED=State.NOT_PROVEN_DEAD),
    State.NOT_PROVEN_DEAD: _stay(State.NOT_PROVEN_DEAD, STATED_DEAD=State.SAFE),
}
"""Total: every state, every event. ENERGISED is reached from ARMED alone."""


@dataclass(frozen=True)
class Confirmation:
    """What a person confirmed: the digest of plan, device, bench and limits, and when.

    With an arm button, when it was seen released and then pressed; both after the question was put (``asked_ns``).
    """

    digest: str
    asked_ns: int
    at_ns: int
    released_ns: int | None = None
    pressed_ns: int | None = None

    def problem(self, digest: str, now_ns: int, button: bool) -> str | None:
        """Why this confirmation lets nothing be energised now; None where it does."""
        if self.digest != digest:
            return "what was confirmed is not what is to be run: plan, device, bench or limits differ"
        if not self.asked_ns <= self.at_ns <= now_ns:
            return "the confirmation's times make no sense"
        if now_ns - self.at_ns > FRESH_NS:
            return f"the confirmation is older than {FRESH_NS // S} s"
        if not button:
            return None
        if self.pressed_ns is None or self.released_ns is None:
            return "the arm button was not pressed"
        if not self.asked_ns <= self.released_ns < self.pressed_ns <= now_ns:
            return "the arm button was held down beforehand: it must be seen released, then pressed"
        return "the press of the arm button is too old" if now_ns - self.pressed_ns > PRESS_FRESH_NS else None


@dataclass(frozen=True)
class Interlock:
    """What the interlock's inputs say; None where the two channels of one thing disagree."""

    doors_closed: bool | None
    stop_released: bool | None

    @property
    def problem(self) -> str | None:
        """What is open or in doubt; None where everything is closed."""
        for closed, thing in ((self.doors_closed, "the doors"), (self.stop_released, "the emergency stop")):
            if closed is None:
                return f"the two channels of {thing} disagree: one of them is broken"
            if not closed:
                return f"{thing} {'are open' if thing == 'the doors' else 'is pressed'}"
        return None


class Gate:
    """The state, and the only hands that move it."""

    def __init__(self, button: bool, in_doubt: bool = False) -> None:
        """``button``: the bench has a real source, so that a fresh press of the arm button is asked for as well.

        ``in_doubt``: an earlier run left it so.
        """
        self.state = State.NOT_PROVEN_DEAD if in_doubt else State.SAFE
        self._button = button
        self._confirmation: Confirmation | None = None

    @property
    def outputs(self) -> Outputs:
        """What may be on now."""
        return OUTPUTS[self.state]

    def confirm(self, confirmation: Confirmation, digest: str, now_ns: int) -> str | None:
        """Arm with what a person confirmed. Says why not, and stays as it is."""
        if self.state is not State.SAFE:
            return f"the bench is {self.state.value}, not safe"
        problem = confirmation.problem(digest, now_ns, self._button)
        if problem is None:
            self._confirmation = confirmation
            self._handle(Event.CONFIRMED)
        return problem

    def energise(self, digest: str, now_ns: int, interlock: Interlock, beating: bool) -> str | None:
        """Use the confirmation up: ENERGISED, or why not. Whatever comes of it, it is used."""
        confirmation, self._confirmation = self._confirmation, None
        if self.state is not State.ARMED or confirmation is None:
            return f"the bench is {self.state.value}, and nobody confirmed"
        problem = confirmation.problem(digest, now_ns, self._button)
        if problem is not None:
            self._handle(Event.EXPIRED)
            return problem
        problem = interlock.problem or (None if beating else "the watchdog does not answer")
        self._handle(Event.TROUBLE if problem else Event.ENERGISE)
        return problem

    def supervise(self, now_ns: int, interlock: Interlock, beating: bool, live: bool) -> State:
        """Look at everything at once, as often as possible; ``live``: a side or the bank may be."""
        if self.state in (State.ARMED, State.ENERGISED) and (interlock.problem or not beating):
            return self._handle(Event.TROUBLE)
        if self.state is State.ARMED and self._stale(now_ns):
            return self._handle(Event.EXPIRED)
        if self.state in (State.SAFE, State.ARMED) and live:
            return self._handle(Event.REBOUND)
        return self.state

    def trouble(self) -> State:
        """Something went wrong."""
        return self._handle(Event.TROUBLE)

    def rebound(self) -> State:
        """Something may be live while nothing is on."""
        return self._handle(Event.REBOUND)

    def finished(self) -> State:
        """The last high-voltage step is over."""
        return self._handle(Event.FINISHED)

    def judged(self, proved: bool) -> State:
        """What came of the proof."""
        return self._handle(Event.PROVED if proved else Event.UNPROVED)

    def stated_dead(self, first: str | None, second: str | None) -> str | None:
        """A person states that all is dead; two fresh looks say the same, or what may be live."""
        problem = first or second
        if problem is None:
            self._handle(Event.STATED_DEAD)
        return problem

    def _stale(self, now_ns: int) -> bool:
        return self._confirmation is None or now_ns - self._confirmation.at_ns > FRESH_NS

    def _handle(self, event: Event) -> State:
        self.state = TRANSITIONS[self.state][event]
        if self.state is not State.ARMED:
            self._confirmation = None
        return self.state
