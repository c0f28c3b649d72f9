"""What a LIN master needs from a port, whatever carries it.

A port turns headers and responses into whatever its wire takes, and what it hears into the events of
protocol.decoder. Serial, CAN-style and simulated ports each own their coding; one contract suite runs over all.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Protocol

from protocol.decoder import BREAK, BusEvent


class PortError(Exception):
    """The port is missing, lost or cannot be used: the bench's fault, never the breaker's.

    Example scenarios: the adapter was unplugged; the serving process ended; no such file; permission denied.
    """


@dataclass(frozen=True)
class Capabilities:
    """What a port can do beyond plain frames. A case that needs what a port lacks is not-run, never approximated."""

    break_bits: tuple[int, int] | None  # least and most break length in bit times; None: fixed by the port
    any_bit_rate: bool
    abort_mid_frame: bool
    bit_errors: bool
    wake_pulse: bool
    latency_ns: int  # largest delay between the wire and ``events``
    raw_symbols: bool = False  # ``send``: breaks and bytes that make no good frame


WAKE_BYTE = 0x80
"""Its 8 dominant bits are a wake-up signal, 250 us to 5 ms (LIN 2.1 §2.6.2), from 1.6 to 20 kbit/s."""


class BusPort(Protocol):
    """A LIN master's port. All calls come from one thread; PortError from any of them means that the port is gone."""

    capabilities: Capabilities

    def header(self, frame_id: int) -> None:
        """Send break, sync and protected identifier, and leave the response to a slave. Returns when sent."""
        ...

    def respond(self, frame_id: int, payload: bytes) -> None:
        """Send header and response (payload and checksum) as the master. Returns when handed to the wire."""
        ...

    def send(self, symbols: Sequence[int]) -> None:
        """Send breaks (decoder.BREAK) and bytes as they are, back to back. Needs capability ``raw_symbols``.

        Raises ValueError for any other symbol. Returns when handed to the wire. A break that no byte follows may come
        back as a byte 0x00.
        """
        ...

    def wake(self) -> None:
        """Send a wake-up signal (LIN 2.1 §2.6.2). Needs capability ``wake_pulse``. Returns when handed to the wire."""
        ...

    def events(self, until_ns: int) -> Iterator[BusEvent]:
        """What the wire carried, in order, own frames included, until ``until_ns`` has come.

        A consumer that stops early loses nothing: the next call goes on where this one stopped.
        """
        ...

    def close(self) -> None:
        """Give the port back. A second call does nothing."""
        ...


def runs(symbols: Sequence[int]) -> list[list[int]]:
    """``symbols`` cut ahead of every break. Raises ValueError for a symbol that is neither a break nor a byte."""
    found: list[list[int]] = []
    for symbol in symbols:
        if symbol != BREAK and not 0 <= symbol <= 0xFF:
            raise ValueError(f"symbol {symbol:#x} is neither a break nor a byte")
        if symbol == BREAK or not found:
            found.append([])
        found[-1].append(symbol)
    return found
