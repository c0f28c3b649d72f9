"""Symbols of the wire to frames and wire faults: no port, no clock; times come with the symbols.

    feed(symbols, end_ns)  what was heard, as it comes, in chunks of any size -> events
    expire(now_ns)         call it at ``deadline_ns``: what was begun and not ended in time -> events

Rule 1: a chunk gives the same events, times included, as its symbols one by one.
Rule 2: an event's times are those of the wire, whenever the event is handed out.
Rule 3: nothing heard is lost; what belongs to no frame comes out as a SURPLUS fault.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import Enum

from protocol.frame import (
    BREAK_BITS,
    BYTE_BITS,
    FRAME_IDS,
    MASTER_REQUEST,
    MAX_LENGTH,
    SLAVE_RESPONSE,
    SYNC,
    ChecksumModel,
    bits_ns,
    checksum_model,
    header_max_ns,
    inverted_sum,
    protected_id,
    response_max_ns,
)

BREAK = 0x100
"""The break field, as a symbol beside the byte values 0 to 255."""
BAD_STOP = 0x200
"""Added to a byte value whose stop bit was dominant (framing error)."""


class FaultKind(Enum):
    """What was wrong on the wire."""

    HEADER = "header ended before its identifier"
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
    start_ns: int  # start of the break
    end_ns: int  # end of the header


@dataclass(frozen=True)
class WireFault:
    """Something that was no good frame."""

    kind: FaultKind
    frame_id: int | None  # None: not known
    raw: bytes  # what was heard of it: from the identifier on; from the sync byte on where the header was at fault
    start_ns: int
    end_ns: int


BusEvent = FrameReceived | NoResponse | WireFault


class _State(Enum):
    OUTSIDE = "no frame has begun"
    HEADER = "break heard"
    RESPONSE = "header heard"


@dataclass(frozen=True)
class _Expected:
    """What follows a protected identifier."""

    frame_id: int
    length: int | None  # payload bytes; None: not known, the frame ends when no more comes
    seed: int  # what the checksum covers beside the payload
    late_ns: int  # from the end of the header to the first instant at which a response's end is too late

    def payload(self, body: bytes) -> bytes | None:
        """Payload of a whole response, checksum last; None where the checksum does not match."""
        return body[:-1] if inverted_sum(self.seed + sum(body[:-1])) == body[-1] else None


class Decoder:
    """A receiver of one bus.

    ``lengths`` gives the payload length of each known frame id; the diagnostic frames always have 8 bytes. A frame
    with another id has the length it turns out to have when the bus falls silent or the next break comes. A break is
    taken to be of nominal length, so where it was longer ``start_ns`` is late by the difference. Stamps that may lag
    behind the wire (USB adapters) need ``latency_ns``, by which every deadline is moved back.

    Checksums are classic for the diagnostic ids and enhanced for all others; frames of LIN 1.x slaves (classic
    everywhere) come out as CHECKSUM faults.
    """

    def __init__(self, lengths: Mapping[int, int], bit_rate: int, latency_ns: int = 0) -> None:
        known = {**lengths, MASTER_REQUEST: MAX_LENGTH, SLAVE_RESPONSE: MAX_LENGTH}
        self._bit_rate = bit_rate
        self._break_ns = bits_ns(BREAK_BITS, bit_rate)
        self._bytes_ns = tuple(bits_ns(BYTE_BITS * n, bit_rate) for n in range(MAX_LENGTH + 4))
        self._header_late_ns = header_max_ns(bit_rate) + latency_ns + 1
        self._surplus_late_ns = response_max_ns(bit_rate, MAX_LENGTH) + latency_ns + 1
        self._expected: dict[int, _Expected] = {}
        for frame_id in FRAME_IDS:
            pid = protected_id(frame_id)
            seed = pid if checksum_model(frame_id) is ChecksumModel.ENHANCED else 0
            late_ns = response_max_ns(bit_rate, known.get(frame_id, MAX_LENGTH)) + latency_ns + 1
            self._expected[pid] = _Expected(frame_id, known.get(frame_id), seed, late_ns)
        self.reset()

    def reset(self) -> None:
        """Forget what was begun; wait for a break."""
        self._state = _State.OUTSIDE
        self._heard = bytearray()
        self._framing = False
        self._start_ns = 0
        self._end_ns = 0
        self._deadline_ns: int | None = None
        self._frame: _Expected | None = None

    @property
    def deadline_ns(self) -> int | None:
        """When to call ``expire``: the first instant at which what was begun is too late. None: nothing was begun."""
        return self._deadline_ns

    def expire(self, now_ns: int) -> list[BusEvent]:
        """Events of what was begun and should have ended before ``now_ns``."""
        events: list[BusEvent] = []
        if self._deadline_ns is not None and now_ns >= self._deadline_ns:
            self._close(events)
        return events

    def feed(self, symbols: Sequence[int], end_ns: int) -> list[BusEvent]:
        """Events that these symbols complete. ``end_ns`` ends the last one, the earlier ones lie back to back."""
        events: list[BusEvent] = []
        if (
            self._whole_frame(symbols, end_ns, events)
            or self._whole_response(symbols, end_ns, events)
            or self._whole_header(symbols, end_ns, events)
        ):
            return events
        bits = 0
        ends = []
        for symbol in reversed(symbols):
            ends.append(end_ns - bits_ns(bits, self._bit_rate))
            bits += BREAK_BITS if symbol == BREAK else BYTE_BITS
        for symbol, end in zip(symbols, reversed(ends), strict=True):
            self._symbol(symbol, end, events)
        return events

    # The fast paths take only what the symbol-wise path would turn into the same events; all else is left to it.

    def _whole_frame(self, symbols: Sequence[int], end_ns: int, events: list[BusEvent]) -> bool:
        count = len(symbols)
        if count < 5 or symbols[0] != BREAK or symbols[1] != SYNC:
            return False
        frame = self._expected.get(symbols[2])
        if frame is None or frame.length is None or count != frame.length + 4:
            return False
        body = symbols[3:]
        if max(body) > 0xFF:
            return False
        payload = frame.payload(bytes(body))
        if payload is None:
            return False
        self._close(events)
        start_ns = end_ns - self._bytes_ns[count - 1] - self._break_ns
        events.append(FrameReceived(frame.frame_id, payload, start_ns, end_ns))
        return True

    def _whole_response(self, symbols: Sequence[int], end_ns: int, events: list[BusEvent]) -> bool:
        frame = self._frame
        if frame is None or frame.length is None or len(self._heard) != 1 or len(symbols) != frame.length + 1:
            return False
        if max(symbols) > 0xFF or (self._deadline_ns is not None and end_ns >= self._deadline_ns):
            return False
        payload = frame.payload(bytes(symbols))
        if payload is None:
            return False
        events.append(FrameReceived(frame.frame_id, payload, self._start_ns, end_ns))
        self.reset()
        return True

    def _whole_header(self, symbols: Sequence[int], end_ns: int, events: list[BusEvent]) -> bool:
        if len(symbols) != 3 or symbols[0] != BREAK or symbols[1] != SYNC:
            return False
        frame = self._expected.get(symbols[2])
        if frame is None:
            return False
        self._close(events)
        self._start_ns = end_ns - self._bytes_ns[2] - self._break_ns
        self._expect(frame, symbols[2], end_ns)
        return True

    def _symbol(self, symbol: int, end_ns: int, events: list[BusEvent]) -> None:
        if symbol == BREAK:
            self._close(events)
            self._state = _State.HEADER
            self._start_ns, self._end_ns = end_ns - self._break_ns, end_ns
            self._deadline_ns = self._start_ns + self._header_late_ns
            return
        if self._deadline_ns is not None and end_ns >= self._deadline_ns:
            self._close(events)
        if not self._heard and self._state is _State.OUTSIDE:
            self._start_ns = end_ns - self._bytes_ns[1]
            self._deadline_ns = end_ns + self._surplus_late_ns
        self._heard.append(symbol & 0xFF)
        self._framing |= bool(symbol & BAD_STOP)
        self._end_ns = end_ns
        if self._state is _State.HEADER and len(self._heard) == 2:
            self._header(events)
        elif self._frame is not None and len(self._heard) == (self._frame.length or MAX_LENGTH) + 2:
            self._close(events)

    def _header(self, events: list[BusEvent]) -> None:
        sync, pid = self._heard
        frame = self._expected.get(pid)
        if frame is None or sync != SYNC or self._framing:
            self._close(events)
        else:
            self._expect(frame, pid, self._end_ns)

    def _expect(self, frame: _Expected, pid: int, end_ns: int) -> None:
        """Wait for the response to a good header that ended at ``end_ns``."""
        self._state = _State.RESPONSE
        self._frame = frame
        self._heard = bytearray((pid,))
        self._end_ns = end_ns
        self._deadline_ns = end_ns + frame.late_ns

    def _close(self, events: list[BusEvent]) -> None:
        """End what was begun, if anything was, and hand out what it is."""
        if self._deadline_ns is not None:
            events.append(self._response() if self._frame is not None else self._fault(self._kind(), None))
            self.reset()

    def _kind(self) -> FaultKind:
        """What is wrong with what was heard outside a response."""
        if self._state is _State.OUTSIDE:
            return FaultKind.SURPLUS
        if self._framing:
            return FaultKind.FRAMING
        if len(self._heard) < 2:
            return FaultKind.HEADER
        return FaultKind.SYNC if self._heard[0] != SYNC else FaultKind.PARITY

    def _response(self) -> BusEvent:
        assert self._frame is not None
        frame, body = self._frame, bytes(self._heard[1:])
        if not body:
            return NoResponse(frame.frame_id, self._start_ns, self._end_ns)
        if self._framing:
            return self._fault(FaultKind.FRAMING, frame.frame_id)
        if len(body) < (2 if frame.length is None else frame.length + 1):
            return self._fault(FaultKind.SHORT, frame.frame_id)
        payload = frame.payload(body)
        if payload is None:
            return self._fault(FaultKind.CHECKSUM, frame.frame_id)
        return FrameReceived(frame.frame_id, payload, self._start_ns, self._end_ns)

    def _fault(self, kind: FaultKind, frame_id: int | None) -> WireFault:
        return WireFault(kind, frame_id, bytes(self._heard), self._start_ns, self._end_ns)
