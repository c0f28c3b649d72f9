"""SCPI text over PyVISA: sockets, serial lines, USB and GPIB instruments, whatever the resource name says.

PyVISA is imported when the first link is opened. What its pure-Python backend does on its own is kept from the caller:
a refused port opens without a word, a lost peer looks like a timeout, and a late answer would be the next query's.
So the identity is asked on every open, and after any trouble the session is closed; the next call opens a new one.
An answer has one deadline over all of it: the backend's own begins anew with every byte that comes, so sockets are read
here.
"""

from __future__ import annotations

import contextlib
import select
import socket
import time
from collections.abc import Callable
from functools import cache
from typing import TYPE_CHECKING, TypeVar

from serial import Serial

from harness.bench.instrument import InstrumentError

if TYPE_CHECKING:
    from pyvisa import ResourceManager
    from pyvisa.resources import MessageBasedResource

T = TypeVar("T")

_TIMEOUT_MS = 2_000
_BLOCK_TIMEOUT_MS = 20_000  # until a recorder has made up a million samples
_LEAST_RATE = 100_000  # bytes/s of a block over a socket
_LEAST_RATE_ELSEWHERE = 10_000  # a serial line at 115 200 bit/s
_CHUNK = 1 << 16
_LONGEST_LINE = 1 << 16  # a list of 1000 values reads back in 16 kB
_NAP_MS = 20
_ENDLESS = f"a line of more than {_LONGEST_LINE} bytes"
_MOST_WAITS = 5  # timeouts that a line is given to fall quiet
_SHOWN = 80  # bytes of what nobody asked for
_TERMINATION = "\n"  # IEEE 488.2 §7.5, §8.5
_END = _TERMINATION.encode()


class VisaLink:
    """A text channel to VISA resource ``resource``; see harness.bench.instrument.Link.

    ``identity`` is the answer to *IDN? at the last open. Raises InstrumentError: unreachable, silent, taken.
    """

    def __init__(self, resource: str, timeout_ms: int = _TIMEOUT_MS, beat: Callable[[], object] = lambda: None) -> None:
        """``beat`` is called with each answer, and between the pieces of a block, which may take seconds. Nothing else
        beats: who hangs on an instrument that is silent is to be taken for one that hangs."""
        self._beat = beat
        self._resource = resource
        self._timeout_ms = timeout_ms
        self._session: MessageBasedResource | None = None
        self._closed = False
        self._unasked = b""  # what came behind an answer
        self.identity = ""
        self._open()

    def write(self, text: str) -> None:
        """See Link."""
        self._guarded(text, lambda session: session.write(text))

    def query(self, text: str) -> str:
        """See Link. The whole line has to be there within the timeout."""
        answer = self._guarded(text, lambda session: self._line(session, text))
        self._beat()  # who gets answers does not hang, however many are asked for in a row
        return answer

    def query_block(self, text: str, most: int) -> bytes:
        """See Link. A block has 20 s, and what its length takes at the least rate; a longer one is refused."""

        def read(session: MessageBasedResource) -> bytes:
            session.timeout = max(self._timeout_ms, _BLOCK_TIMEOUT_MS)
            try:
                session.write(text)
                with session.read_termination_context(""):  # else each line feed in it ends a read: 5 s for 4 MB
                    answer = _Answer(session, max(self._timeout_ms, _BLOCK_TIMEOUT_MS) / 1000)
                    self._await(session)
                    block = _read_block(answer, most, self._beat)
                    self._unasked = answer.rest
                    return block
            finally:
                session.timeout = self._timeout_ms

        return self._guarded(text, read)

    def close(self) -> None:
        """See Link."""
        self._closed = True
        self._drop()

    def _open(self) -> None:
        from pyvisa.resources import MessageBasedResource

        try:
            session = _manager().open_resource(
                self._resource,
                read_termination=_TERMINATION,
                write_termination=_TERMINATION,
                timeout=self._timeout_ms,
            )
        except Exception as error:  # the backends raise bare Exception and ValueError for what they cannot open
            raise InstrumentError(f"{self._resource}: cannot be opened ({error}): look at the resource name") from error
        if not isinstance(session, MessageBasedResource):
            session.close()
            raise InstrumentError(f"{self._resource}: takes no text messages: look at the resource name")
        self._session = session
        self._try("*IDN?", self._prepared, begun=False)
        identity = self._try("*IDN?", lambda opened: self._line(opened, "*IDN?"))
        if identity.count(",") != 3:  # IEEE 488.2 §10.14: manufacturer, model, serial number, firmware level
            self._drop()
            raise InstrumentError(
                f"{self._resource}: says {identity!r} where it was asked for its identity; "
                "want an instrument that nobody else uses and that knows IEEE 488.2"
            )
        if self.identity not in ("", identity):
            self._drop()
            raise InstrumentError(
                f"{self._resource}: was {self.identity!r} and is now {identity!r}: somebody changed the instrument"
            )
        self.identity = identity

    def _guarded(self, text: str, talk: Callable[[MessageBasedResource], T]) -> T:
        if self._closed:
            raise InstrumentError(f"{self._resource}: the link is closed")
        if self._session is None:
            self._open()
        return self._try(text, talk)

    def _prepared(self, session: MessageBasedResource) -> None:
        """A socket sends at once, and one that opens anew on a serial line is not told what the line still brings."""
        _no_delay(session)
        if self.identity:
            _quiet(session, self._timeout_ms / 1000)

    def _try(self, text: str, talk: Callable[[MessageBasedResource], T], begun: bool = True) -> T:
        from pyvisa.errors import Error

        assert self._session is not None
        try:
            if begun and (unasked := self._unasked[:_SHOWN] or _unread(self._session)):
                raise ValueError(f"it says {unasked!r}, which nobody asked for and would be taken for the answer")
            return talk(self._session)
        except (Error, OSError, ValueError) as error:
            self._drop()
            raise InstrumentError(
                f"{self._resource}: no answer to {text!r} ({error}): see that it is on, connected and free"
            ) from error
        except BaseException:  # an interruption between question and answer: the answer must not meet the next question
            self._drop()
            raise

    def _line(self, session: MessageBasedResource, text: str) -> str:
        session.write(text)
        answer = _Answer(session, self._timeout_ms / 1000)
        line = answer.line()
        self._unasked = answer.rest
        return line.decode("ascii")

    def _await(self, session: MessageBasedResource) -> None:
        """Beat while a recorder makes up its mind, as long as any answer may take; not known of all interfaces."""
        interface = _socket(session)
        if interface is None:
            return
        for _ in range(self._timeout_ms // _NAP_MS):
            self._beat()
            if select.select([interface], [], [], _NAP_MS / 1000)[0]:
                break

    def _drop(self) -> None:
        session, self._session, self._unasked = self._session, None, b""
        if session is not None:
            with contextlib.suppress(Exception):  # whatever a dead session says when it is closed
                session.close()


@cache
def _manager() -> ResourceManager:
    from pyvisa import ResourceManager

    return ResourceManager("@py")


class _Answer:
    """One answer as it comes. Raises TimeoutError where it is not whole by its deadline, however much there is of it.

    What came behind its end is ``rest``.
    """

    def __init__(self, session: MessageBasedResource, seconds: float) -> None:
        self._session = session
        self._interface = _socket(session)
        self._allowed = seconds
        self._begun = time.monotonic()
        self._held = bytearray()

    @property
    def rest(self) -> bytes:
        """What was read and not taken."""
        return bytes(self._held)

    def expect(self, count: int) -> None:
        """Put the deadline off by what so many bytes may take."""
        self._allowed += count / (_LEAST_RATE_ELSEWHERE if self._interface is None else _LEAST_RATE)

    def line(self) -> bytes:
        """What there is up to a line feed, without that."""
        if self._interface is None:
            line = self._session.read_bytes(_LONGEST_LINE, chunk_size=_LONGEST_LINE, break_on_termchar=True)
            self._left()
            if len(line) >= _LONGEST_LINE:
                raise ValueError(_ENDLESS)
            return line.removesuffix(_END)
        seen = 0
        while (end := self._held.find(_END, seen)) < 0:
            if (seen := len(self._held)) > _LONGEST_LINE:
                raise ValueError(_ENDLESS)
            self._more(_CHUNK)
        line = bytes(self._held[:end])
        del self._held[: end + 1]
        return line

    def take(self, count: int, beat: Callable[[], object] = lambda: None) -> bytes:
        """The next ``count`` bytes; ``beat`` is called between their pieces."""
        while len(self._held) < count:
            beat()
            self._more(count - len(self._held))
        taken = bytes(self._held[:count])
        del self._held[:count]
        return taken

    def _left(self) -> float:
        """Seconds to the deadline."""
        if (left := self._begun + self._allowed - time.monotonic()) <= 0:
            raise TimeoutError(f"it is not whole after {self._allowed:g} s")
        return left

    def _more(self, count: int) -> None:
        left = self._left()
        if self._interface is None:
            self._session.timeout = max(1, round(left * 1000))
            self._held += self._session.read_bytes(min(_CHUNK, count), chunk_size=_CHUNK)
            return
        if not select.select([self._interface], [], [], left)[0]:
            self._left()
            return
        piece = self._interface.recv(_CHUNK, socket.MSG_DONTWAIT)
        if not piece:
            raise OSError("the other end has closed the connection")
        self._held += piece


def _read_block(answer: _Answer, most: int, beat: Callable[[], object]) -> bytes:
    """Payload of a definite-length block, IEEE 488.2 §8.7.9: '#', number of digits, length, payload, line feed."""
    head = answer.take(2)
    if head[:1] != b"#" or not b"1" <= head[1:] <= b"9":
        raise ValueError(f"it begins with {head!r}, and is no definite-length block")
    digits = answer.take(int(head[1:]))
    if not digits.isdigit():
        raise ValueError(f"its length is given as {digits!r}")
    if (length := int(digits)) > most:
        raise ValueError(f"a block of {length} bytes where {most} were asked for at most")
    answer.expect(length)
    block = answer.take(length + len(_END), beat)
    if not block.endswith(_END):
        raise ValueError(f"a block of {length} bytes goes on after its end")
    return block.removesuffix(_END)


def _no_delay(session: MessageBasedResource) -> None:
    """Send each message at once: a write followed by a query would else wait 40 ms for the delayed acknowledge.

    The pure-Python backend refuses the VISA attribute for it (VI_ATTR_TCPIP_NODELAY), so the socket is set itself.
    """
    interface = _socket(session)
    if interface is not None:
        interface.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)


def _quiet(session: MessageBasedResource, seconds: float) -> None:
    """Throw away what a serial line brings until it has been quiet for ``seconds``, its timeout.

    A socket has a connection of its own after each failure, and its late rest goes to the old one; a line has not.
    Raises TimeoutError where it does not fall quiet.
    """
    line = _interface(session)
    if not isinstance(line, Serial):
        return
    give_up = time.monotonic() + _MOST_WAITS * seconds
    while line.read(1):
        line.reset_input_buffer()
        if time.monotonic() > give_up:
            raise TimeoutError(f"it goes on talking for {_MOST_WAITS * seconds:g} s")


def _unread(session: MessageBasedResource) -> bytes:
    """What lies there before anything is asked, its beginning; not known of all interfaces."""
    interface = _interface(session)
    if isinstance(interface, Serial):
        return bytes(interface.read(min(interface.in_waiting, _SHOWN)))
    if not isinstance(interface, socket.socket):
        return b""
    if not select.select([interface], [], [], 0)[0]:
        return b""
    if not (found := interface.recv(_SHOWN, socket.MSG_PEEK | socket.MSG_DONTWAIT)):
        raise OSError("the other end has closed the connection")
    return found


def _socket(session: MessageBasedResource) -> socket.socket | None:
    """The socket under a session of the pure-Python backend; None where there is none."""
    interface = _interface(session)
    return interface if isinstance(interface, socket.socket) else None


def _interface(session: MessageBasedResource) -> object:
    """What is under a session of the pure-Python backend."""
    parts = getattr(session.visalib, "sessions", {}).get(session.session)
    return getattr(parts, "interface", None)
