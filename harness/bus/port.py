"""What a LIN master needs from a port, whatever carries it.

A port turns headers and responses into whatever its wire takes, and what it hears into the events of
protocol.decoder. Serial, CAN-style and simulated ports each own their coding; one contract suite runs over all.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Protocol

from protocol.decoder import BusEvent


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


class BusPort(Protocol):
    """A LIN master's port. All calls come from one thread; PortError from any of them means that the port is gone."""

    capabilities: Capabilities

    def header(self, frame_id: int) -> None:
        """Send break, sync and protected identifier, and leave the response to a slave. Returns when sent."""
        ...

    def respond(self, frame_id: int, payload: bytes) -> None:
        """Send header and response (payload and checksum) as the master. Returns when handed to the wire."""
        ...

    def events(self, until_ns: int) -> Iterator[BusEvent]:
        """What the wire carried, in order, own frames included, until ``until_ns`` has come.

        A consumer that stops early loses nothing: the next call goes on where this one stopped.
        """
        ...

    def close(self) -> None:
        """Give the port back. A second call does nothing."""
        ...
