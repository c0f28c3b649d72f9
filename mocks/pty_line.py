"""The wire behind a pseudo-terminal: a port that any serial program opens by its name.

A pseudo-terminal shows its other side no break state at all, so a master must make its breaks with a slow 0x00: the
bit rate can be seen (both sides share the terminal's settings), and a 0x00 that is read while it is low is a break.
Where the reader comes too late to see the low rate, a 0x00 that a sync byte follows is taken for one, unless it lies
inside a frame that the master sends: those have a known length.

Only bytes and bit rate are seen, of a bit rate only what stands at the moment of reading. POSIX only.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import struct
import sys
import termios
import tty
from collections.abc import Callable, Mapping
from pathlib import Path

from mocks.uart import Uart
from protocol.frame import SYNC

_TCGETS2 = 0x802C542A  # Linux on x86 and ARM; termios.tcgetattr knows no rate that is not in its list
_TERMIOS2 = struct.Struct("4IB19B2I")
_CHUNK = 4096


class PtyLine:
    """A pseudo-terminal whose bytes go through a Uart; ``device`` is the name of the side to open."""

    def __init__(
        self, bit_rate: int, lengths: Mapping[int, int], uart: Callable[[Callable[[bytes], None]], Uart]
    ) -> None:
        """``lengths`` says how many bytes a master sends after each protected identifier, where it does.

        ``uart`` makes a transceiver that delivers to what it is given. Raises OSError.
        """
        self._bit_rate = bit_rate
        self._lengths = lengths
        # The far side stays open here as well: without that the last client's leaving would be an error to read.
        self._near, self._far = os.openpty()
        tty.setraw(self._far)  # before the first byte, which it would echo
        os.set_blocking(self._near, False)
        self.device = os.ttyname(self._far)
        self._held = b""  # what may be the beginning of a header
        self._left = 0  # bytes to come of a frame that the master sends
        self._uart = uart(self._deliver)

    def fileno(self) -> int:
        """For select: readable when a client has written."""
        return self._near

    def ready(self) -> None:
        """Take in what a client has written."""
        before = self._rate()
        try:
            chunk = os.read(self._near, _CHUNK)
        except BlockingIOError:
            return
        self._take(chunk, before, self._rate())

    def close(self) -> None:
        """Take the terminal away; a client finds its port lost. A second call does nothing."""
        for descriptor in (self._near, self._far):
            if descriptor >= 0:
                os.close(descriptor)
        self._near = self._far = -1

    def _take(self, chunk: bytes, before: int, after: int) -> None:
        if self._bit_rate not in (before, after):
            self._held, self._left = b"", 0
            self._uart.send(chunk, after)
            return
        if self._uart.quiet:
            self._left = 0  # whatever was begun has been given up
        if min(before, after) < self._bit_rate and chunk[:1] == b"\0" and not self._left:
            self._uart.send_break()
            chunk = chunk[1:]
        rest = self._held + chunk
        while rest and (size := self._next_run(rest)):
            rest = rest[size:]
        self._held = rest

    def _next_run(self, content: bytes) -> int:
        """Send what begins ``content`` and belongs together; its size, 0 where a header is not whole yet."""
        if self._left:
            size = min(self._left, len(content))
            self._left -= size
            self._uart.send(content[:size], self._bit_rate)
            return size
        start = int(content[0] == 0)
        if content[start : start + 1] not in (b"", bytes((SYNC,))):
            self._uart.send(content[:1], self._bit_rate)
            return 1
        if len(content) < start + 2:
            return 0
        if start:
            self._uart.send_break()
        self._left = self._lengths.get(content[start + 1], 0)
        self._uart.send(content[start : start + 2], self._bit_rate)
        return start + 2

    def _rate(self) -> int:
        if not sys.platform.startswith("linux"):
            return int(termios.tcgetattr(self._near)[5])  # the rate itself, on systems of the BSD line
        settings = fcntl.ioctl(self._near, _TCGETS2, bytes(_TERMIOS2.size))
        return int(_TERMIOS2.unpack(settings)[-1])

    def _deliver(self, content: bytes) -> None:
        with contextlib.suppress(BlockingIOError):  # nobody reads; a client empties the buffer when it opens the port
            os.write(self._near, content)


def make_link(link: Path, device: str) -> None:
    """Let ``link`` be a symbolic link to ``device``, in the place of another link.

    Raises FileExistsError where something stands there that is no link, OSError where none can be made.
    """
    if os.path.lexists(link) and not link.is_symlink():
        raise FileExistsError(f"{link} is there already and is no symbolic link: give another --pty-link")
    fresh = link.with_name(f".{link.name}.{os.getpid()}")
    fresh.symlink_to(device)
    fresh.replace(link)


def remove_link(link: Path, device: str) -> None:
    """Remove ``link`` where it still leads to ``device``."""
    if link.is_symlink() and os.readlink(link) == device:
        link.unlink()
