"""A LIN master's port on a serial line: a UART with a LIN transceiver, or a served line, through pyserial.

The transceiver ties both directions to one wire, so all that is sent comes back, the break as a 0x00 (some drivers
swallow it). The port finds its own header in what comes back and puts the break in its place.

One plain thread. Waiting sleeps to 1 ms before the instant and then spins, but wakes for bytes all the while.
"""

from __future__ import annotations

import contextlib
import errno
import select
from collections import deque
from collections.abc import Iterator, Sequence
from typing import Literal

import serial

from harness.bus.port import WAKE_BYTE, Capabilities, PortError, runs
from harness.clock import MS, Clock, S
from protocol.decoder import BREAK, BusEvent, Decoder
from protocol.device import NodeDescription
from protocol.frame import BYTE_BITS, SYNC, bits_ns, checksum, header_max_ns, protected_id

BreakBy = Literal["break_condition", "slow_bit_rate"]
"""How a break is made: by the UART's break state, or by a 0x00 at half the bit rate."""

if "harness.bus.urls" not in serial.protocol_handler_packages:
    serial.protocol_handler_packages.append("harness.bus.urls")

_BREAK_BITS = 13  # dominant, at least: LIN 2.1 §2.3.1.1
_DELIMITER_BITS = 1  # recessive, at least: the same clause
_SLOW_BYTE_BITS = 20  # a byte field at half the rate, in bit times: 18 dominant, 2 of its stop bit are the delimiter
_SWITCH_BACK_NS = 300_000  # a pty's reader must find the 0x00 while the rate is still low: 0.2 ms measured
_QUICK_NS = 5 * MS  # a driver in low-latency mode, with room for scheduling
_SLOW_NS = 25 * MS  # a USB adapter's usual latency timer of 16 ms, with room; served lines on a busy machine too
_SPIN_NS = MS
_NAP_NS = 20 * MS  # the longest wait without a look at the clock, which is where signs of life come from
_WRITE_S = 1.0  # a driver that takes no byte for so long is dead

_TROUBLE: tuple[type[Exception], ...] = (OSError, ValueError)
try:
    import termios
except ImportError:  # no such thing on this platform
    pass
else:
    _TROUBLE = (*_TROUBLE, termios.error)  # pyserial lets some of them through; they are no OSError

_ADVICE: dict[int | None, str] = {
    errno.ENOENT: "there is no such port: plug the adapter in; 'breakerbench ports' lists what is there",
    errno.ENXIO: "the port exists but no device is behind it: plug the adapter in again",
    errno.ENODEV: "the port exists but no device is behind it: plug the adapter in again",
    errno.EACCES: "permission denied: join the group that owns the port, log in again",
    errno.EPERM: "permission denied: join the group that owns the port, log in again",
    errno.EBUSY: "somebody else has the port: close that program",
    errno.EAGAIN: "somebody else has the port: close that program",
    errno.ECONNREFUSED: "nobody listens there: start 'breakerbench serve' first",
    errno.EPROTO: "what listens there serves no LIN line: look at the port number",
}


class SerialPort:
    """A LIN master's port on serial port or pyserial URL ``name`` (``linwire://...`` is a served line)."""

    def __init__(self, name: str, node: NodeDescription, clock: Clock, break_by: BreakBy = "break_condition") -> None:
        """Open the port for this process alone. Raises PortError: missing, denied, taken, not a port."""
        self._name = name
        self._clock = clock
        self._bit_rate = node.bit_rate
        self._break_by = break_by
        self._serial = _open(name, node.bit_rate)
        quick = _low_latency(self._serial)
        self.capabilities = Capabilities(
            break_bits=None,
            any_bit_rate=False,
            abort_mid_frame=False,
            bit_errors=False,
            wake_pulse=True,
            latency_ns=_QUICK_NS if quick else _SLOW_NS,
            raw_symbols=True,
        )
        lengths = {layout.frame_id: layout.length for layout in node.frames.values()}
        self._decoder = Decoder(lengths, node.bit_rate, self.capabilities.latency_ns)
        self._echo = _Echo(header_max_ns(node.bit_rate) + self.capabilities.latency_ns)
        self._free_ns = 0
        self._heard: deque[BusEvent] = deque()

    def header(self, frame_id: int) -> None:
        """See BusPort. Returns when the driver has all of it: at most two byte times before the header ends."""
        self._frame(bytes((SYNC, protected_id(frame_id))))

    def respond(self, frame_id: int, payload: bytes) -> None:
        """See BusPort."""
        self._frame(bytes((SYNC, protected_id(frame_id), *payload, checksum(frame_id, payload))))

    def send(self, symbols: Sequence[int]) -> None:
        """See BusPort."""
        for run in runs(symbols):
            if run[0] == BREAK:
                self._frame(bytes(run[1:]))
            else:
                self._bytes(bytes(run))

    def wake(self) -> None:
        """See BusPort."""
        self._bytes(bytes((WAKE_BYTE,)))

    def events(self, until_ns: int) -> Iterator[BusEvent]:
        """See BusPort."""
        while True:
            while self._heard:
                yield self._heard.popleft()
            now = self._clock.now_ns()
            chunk = self._read()
            if chunk:
                self._heard.extend(self._decoder.feed(self._echo.symbols(chunk), now))
                continue
            self._heard.extend(self._decoder.expire(now))
            if self._heard:
                continue
            if now >= until_ns:
                return
            deadline = self._decoder.deadline_ns
            self._wait(until_ns if deadline is None else min(until_ns, deadline))

    def close(self) -> None:
        """See BusPort."""
        with contextlib.suppress(*_TROUBLE):  # a lost adapter cannot be closed properly, and need not be
            self._serial.close()

    def _frame(self, content: bytes) -> None:
        """Send a break and ``content``."""
        self._require_open()
        try:
            self._clock.sleep_until(self._free_ns)  # a break would cut off what is still being sent
            self._break()
            self._echo.expect(content[:2], self._clock.now_ns())
        except _TROUBLE as error:
            raise self._lost(error) from error
        self._bytes(content)

    def _bytes(self, content: bytes) -> None:
        self._require_open()
        try:
            now = self._clock.now_ns()
            self._serial.write(content)
            self._free_ns = max(now, self._free_ns) + bits_ns(BYTE_BITS * len(content), self._bit_rate)
        except _TROUBLE as error:
            raise self._lost(error) from error

    def _break(self) -> None:
        start = self._clock.now_ns()
        if self._break_by == "break_condition":
            self._serial.break_condition = True
            self._clock.sleep_until(start + bits_ns(_BREAK_BITS, self._bit_rate))
            self._serial.break_condition = False
            self._clock.sleep_until(self._clock.now_ns() + bits_ns(_DELIMITER_BITS, self._bit_rate))
        else:
            self._serial.baudrate = self._bit_rate // 2
            self._serial.write(b"\0")
            # Not flush(): it does not wait on every driver. What counts is that the byte is out at the low rate.
            self._clock.sleep_until(start + bits_ns(_SLOW_BYTE_BITS, self._bit_rate) + _SWITCH_BACK_NS)
            self._serial.baudrate = self._bit_rate

    def _require_open(self) -> None:
        if not self._serial.is_open:
            raise PortError(f"{self._name}: the port was closed or lost")

    def _read(self) -> bytes:
        self._require_open()
        try:
            waiting = self._serial.in_waiting
            return self._serial.read(waiting) if waiting else b""
        except _TROUBLE as error:
            raise self._lost(error) from error

    def _wait(self, until_ns: int) -> None:
        """Return when bytes are there, near ``until_ns``, or soon; the last millisecond is for the caller to spin."""
        rest = until_ns - self._clock.now_ns() - _SPIN_NS
        if rest <= 0:
            return
        try:
            select.select([self._serial], [], [], min(rest, _NAP_NS) / S)
        except _TROUBLE as error:
            raise self._lost(error) from error

    def _lost(self, error: Exception) -> PortError:
        self.close()
        return PortError(
            f"{self._name}: lost while in use ({_text(error)}): see to the adapter or the serving process, run again"
        )


class _Echo:
    """Finds the port's own headers in what comes back, and puts a break where each began.

    Pure: bytes in, symbols out. What lies before a header belongs to an earlier frame. A header that does not come back
    as it was sent (bus stuck, somebody else talks) is given up when a later one does, or after a while.
    """

    def __init__(self, patience_ns: int) -> None:
        self._patience_ns = patience_ns
        self._headers: deque[tuple[bytes, int]] = deque()  # what follows a break and is to come back; since when
        self._held = b""  # the tail of what came, where it may be the beginning of a header

    def expect(self, header: bytes, now_ns: int) -> None:
        """A break and ``header`` are about to be sent; a break alone cannot be told from a byte."""
        while self._headers and self._headers[0][1] < now_ns - self._patience_ns:
            self._headers.popleft()
        if header:
            self._headers.append((header, now_ns))

    def symbols(self, chunk: bytes) -> list[int]:
        """The symbols of the next bytes that came."""
        came, found = self._held + chunk, []
        while (place := self._find(came)) is not None:
            at, index = place
            end = at + len(self._headers[index][0])
            found += [*(came[: at - 1] if at and came[at - 1] == 0 else came[:at]), BREAK, *came[at:end]]
            came = came[end:]
            for _ in range(index + 1):
                self._headers.popleft()
        end = len(came) - self._beginning(came)
        self._held = came[end:]
        return [*found, *came[:end]]

    def _find(self, came: bytes) -> tuple[int, int] | None:
        """Where the next own header lies, and which of the expected ones it is; None: none is there whole."""
        places = ((came.find(header), index) for index, (header, _) in enumerate(self._headers))
        return min((place for place in places if place[0] >= 0), default=None)

    def _beginning(self, came: bytes) -> int:
        """How many bytes at the end may be the beginning of a header."""
        wholes = [whole for header, _ in self._headers for whole in (b"\0" + header, header)]
        beginnings = (whole[:size] for whole in wholes for size in range(1, len(whole)))
        return max((len(beginning) for beginning in beginnings if came.endswith(beginning)), default=0)


def _open(name: str, bit_rate: int) -> serial.Serial:
    try:
        return serial.serial_for_url(name, bit_rate, timeout=0, write_timeout=_WRITE_S, exclusive=True)
    except (OSError, ValueError) as error:
        code = error.errno if isinstance(error, OSError) else None
        advice = _ADVICE.get(code, "the port cannot be used")
        raise PortError(f"{name}: {advice} ({_text(error)})") from error


def _low_latency(port: serial.Serial) -> bool:
    """Ask the driver to hand bytes on at once; False where it cannot (served lines, pty, some adapters)."""
    try:
        port.set_low_latency_mode(True)
    except (AttributeError, NotImplementedError, OSError, ValueError):
        return False
    return True


def _text(error: Exception) -> str:
    return getattr(error, "strerror", None) or str(error)
