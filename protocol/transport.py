"""The diagnostic transport layer: messages of 1 to 4095 bytes in frames of 8 (LIN 2.1 §3.2; ISO 17987-2).

    single        NAD | 0 length(4)        | up to 6 bytes, rest 0xFF
    first         NAD | 1 length(12)       | 5 bytes
    consecutive   NAD | 2 sequence(4)      | up to 6 bytes, rest 0xFF; sequence 1, 2 .. 15, 0, 1 ..

There is no flow control: the master's schedule sets the pace. What a PDU does is a row of ``ACTIONS``, total over
state and kind. PDUs are taken apart with plain slices, not construct: a message has up to 683 of them.

A PDU for another node address is none of this node's business and changes nothing here, even in mid-reception.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

PDU_LENGTH = 8
"""Bytes of a PDU: the payload of a diagnostic frame."""
MAX_MESSAGE = 4095
"""Most bytes of a message (12-bit length, LIN 2.1 §3.2.1.4)."""
SINGLE_CAPACITY = 6
"""Most bytes of a message in a single frame."""
SLEEP_NAD = 0x00
"""First byte of the go-to-sleep command, which is no PDU."""
FUNCTIONAL_NAD = 0x7E
"""Addresses a function, whichever node has it: single frames only, and no answer (LIN 2.1 §4.2.3.2)."""
BROADCAST_NAD = 0x7F
"""Addresses every node."""

_FIRST_CAPACITY = 5
_PADDING = b"\xff" * SINGLE_CAPACITY


class State(Enum):
    """State of a reassembler."""

    IDLE = "no message begun"
    RECEIVING = "first frame received, consecutive frames expected"


class Kind(Enum):
    """Kind of a PDU."""

    SINGLE = "single frame"
    FIRST = "first frame"
    CONSECUTIVE = "consecutive frame"
    MALFORMED = "malformed PDU"


class Action(Enum):
    """What a PDU makes a reassembler do."""

    DELIVER = "hand the message out, drop one begun before"
    BEGIN = "begin a message, drop one begun before"
    APPEND = "append to the message if the sequence number is right, else drop it"
    REPORT = "report and ignore"


ACTIONS = {
    (State.IDLE, Kind.SINGLE): Action.DELIVER,
    (State.IDLE, Kind.FIRST): Action.BEGIN,
    (State.IDLE, Kind.CONSECUTIVE): Action.REPORT,
    (State.IDLE, Kind.MALFORMED): Action.REPORT,
    (State.RECEIVING, Kind.SINGLE): Action.DELIVER,
    (State.RECEIVING, Kind.FIRST): Action.BEGIN,
    (State.RECEIVING, Kind.CONSECUTIVE): Action.APPEND,
    (State.RECEIVING, Kind.MALFORMED): Action.REPORT,
}


@dataclass(frozen=True)
class Message:
    """A whole message and the node address that it came with."""

    nad: int
    payload: bytes


class TransportFaultKind(Enum):
    """What was wrong with a PDU or a message."""

    UNEXPECTED = "consecutive frame without its first frame"
    SEQUENCE = "wrong sequence number"
    TIMEOUT = "next consecutive frame did not come in time (N_Cr)"
    SINGLE_LENGTH = "length of a single frame is not 1 to 6"
    FIRST_LENGTH = "length of a first frame is below 7"
    FUNCTIONAL = "first frame to the functional address"
    TYPE = "unknown PCI type"


@dataclass(frozen=True)
class TransportFault:
    """A PDU that was ignored, or a reception that was given up: ``kind`` SEQUENCE and TIMEOUT."""

    kind: TransportFaultKind
    nad: int
    pdu: bytes  # b"" for TIMEOUT


def segment(nad: int, payload: bytes) -> list[bytes]:
    """The PDUs of a message, in order. Raises ValueError unless 1 to 4095 bytes, to 0x7E 1 to 6."""
    if not 1 <= nad <= 0xFF:
        raise ValueError(f"node address {nad:#x} is not in 1 to 0xFF")
    length = len(payload)
    if not 1 <= length <= (SINGLE_CAPACITY if nad == FUNCTIONAL_NAD else MAX_MESSAGE):
        raise ValueError(f"a message to {nad:#04x} cannot have {length} bytes")
    if length <= SINGLE_CAPACITY:
        return [(bytes((nad, length)) + payload + _PADDING)[:PDU_LENGTH]]
    pdus = [bytes((nad, 0x10 | length >> 8, length & 0xFF)) + payload[:_FIRST_CAPACITY]]
    for sequence, at in enumerate(range(_FIRST_CAPACITY, length, SINGLE_CAPACITY), start=1):
        part = bytes((nad, 0x20 | sequence & 0xF)) + payload[at : at + SINGLE_CAPACITY]
        pdus.append(part if len(part) == PDU_LENGTH else (part + _PADDING)[:PDU_LENGTH])
    return pdus


def classify(pdu: bytes) -> tuple[Kind, TransportFaultKind | None]:
    """Kind of a PDU and, where it is malformed, what is wrong with it."""
    match pdu[1] >> 4:
        case 0:
            if not 1 <= pdu[1] <= SINGLE_CAPACITY:
                return Kind.MALFORMED, TransportFaultKind.SINGLE_LENGTH
            return Kind.SINGLE, None
        case 1:
            if _first_length(pdu) <= SINGLE_CAPACITY:
                return Kind.MALFORMED, TransportFaultKind.FIRST_LENGTH
            if pdu[0] == FUNCTIONAL_NAD:
                return Kind.MALFORMED, TransportFaultKind.FUNCTIONAL
            return Kind.FIRST, None
        case 2:
            return Kind.CONSECUTIVE, None
        case _:
            return Kind.MALFORMED, TransportFaultKind.TYPE


class Reassembler:
    """PDUs to messages, for one node.

    ``nad`` is the node's own address: PDUs to it, to 0x7E and to 0x7F are taken. None takes every address, one
    message at a time, as a master does with answers. ``n_cr_ns`` is the longest time between two PDUs of a message.
    A new message always wins over one begun before, which is dropped without a fault (LIN 2.1 §3.2.5).
    """

    def __init__(self, nad: int | None, n_cr_ns: int) -> None:
        self._taken = None if nad is None else frozenset({nad, FUNCTIONAL_NAD, BROADCAST_NAD})
        self._n_cr_ns = n_cr_ns
        self.reset()

    def reset(self) -> None:
        """Drop a message begun."""
        self._state = State.IDLE
        self._nad = 0
        self._length = 0
        self._sequence = 0
        self._received = bytearray()
        self._deadline_ns: int | None = None

    @property
    def deadline_ns(self) -> int | None:
        """When the next consecutive frame is too late; None while no message is begun."""
        return self._deadline_ns

    def expire(self, now_ns: int) -> TransportFault | None:
        """The fault, once, if a message was begun and ``now_ns`` is its deadline or later."""
        if self._deadline_ns is None or now_ns < self._deadline_ns:
            return None
        fault = TransportFault(TransportFaultKind.TIMEOUT, self._nad, b"")
        self.reset()
        return fault

    def receive(self, pdu: bytes, now_ns: int) -> Message | TransportFault | None:
        """Take a PDU that ended at ``now_ns``: the message it completes, what was wrong, or None.

        Raises ValueError unless it has 8 bytes.
        """
        if len(pdu) != PDU_LENGTH:
            raise ValueError(f"a PDU has {PDU_LENGTH} bytes, not {len(pdu)}")
        nad = pdu[0]
        if nad == SLEEP_NAD or (self._taken is not None and nad not in self._taken):
            return None
        kind, problem = classify(pdu)
        late = self.expire(now_ns)
        if late is not None and kind is Kind.CONSECUTIVE:
            return late
        match ACTIONS[self._state, kind]:
            case Action.DELIVER:
                self.reset()
                return Message(nad, pdu[2 : 2 + pdu[1]])
            case Action.BEGIN:
                self._begin(pdu, now_ns)
                return None
            case Action.APPEND:
                return self._append(pdu, now_ns)
            case Action.REPORT:
                return TransportFault(problem or TransportFaultKind.UNEXPECTED, nad, pdu)

    def _begin(self, pdu: bytes, now_ns: int) -> None:
        self._state = State.RECEIVING
        self._nad = pdu[0]
        self._length = _first_length(pdu)
        self._sequence = 1
        self._received = bytearray(pdu[3:])
        self._deadline_ns = now_ns + self._n_cr_ns

    def _append(self, pdu: bytes, now_ns: int) -> Message | TransportFault | None:
        if pdu[0] != self._nad:
            return TransportFault(TransportFaultKind.UNEXPECTED, pdu[0], pdu)
        if pdu[1] & 0xF != self._sequence:
            self.reset()
            return TransportFault(TransportFaultKind.SEQUENCE, pdu[0], pdu)
        self._sequence = self._sequence + 1 & 0xF
        self._received += pdu[2:]
        self._deadline_ns = now_ns + self._n_cr_ns
        if len(self._received) < self._length:
            return None
        message = Message(self._nad, bytes(self._received[: self._length]))
        self.reset()
        return message


def _first_length(pdu: bytes) -> int:
    return (pdu[1] & 0xF) << 8 | pdu[2]
