"""The URL handler against a peer that says what the test tells it; bytes are those that protocol.wirelink describes."""

from __future__ import annotations

import errno
import select
import socket
from collections.abc import Callable, Iterator

import pytest
import serial

import harness.bus.serial_port  # noqa: F401 - makes pyserial know the URL
from harness.bus.urls import protocol_linwire

HELLO = bytes.fromhex("48 01 01")


class Peer:
    """Listens; the kernel accepts a connect before ``accept`` is called, so that one thread does for both sides."""

    def __init__(self, greeting: bytes) -> None:
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.url = f"linwire://127.0.0.1:{self.listener.getsockname()[1]}"
        self.greeting = greeting
        self.connection: socket.socket | None = None

    def take(self, size: int) -> str:
        assert self.connection is not None
        content = b""
        while len(content) < size:
            content += self.connection.recv(size - len(content))
        return content.hex(" ")

    def send(self, content: str) -> None:
        assert self.connection is not None
        self.connection.sendall(bytes.fromhex(content))

    def leave(self) -> None:
        if self.connection is not None:
            self.connection.close()


@pytest.fixture
def peer(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Iterator[Peer]:
    peer = Peer(getattr(request, "param", HELLO))
    connect = socket.create_connection

    def connect_and_greet(*arguments: object) -> socket.socket:
        mine = connect(*arguments)  # type: ignore[arg-type]
        peer.connection, _ = peer.listener.accept()
        peer.connection.settimeout(10)
        if peer.greeting:
            peer.connection.sendall(peer.greeting)
        else:
            peer.connection.close()
        return mine

    monkeypatch.setattr(protocol_linwire.socket, "create_connection", connect_and_greet)
    yield peer
    peer.leave()
    peer.listener.close()


def open_port(peer: Peer) -> serial.Serial:
    return serial.serial_for_url(peer.url, 19_200, timeout=0)


def test_what_a_master_does_goes_out_in_order(peer: Peer) -> None:
    with open_port(peer) as port:
        port.break_condition = True
        port.break_condition = False
        assert port.write(b"\x55\xe2") == 2
        port.baudrate = 9600
        port.write(b"\0")
        assert peer.take(6) == "53 04 00 4b 00 00"
        assert peer.take(8) == "42 00 62 00 44 02 55 e2"
        assert peer.take(9) == "53 04 80 25 00 00 44 01 00"


def test_bytes_come_in_whatever_their_pieces(peer: Peer) -> None:
    with open_port(peer) as port:
        port.timeout = 10
        for piece in ("44", "03 00 55", "e2 44 01 07"):
            peer.send(piece)
        assert port.read(3) == b"\x00\x55\xe2"
        assert port.read(1) == b"\x07"
        port.timeout = 0
        assert port.read(1) == b""
        assert port.in_waiting == 0


def test_old_bytes_can_be_dropped(peer: Peer) -> None:
    with open_port(peer) as port:
        peer.send("44 02 01 02")
        while not port.in_waiting:
            pass
        port.reset_input_buffer()
        assert port.in_waiting == 0


CALLS: dict[str, Callable[[serial.Serial], object]] = {
    "read": lambda port: port.read(1),
    "write": lambda port: [port.write(bytes(10_000)) for _ in range(1000)],
    "in_waiting": lambda port: port.in_waiting,
}


@pytest.mark.parametrize("call", CALLS.values(), ids=CALLS)
def test_a_peer_that_left_shows(peer: Peer, call: Callable[[serial.Serial], object]) -> None:
    port = open_port(peer)
    port.timeout = 10
    peer.leave()
    select.select([port], [], [], 10)  # until the news is here
    with pytest.raises(serial.SerialException, match="line"):
        call(port)
    port.close()
    port.close()


def test_a_peer_that_talks_nonsense_shows(peer: Peer) -> None:
    with open_port(peer) as port:
        peer.send("00 00")
        port.timeout = 10
        with pytest.raises(serial.SerialException, match="begins no message"):
            port.read(1)


GREETINGS = [
    (b"R\x05taken", errno.EBUSY, "taken"),
    (b"H\x01\x02", errno.EPROTO, "another version"),
    (b"220 mail\r\n", errno.EPROTO, "no hello"),
    (b"", errno.EPROTO, "without a hello"),
]


@pytest.mark.parametrize(("peer", "code", "reason"), GREETINGS, indirect=["peer"])
def test_a_wrong_greeting_is_refused(peer: Peer, code: int, reason: str) -> None:
    with pytest.raises(serial.SerialException, match=reason) as caught:
        open_port(peer)
    assert caught.value.errno == code


def test_nobody_listening() -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = listener.getsockname()[1]
    with pytest.raises(serial.SerialException) as caught:
        serial.serial_for_url(f"linwire://127.0.0.1:{port}")
    assert caught.value.errno == errno.ECONNREFUSED
