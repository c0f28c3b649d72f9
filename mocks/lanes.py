"""TCP lanes of the served world: a listening socket each, one client at a time, on the loopback interface only.

A lane knows sockets and nothing of what is said on them; a Talk knows what is said and no socket. When a client
leaves, however it leaves, its lane is free for the next one, and whatever it had set stays as it was.
"""

from __future__ import annotations

import contextlib
import selectors
import socket
from collections.abc import Callable
from typing import Protocol

from mocks.uart import Uart
from protocol import wirelink
from protocol.wirelink import Kind, Message, Unpacker

HOST = "127.0.0.1"
_CHUNK = 1 << 16
_BACKLOG = 8
_MOST_UNSENT = 16 << 20  # a client that leaves more than this unread is dropped
_MOST_UNFINISHED = 1 << 16  # and one that sends a longer line


class Talk(Protocol):
    """What is said on a lane."""

    greeting: bytes  # to a client that has the lane
    refusal: bytes  # to one that comes while another has it

    def began(self, send: Callable[[bytes], None]) -> None:
        """A client has come; ``send`` reaches it until it has gone."""
        ...

    def said(self, chunk: bytes) -> None:
        """The client sent ``chunk``. Raises ValueError where that makes no sense: the client is dropped."""
        ...

    def ended(self) -> None:
        """The client has gone."""
        ...


class Lane:
    """A port that one client at a time may talk to; the loop calls what it registered with ``selector``."""

    def __init__(self, selector: selectors.BaseSelector, talk: Talk, port: int) -> None:
        """Listen on ``port``, 0 for any. Raises OSError."""
        self._selector = selector
        self._talk = talk
        self._client: socket.socket | None = None
        self._unsent = bytearray()
        self._turned_away: list[socket.socket] = []
        self._listener = socket.create_server((HOST, port), backlog=_BACKLOG)
        self._listener.setblocking(False)
        selector.register(self._listener, selectors.EVENT_READ, lambda _: self._accept())
        self.port: int = self._listener.getsockname()[1]

    def close(self) -> None:
        """Send the client away and stop listening."""
        self._leave()
        for connection in self._turned_away:
            self._selector.unregister(connection)
            connection.close()
        self._selector.unregister(self._listener)
        self._listener.close()

    def _accept(self) -> None:
        try:
            connection, _ = self._listener.accept()
        except OSError:
            return  # gone again before it was taken
        connection.setblocking(False)
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        while self._client is not None and self._read():
            pass  # it may have left just now, after a last word, and this be the same program again
        if self._client is not None:
            self._turn_away(connection)
            return
        self._client = connection
        self._selector.register(connection, selectors.EVENT_READ, self._ready)
        self._send(self._talk.greeting)
        self._talk.began(self._send)

    def _turn_away(self, connection: socket.socket) -> None:
        """Say why, and keep the connection until the other side has read that: closing at once might lose it."""
        with contextlib.suppress(OSError):
            connection.send(self._talk.refusal)
            connection.shutdown(socket.SHUT_WR)
        if len(self._turned_away) >= _BACKLOG:
            connection.close()
            return
        self._turned_away.append(connection)
        self._selector.register(connection, selectors.EVENT_READ, lambda _: self._let_go(connection))

    def _let_go(self, connection: socket.socket) -> None:
        try:
            if connection.recv(_CHUNK):
                return
        except BlockingIOError:
            return
        except OSError:
            pass
        self._selector.unregister(connection)
        self._turned_away.remove(connection)
        connection.close()

    def _ready(self, mask: int) -> None:
        if mask & selectors.EVENT_WRITE:
            self._send(b"")
        if mask & selectors.EVENT_READ and self._client is not None:
            self._read()

    def _read(self) -> bool:
        """Take in what the client sent; False where that is nothing, be it there or gone."""
        assert self._client is not None
        try:
            chunk = self._client.recv(_CHUNK)
        except BlockingIOError:
            return False
        except OSError:
            chunk = b""
        if not chunk:
            self._leave()
            return False
        try:
            self._talk.said(chunk)
        except ValueError:
            self._leave()
        return True

    def _send(self, content: bytes) -> None:
        """Send what the client takes now and keep the rest until it takes more."""
        if self._client is None:
            return
        self._unsent += content
        try:
            while self._unsent:
                del self._unsent[: self._client.send(self._unsent[:_CHUNK])]
        except BlockingIOError:
            pass
        except OSError:
            self._leave()
            return
        if len(self._unsent) > _MOST_UNSENT:
            self._leave()
            return
        wanted = selectors.EVENT_READ | (selectors.EVENT_WRITE if self._unsent else 0)
        if self._selector.get_key(self._client).events != wanted:
            self._selector.modify(self._client, wanted, self._ready)

    def _leave(self) -> None:
        client, self._client = self._client, None
        if client is None:
            return
        self._selector.unregister(client)
        client.close()
        self._unsent.clear()
        self._talk.ended()


class LineTalk:
    """A LIN line with break and bit rate in band; see protocol.wirelink."""

    greeting = wirelink.HELLO.encode()
    refusal = wirelink.refused("somebody else has this line").encode()

    def __init__(self, bit_rate: int, uart: Callable[[Callable[[bytes], None]], Uart]) -> None:
        """``uart`` makes a transceiver that delivers to what it is given."""
        self._nominal = bit_rate
        self._bit_rate = bit_rate
        self._unpacker = Unpacker()
        self._send: Callable[[bytes], None] | None = None
        self._uart = uart(self._deliver)

    def began(self, send: Callable[[bytes], None]) -> None:
        """See Talk."""
        self._send = send
        self._bit_rate = self._nominal
        self._unpacker = Unpacker()

    def said(self, chunk: bytes) -> None:
        """See Talk."""
        for message in self._unpacker.feed(chunk):
            self._take(message)

    def ended(self) -> None:
        """See Talk."""
        self._send = None
        self._uart.hang_up()

    def _take(self, message: Message) -> None:
        match message.kind:
            case Kind.DATA:
                self._uart.send(message.payload, self._bit_rate)
            case Kind.BREAK_OFF:
                self._uart.send_break()
            case Kind.BIT_RATE:
                self._bit_rate = message.bit_rate
            case Kind.BREAK_ON:
                pass  # the break counts when it ends
            case Kind.HELLO | Kind.REFUSED:
                raise ValueError(f"{message.kind.name} is not for a client to say")

    def _deliver(self, content: bytes) -> None:
        if self._send is not None:
            self._send(wirelink.data(content))


class TextTalk:
    """SCPI text, a line a message (IEEE 488.2 §7.5); ``handle`` gives the answer, None for none."""

    greeting = b""
    refusal = b"somebody else has this instrument\n"

    def __init__(self, handle: Callable[[str], str | bytes | None]) -> None:
        self._handle = handle
        self._unfinished = bytearray()
        self._send: Callable[[bytes], None] | None = None

    def began(self, send: Callable[[bytes], None]) -> None:
        """See Talk."""
        self._send = send
        self._unfinished.clear()

    def said(self, chunk: bytes) -> None:
        """See Talk."""
        self._unfinished += chunk
        *lines, rest = self._unfinished.split(b"\n")
        self._unfinished = rest
        if len(rest) > _MOST_UNFINISHED:
            raise ValueError("a line without an end")
        for line in lines:
            answer = self._handle(line.decode("ascii", "replace").strip("\r"))
            if answer is not None and self._send is not None:
                self._send((answer.encode("ascii", "replace") if isinstance(answer, str) else answer) + b"\n")

    def ended(self) -> None:
        """See Talk."""
        self._send = None
