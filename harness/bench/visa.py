"""SCPI text over PyVISA: sockets, serial lines, USB and GPIB instruments, whatever the resource name says.

PyVISA is imported when the first link is opened. What its pure-Python backend does on its own is kept from the caller:
a refused port opens without a word, a lost peer looks like a timeout, and a late answer would be the next query's.
So the identity is asked on every open, and after any trouble the session is closed; the next call opens a new one.
"""

from __future__ import annotations

import contextlib
import select
import socket
from collections.abc import Callable
from functools import cache
from typing import TYPE_CHECKING, TypeVar

from harness.bench.instrument import InstrumentError

if TYPE_CHECKING:
    from pyvisa import ResourceManager
    from pyvisa.resources import MessageBasedResource

T = TypeVar("T")

_TIMEOUT_MS = 2_000
_BLOCK_TIMEOUT_MS = 20_000  # a million samples over a slow link
_CHUNK = 1 << 16
_NAP_MS = 20
_SHOWN = 80  # bytes of what nobody asked for
_TERMINATION = "\n"  # IEEE 488.2 §7.5, §8.5


class VisaLink:
    """A text channel to VISA resource ``resource``; see harness.bench.instrument.Link.

    ``identity`` is the answer to *IDN? at the last open. Raises InstrumentError: unreachable, silent, taken.
    """

    def __init__(self, resource: str, timeout_ms: int = _TIMEOUT_MS, beat: Callable[[], object] = lambda: None) -> None:
        """``beat`` is called between the pieces of a block, which may take seconds. Nothing else beats: who hangs on an
        instrument that is silent is to be taken for one that hangs."""
        self._beat = beat
        self._resource = resource
        self._timeout_ms = timeout_ms
        self._session: MessageBasedResource | None = None
        self._closed = False
        self.identity = ""
        self._open()

    def write(self, text: str) -> None:
        """See Link."""
        self._guarded(text, lambda session: session.write(text))

    def query(self, text: str) -> str:
        """See Link."""
        return self._guarded(text, lambda session: session.query(text))

    def query_block(self, text: str) -> bytes:
        """See Link."""

        def read(session: MessageBasedResource) -> bytes:
            session.timeout = max(self._timeout_ms, _BLOCK_TIMEOUT_MS)
            try:
                session.write(text)
                with session.read_termination_context(""):  # else each line feed in it ends a read: 5 s for 4 MB
                    self._await(session)
                    return _read_block(session, self._beat)
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
        self._try("*IDN?", _no_delay)
        identity = self._try("*IDN?", lambda opened: opened.query("*IDN?"))
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

    def _try(self, text: str, talk: Callable[[MessageBasedResource], T]) -> T:
        from pyvisa.errors import Error

        assert self._session is not None
        try:
            if unasked := _unread(self._session):
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
        session, self._session = self._session, None
        if session is not None:
            with contextlib.suppress(Exception):  # whatever a dead session says when it is closed
                session.close()


@cache
def _manager() -> ResourceManager:
    from pyvisa import ResourceManager

    return ResourceManager("@py")


def _read_block(session: MessageBasedResource, beat: Callable[[], object]) -> bytes:
    """Payload of a definite-length block, IEEE 488.2 §8.7.9: '#', number of digits, length, payload, line feed."""
    head = session.read_bytes(2)
    if head[:1] != b"#" or not b"1" <= head[1:] <= b"9":
        raise ValueError(f"it begins with {head!r}, and is no definite-length block")
    length = int(session.read_bytes(int(head[1:])))
    block, whole = bytearray(), length + len(_TERMINATION)
    while len(block) < whole:
        beat()
        block += session.read_bytes(min(_CHUNK, whole - len(block)), chunk_size=_CHUNK)
    if not block.endswith(_TERMINATION.encode()):
        raise ValueError(f"a block of {length} bytes goes on after its end")
    return bytes(block[:-1])


def _no_delay(session: MessageBasedResource) -> None:
    """Send each message at once: a write followed by a query would else wait 40 ms for the delayed acknowledge.

    The pure-Python backend refuses the VISA attribute for it (VI_ATTR_TCPIP_NODELAY), so the socket is set itself.
    """
    interface = _socket(session)
    if interface is not None:
        interface.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)


def _unread(session: MessageBasedResource) -> bytes:
    """What lies there before anything is asked, its beginning; not known of all interfaces."""
    interface = _socket(session)
    if interface is None:
        return b""
    parts = session.visalib.sessions[session.session]  # type: ignore[attr-defined]
    if pending := bytes(getattr(parts, "_pending_buffer", b"")):
        return pending[:_SHOWN]
    if not select.select([interface], [], [], 0)[0]:
        return b""
    if not (found := interface.recv(_SHOWN, socket.MSG_PEEK | socket.MSG_DONTWAIT)):
        raise OSError("the other end has closed the connection")
    return found


def _socket(session: MessageBasedResource) -> socket.socket | None:
    """The socket under a session of the pure-Python backend; None where there is none."""
    parts = getattr(session.visalib, "sessions", {}).get(session.session)
    interface = getattr(parts, "interface", None)
    return interface if isinstance(interface, socket.socket) else None
