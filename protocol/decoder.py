"""Symbols of the wire to frames or wire faults. (events)"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

BREAK = 0x100
"""The break field, as a symbol beside the byte values 0 to 255."""
BAD_STOP = 0x200
"""Added to a byte value whose stop bit was dominant (framing error)."""


class FaultKind(Enum):
    """What was wrong on the wire."""

    SYNC = "sync byte is not 0x55"
    PARITY = "protected identifier has wrong parity"
    CHECKSUM = "checksum does not match"
    SHORT = "response ended before its last byte"
    FRAMING = "stop bit missing"
    SURPLUS = "bytes outside any frame"


@dataclass(frozen=True)
class FrameReceived:
    """A whole frame with a good checksum."""

    frame_id: int
    payload: bytes
    start_ns: int  # start of the break
    end_ns: int  # end of the checksum byte


@dataclass(frozen=True)
class NoResponse:
    """A good header that nobody answered with a single byte."""

    frame_id: int
    start_ns: int
    end_ns: int


@dataclass(frozen=True)
class WireFault:
    """Something that was no good frame."""

    kind: FaultKind
    frame_id: int | None  # None: not known
    raw: bytes  # what was heard of it, from the identifier on
    start_ns: int
    end_ns: int


BusEvent = FrameReceived | NoResponse | WireFault
