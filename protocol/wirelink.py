"""A serial line over a byte stream: data, break and bit rate travel in band and in order.

One message: kind (1 byte), payload length (1 byte), payload. After a connect the server speaks first: HELLO with the
version, or REFUSED with a reason, after which it says no more. From then on

    client -> server   DATA, BREAK_ON, BREAK_OFF, BIT_RATE (bit/s, 4 bytes, little-endian)
    server -> client   DATA: what a UART on the line reads, own bytes included; a break reads as one 0x00

No clock, no socket. Not modelled: parity, stop bits, modem lines; the length of a break does not travel.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

VERSION = 1
"""Version that HELLO carries. A client refuses another one."""
MAX_DATA = 255
"""Most payload bytes of one message; ``data`` splits longer runs."""


class Kind(IntEnum):
    """What a message is; the value is the byte on the stream."""

    HELLO = 0x48
    REFUSED = 0x52
    DATA = 0x44
    BREAK_ON = 0x42
    BREAK_OFF = 0x62
    BIT_RATE = 0x53


_LENGTHS: dict[Kind, range] = {
    Kind.HELLO: range(1, 2),
    Kind.REFUSED: range(MAX_DATA + 1),
    Kind.DATA: range(1, MAX_DATA + 1),
    Kind.BREAK_ON: range(1),
    Kind.BREAK_OFF: range(1),
    Kind.BIT_RATE: range(4, 5),
}
_KINDS = {int(kind): kind for kind in Kind}


class LinkError(ValueError):
    """The stream is not this codec's: an unknown kind, or a length that the kind cannot have."""


@dataclass(frozen=True)
class Message:
    """One message of the link."""

    kind: Kind
    payload: bytes = b""

    @property
    def bit_rate(self) -> int:
        """The rate in bit/s of a BIT_RATE message. Raises LinkError for 0."""
        rate = int.from_bytes(self.payload, "little")
        if not rate:
            raise LinkError("0 bit/s is no bit rate")
        return rate

    @property
    def text(self) -> str:
        """The reason of a REFUSED message; what is no UTF-8 is shown as such."""
        return self.payload.decode("utf-8", "backslashreplace")

    def encode(self) -> bytes:
        """The message's bytes. Raises LinkError where the payload does not fit the kind."""
        if len(self.payload) not in _LENGTHS[self.kind]:
            raise LinkError(f"{self.kind.name}: a payload of {len(self.payload)} bytes is none of this kind")
        return bytes((self.kind, len(self.payload))) + self.payload


HELLO = Message(Kind.HELLO, bytes((VERSION,)))
BREAK_ON = Message(Kind.BREAK_ON)
BREAK_OFF = Message(Kind.BREAK_OFF)


def bit_rate(rate: int) -> Message:
    """BIT_RATE of ``rate`` bit/s. Raises LinkError unless it fits 32 bits and is above 0."""
    if not 0 < rate < 1 << 32:
        raise LinkError(f"{rate} bit/s is no bit rate")
    return Message(Kind.BIT_RATE, rate.to_bytes(4, "little"))


def refused(reason: str) -> Message:
    """REFUSED with ``reason``, cut to what a message takes."""
    return Message(Kind.REFUSED, reason.encode()[:MAX_DATA])


def data(content: bytes) -> bytes:
    """``content`` as encoded DATA messages; empty for empty."""
    return b"".join(
        Message(Kind.DATA, content[start : start + MAX_DATA]).encode() for start in range(0, len(content), MAX_DATA)
    )


class Unpacker:
    """Messages out of a stream that comes in chunks of any size."""

    def __init__(self) -> None:
        self._rest = bytearray()

    def feed(self, chunk: bytes) -> list[Message]:
        """Messages that ``chunk`` completes. Raises LinkError; after that the stream is of no more use."""
        self._rest += chunk
        messages = []
        while (message := self._next()) is not None:
            messages.append(message)
        return messages

    def _next(self) -> Message | None:
        rest = self._rest
        if len(rest) < 2:
            return None
        kind = _KINDS.get(rest[0])
        if kind is None or rest[1] not in _LENGTHS[kind]:
            raise LinkError(f"{bytes(rest[:2]).hex(' ')} begins no message of a served LIN line")
        size = 2 + rest[1]
        if len(rest) < size:
            return None
        message = Message(kind, bytes(rest[2:size]))
        del rest[:size]
        return message
