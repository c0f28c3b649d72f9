"""One master's transceiver on the wire: bytes at a bit rate on one side, symbols at their instants on the other.

Bytes are stamped when they arrive and then take their time on the wire, one after the other, as out of a shift
register; what the wire carries, own bytes included, comes back as the bytes that a UART reads.

Not modelled: gaps inside a header, which would be the host's scheduling and no property of the line (a header's break
waits for its two bytes, and all three lie back to back); the break's length; bytes lost where the host is too slow.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from mocks.clock import EventClock
from mocks.wire import Wire
from protocol.decoder import BAD_STOP, BREAK
from protocol.frame import BYTE_BITS, bits_ns

_BREAK_SEEN_BITS = 11  # a receiver takes this long a dominant level for a break: LIN 2.1 §2.3.1.1
_ZERO_BITS = 9  # dominant bits of a 0x00 with its start bit
_RATE_TOLERANCE = 50  # 1/50: what a receiver stands after synchronisation, LIN 2.1 §6.3
_HEADER_SYMBOLS = 3
_PATIENCE_NS = 20_000_000  # a break whose header has not come by then goes on the wire alone


class Uart:
    """A transceiver on ``wire``; ``deliver`` is called with the bytes that it reads."""

    def __init__(self, wire: Wire, clock: EventClock, bit_rate: int, deliver: Callable[[bytes], None]) -> None:
        self._wire = wire
        self._clock = clock
        self._bit_rate = bit_rate
        self._deliver = deliver
        self._queue: list[int] = []
        self._free_ns = 0
        self._waiting = 0  # counts the times that the queue waited for the rest of a header
        wire.listen(self._hear)

    @property
    def quiet(self) -> bool:
        """Nothing waits for the wire, and for a byte time nothing has been on it."""
        return not self._queue and self._clock.now_ns() > self._free_ns + bits_ns(BYTE_BITS, self._bit_rate)

    def send(self, content: bytes, bit_rate: int) -> None:
        """Send bytes at ``bit_rate``; at a rate other than the wire's they arrive as breaks and broken bytes."""
        self._queue += [self._symbol(byte, bit_rate) for byte in content]
        self._flush()

    def send_break(self) -> None:
        """A break has just ended."""
        self._queue.append(BREAK)
        self._flush()

    def hang_up(self) -> None:
        """Forget what is not on the wire yet: the master is gone."""
        self._queue.clear()

    def _symbol(self, byte: int, bit_rate: int) -> int:
        if abs(bit_rate - self._bit_rate) * _RATE_TOLERANCE <= self._bit_rate:
            return byte
        if byte == 0 and _ZERO_BITS * self._bit_rate >= _BREAK_SEEN_BITS * bit_rate:
            return BREAK
        return byte | BAD_STOP

    def _flush(self) -> None:
        while self._queue:
            size = self._next_run()
            if not size:
                self._wait()
                return
            self._carry(size)

    def _wait(self) -> None:
        self._waiting += 1
        number = self._waiting
        self._clock.at(self._clock.now_ns() + _PATIENCE_NS, lambda: self._give_up(number))

    def _next_run(self) -> int:
        """How many symbols go on the wire together; 0: the rest of a header is to come."""
        end = self._queue.index(BREAK, 1) if BREAK in self._queue[1:] else len(self._queue)
        if self._queue[0] != BREAK:
            return end
        return min(end, _HEADER_SYMBOLS) if end >= _HEADER_SYMBOLS or end < len(self._queue) else 0

    def _carry(self, size: int) -> None:
        run, self._queue = self._queue[:size], self._queue[size:]
        bits = BYTE_BITS * sum(symbol != BREAK for symbol in run)
        end_ns = max(self._clock.now_ns(), self._free_ns) + bits_ns(bits, self._bit_rate)
        self._free_ns = end_ns
        self._waiting += 1
        self._clock.at(end_ns, lambda: self._wire.carry(run, end_ns))

    def _give_up(self, number: int) -> None:
        if number == self._waiting and self._queue:
            self._carry(len(self._queue))

    def _hear(self, symbols: Sequence[int], end_ns: int) -> None:
        self._free_ns = max(self._free_ns, end_ns)
        self._deliver(bytes(0 if symbol == BREAK else symbol & 0xFF for symbol in symbols))
