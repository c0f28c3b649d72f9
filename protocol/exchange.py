"""One diagnostic request and its answer, seen from the master, slot by slot (ISO 14229-2, ISO 17987-2).

    while not isinstance(slot := exchange.next_slot(), Finished):
        Send: send the PDU in frame 0x3C, then call ``sent``
        Poll: send header 0x3D, then call ``received`` with what came or ``silent``

Rule 1: the schedule is the caller's; a slot may come as late as it likes, times are passed in.
Rule 2: what an event does is a row of ``TRANSITIONS``, total over state and event.
Rule 3: a node is given up only after a header that was sent when its time was already up stayed unanswered. The time
is P2 from the last request PDU, P2* from each 'response pending', N_Cr from each PDU of a longer answer.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from protocol.answers import NegativeResponse
from protocol.device import Timing
from protocol.requests import suppressed
from protocol.services import ServiceError, parse_response
from protocol.transport import (
    BROADCAST_NAD,
    FUNCTIONAL_NAD,
    Message,
    Reassembler,
    TransportFault,
    TransportFaultKind,
    segment,
)


@dataclass(frozen=True)
class Answer:
    """A positive answer; b"" where none was wanted and none came."""

    payload: bytes


@dataclass(frozen=True)
class Refused:
    """A negative answer."""

    response: NegativeResponse


@dataclass(frozen=True)
class Unanswered:
    """No answer that is one: ``heard`` is what came instead, if anything."""

    reason: str
    heard: bytes = b""


Outcome = Answer | Refused | Unanswered


@dataclass(frozen=True)
class Send:
    """Send this PDU."""

    pdu: bytes


@dataclass(frozen=True)
class Poll:
    """Ask for a PDU."""


@dataclass(frozen=True)
class Finished:
    """No slot is needed any more."""

    outcome: Outcome


Slot = Send | Poll | Finished


class State(Enum):
    """State of an exchange."""

    SENDING = "request PDUs are left to send"
    WAITING = "request sent"
    HELD = "response pending"
    RECEIVING = "answer begun"
    FINISHED = "over"


class Event(Enum):
    """What can happen."""

    SENT = "a request PDU went out, more are left"
    SENT_LAST = "the last request PDU went out"
    SENT_UNANSWERABLE = "the last request PDU went out, to an address that does not answer"
    STALLED = "a request PDU took longer than N_As"
    PART = "a PDU of an answer, more to come"
    POSITIVE = "a positive answer"
    REFUSAL = "a negative answer"
    HOLD = "response pending"
    WRONG = "an answer that is none to the request"
    BROKEN = "an answer broken off"
    SILENCE = "no PDU of an answer, time not up yet"
    TIME_UP = "no PDU of an answer, and time was up before the header"


_ANSWERED = {
    Event.PART: State.RECEIVING,
    Event.POSITIVE: State.FINISHED,
    Event.REFUSAL: State.FINISHED,
    Event.HOLD: State.HELD,
    Event.WRONG: State.FINISHED,
    Event.TIME_UP: State.FINISHED,
}

TRANSITIONS: dict[State, dict[Event, State]] = {
    State.SENDING: {
        Event.SENT: State.SENDING,
        Event.SENT_LAST: State.WAITING,
        Event.SENT_UNANSWERABLE: State.FINISHED,
        Event.STALLED: State.FINISHED,
    },
    State.WAITING: {**_ANSWERED, Event.SILENCE: State.WAITING},
    State.HELD: {**_ANSWERED, Event.SILENCE: State.HELD},
    State.RECEIVING: {**_ANSWERED, Event.SILENCE: State.RECEIVING, Event.BROKEN: State.FINISHED},
    State.FINISHED: {},
}
"""Next state. A missing event cannot happen in that state; a caller who makes it happen gets RuntimeError."""


class Exchange:
    """``payload`` to the node at ``nad`` and what it answers.

    Where the request wants no positive answer, the outcome is ``Answer(b"")`` once P2 has passed in silence; 'response
    pending' makes the positive answer due again (ISO 14229-1 §8.2.2). A message to 0x7E is over when it is sent: no
    node answers it on LIN. To 0x7F any node may answer. A PDU of another node counts as silence.

    Raises ValueError for a payload that the transport layer cannot carry to ``nad``.
    """

    def __init__(self, nad: int, payload: bytes, timing: Timing, now_ns: int) -> None:
        self._nad = nad
        self._payload = payload
        self._timing = timing
        self._unsent = segment(nad, payload)
        self._reassembler = Reassembler(None, timing.n_cr_ns)
        self._state = State.SENDING
        self._optional = suppressed(payload)
        self._last_ns = now_ns
        self._deadline_ns = now_ns
        self._outcome: Outcome | None = None
        self.earliest_ns = now_ns
        """The next slot should not begin before this (ST_min after a PDU)."""

    @property
    def state(self) -> State:
        """Where the exchange stands."""
        return self._state

    def next_slot(self) -> Slot:
        """What the next slot of the schedule is for."""
        if self._outcome is not None:
            return Finished(self._outcome)
        return Send(self._unsent[0]) if self._unsent else Poll()

    def sent(self, now_ns: int) -> None:
        """The PDU of ``Send`` went out; its frame ended at ``now_ns``."""
        if now_ns - self._last_ns > self._timing.n_as_ns:
            self._enter(Event.STALLED, now_ns, Unanswered("a request PDU was not sent in time (N_As)"))
            return
        if len(self._unsent) > 1:
            self._enter(Event.SENT, now_ns)
        elif self._nad == FUNCTIONAL_NAD:
            self._enter(Event.SENT_UNANSWERABLE, now_ns, Answer(b""))
        else:
            self._enter(Event.SENT_LAST, now_ns)
            self._deadline_ns = now_ns + self._timing.p2_ns
        del self._unsent[0]
        self.earliest_ns = now_ns + self._timing.st_min_ns

    def received(self, pdu: bytes, now_ns: int) -> None:
        """The header of ``Poll`` was answered with ``pdu``, whose frame ended at ``now_ns``."""
        if pdu[0] != self._nad and self._nad != BROADCAST_NAD:
            self.silent(now_ns)
            return
        self.earliest_ns = now_ns + self._timing.st_min_ns
        match self._reassembler.receive(pdu, now_ns):
            case None:
                self._enter(Event.PART, now_ns)
                self._deadline_ns = now_ns + self._timing.n_cr_ns
            case Message(_, payload):
                self._answered(payload, now_ns)
            case TransportFault(TransportFaultKind.SEQUENCE | TransportFaultKind.TIMEOUT as kind, _, heard):
                self._enter(Event.BROKEN, now_ns, Unanswered(f"answer broken off: {kind.value}", heard))
            case TransportFault():
                self.silent(now_ns)

    def silent(self, now_ns: int) -> None:
        """The header of ``Poll`` was not answered, or with no good frame; the slot ended at ``now_ns``."""
        if self._last_ns < self._deadline_ns:
            self._enter(Event.SILENCE, now_ns)
        elif self._state is State.WAITING and self._optional:
            self._enter(Event.TIME_UP, now_ns, Answer(b""))
        else:
            reason = {
                State.HELD: "no answer after 'response pending' (P2*)",
                State.RECEIVING: "answer broken off (N_Cr)",
            }
            self._enter(Event.TIME_UP, now_ns, Unanswered(reason.get(self._state, "no answer (P2)")))

    def _answered(self, payload: bytes, now_ns: int) -> None:
        try:
            answer = parse_response(self._payload, payload)
        except ServiceError as error:
            self._enter(Event.WRONG, now_ns, Unanswered(error.problem, payload))
            return
        if isinstance(answer, bytes):
            self._enter(Event.POSITIVE, now_ns, Answer(answer))
        elif answer.pending:
            self._enter(Event.HOLD, now_ns)
            self._deadline_ns = now_ns + self._timing.p2_star_ns
        else:
            self._enter(Event.REFUSAL, now_ns, Refused(answer))

    def _enter(self, event: Event, now_ns: int, outcome: Outcome | None = None) -> None:
        try:
            self._state = TRANSITIONS[self._state][event]
        except KeyError:
            raise RuntimeError(f"{event.value}: not while {self._state.value}; see next_slot") from None
        self._last_ns = now_ns
        self._outcome = outcome
