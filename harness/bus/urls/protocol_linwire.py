"""pyserial URL handler ``linwire://HOST:PORT``: a served LIN line, with break and bit rate in band.

``serial.protocol_handler_packages.append("harness.bus.urls")`` makes serial.serial_for_url find it. It behaves as a
native port does where the two could differ for a LIN master: the peer's end shows as SerialException from read, write
or in_waiting; a second client is refused at open. Modem lines and flow control do nothing.
"""

from __future__ import annotations

import errno
import select
import socket
import urllib.parse
from typing import TYPE_CHECKING

from serial.serialutil import PortNotOpenError, SerialBase, SerialException, Timeout

from protocol import wirelink
from protocol.wirelink import Kind, LinkError, Message, Unpacker

if TYPE_CHECKING:
    from _typeshed import ReadableBuffer

_CONNECT_S = 5.0  # for the connect, and again for the server's first word
_CHUNK = 4096


class Serial(SerialBase):
    """The client's end of a served LIN line."""

    # What SerialBase keeps and its type stubs do not tell of.
    _port: str | None
    _baudrate: int
    _timeout: float | None
    _write_timeout: float | None
    _break_state: bool

    _socket: socket.socket | None = None

    def open(self) -> None:
        """Connect and wait for the server's hello.

        Raises SerialException with errno: ECONNREFUSED, nobody listens; EBUSY, the line has a client already; EPROTO,
        the peer does not serve LIN lines; EINVAL, the URL is none.
        """
        if self.is_open:
            raise SerialException("Port is already open.")
        host, port = _address(self._port)
        self._received = bytearray()
        self._unpacker = Unpacker()
        try:
            self._socket = socket.create_connection((host, port), _CONNECT_S)
            self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        except OSError as error:
            raise SerialException(error.errno, f"could not connect: {error.strerror or error}") from error
        try:
            self._greet(self._socket)
            self._socket.settimeout(self._write_timeout)
            self._reconfigure_port()
        except BaseException:
            self._drop()
            raise
        self.is_open = True

    def close(self) -> None:
        """Give the line back. A second call does nothing."""
        self._drop()
        self.is_open = False

    def _drop(self) -> None:
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def _greet(self, connection: socket.socket) -> None:
        messages: list[Message] = []
        try:
            while not messages:
                chunk = connection.recv(_CHUNK)
                if not chunk:
                    raise SerialException(errno.EPROTO, "closed without a hello")
                messages = self._unpacker.feed(chunk)
        except (TimeoutError, LinkError) as error:
            raise SerialException(errno.EPROTO, f"no hello of a served LIN line: {error}") from error
        first, *rest = messages
        if first.kind is Kind.REFUSED:
            raise SerialException(errno.EBUSY, first.text)
        if first != wirelink.HELLO:
            raise SerialException(errno.EPROTO, "it serves another version of the link")
        self._take(rest)

    # What SerialBase's setters call

    def _reconfigure_port(self) -> None:
        if self._socket is not None:
            self._send(wirelink.bit_rate(self._baudrate).encode())

    def _update_break_state(self) -> None:
        self._send((wirelink.BREAK_ON if self._break_state else wirelink.BREAK_OFF).encode())

    def _update_rts_state(self) -> None: ...

    def _update_dtr_state(self) -> None: ...

    # Bytes

    def write(self, b: ReadableBuffer, /) -> int:
        """Hand bytes to the line; returns their number. Raises SerialException where the line is lost."""
        content = bytes(b)
        self._send(wirelink.data(content))
        return len(content)

    def read(self, size: int = 1, /) -> bytes:
        """Up to ``size`` bytes, fewer where ``timeout`` passes first. Raises SerialException where the line is lost."""
        timeout = Timeout(self._timeout)  # type: ignore[arg-type]  # None is for ever; the stub leaves it out
        while len(self._received) < size:
            if not self._pump(timeout.time_left()) or timeout.expired():
                break
        taken = bytes(self._received[:size])
        del self._received[:size]
        return taken

    @property
    def in_waiting(self) -> int:
        """Bytes that ``read`` returns at once. Raises SerialException where the line is lost."""
        while self._pump(0):
            pass
        return len(self._received)

    def reset_input_buffer(self) -> None:
        """Forget what was received."""
        while self._pump(0):
            pass
        self._received.clear()

    def reset_output_buffer(self) -> None:
        """Does nothing: what was written is with the peer already."""

    def flush(self) -> None:
        """Does nothing: what was written is with the peer already."""

    def fileno(self) -> int:
        """The socket, for select. Bytes may also wait in this object: look at in_waiting first."""
        return self._open().fileno()

    def _open(self) -> socket.socket:
        if self._socket is None:
            raise PortNotOpenError()
        return self._socket

    def _send(self, message: bytes) -> None:
        try:
            self._open().sendall(message)
        except SerialException:
            raise
        except OSError as error:
            raise SerialException(error.errno, f"the served line is gone: {error.strerror or error}") from error

    def _pump(self, wait_s: float | None) -> bool:
        """Take in what comes within ``wait_s`` (None: for ever); False where nothing did."""
        connection = self._open()
        if not select.select([connection], [], [], wait_s)[0]:
            return False
        try:
            chunk = connection.recv(_CHUNK)
        except OSError as error:
            raise SerialException(error.errno, f"the served line is gone: {error.strerror or error}") from error
        if not chunk:
            raise SerialException(errno.EPIPE, "the server closed the line")
        try:
            self._take(self._unpacker.feed(chunk))
        except LinkError as error:
            raise SerialException(errno.EPROTO, str(error)) from error
        return True

    def _take(self, messages: list[Message]) -> None:
        for message in messages:
            if message.kind is Kind.DATA:
                self._received += message.payload


def _address(url: str | None) -> tuple[str, int]:
    parts = urllib.parse.urlsplit(url or "")
    try:
        host, port = parts.hostname, parts.port
    except ValueError as error:
        raise SerialException(errno.EINVAL, f"{url}: {error}") from error
    if parts.scheme != "linwire" or not host or not port:
        raise SerialException(errno.EINVAL, f"{url}: want linwire://HOST:PORT")
    return host, port
