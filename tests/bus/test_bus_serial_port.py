from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from harness.bus.port import PortError
from harness.bus.serial_port import SerialPort, _Echo
from harness.clock import MS, WallClock
from harness.files.profile import load_device, shipped_device
from protocol.decoder import BREAK

NODE = load_device(shipped_device("heater")).node


# Opening


def test_a_port_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(PortError, match=r"no such port.*breakerbench ports"):
        SerialPort(str(tmp_path / "ttyNone"), NODE, WallClock())


def test_a_file_that_is_no_port(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(PortError, match="cannot be used"):
        SerialPort(str(tmp_path / "file"), NODE, WallClock())


def test_a_url_that_is_none() -> None:
    for url in ("nosuch://127.0.0.1:1", "linwire://127.0.0.1", "linwire://127.0.0.1:99999"):
        with pytest.raises(PortError, match="cannot be used"):
            SerialPort(url, NODE, WallClock())


@pytest.mark.parametrize("port", [lambda bench: bench["lin"]["port"], lambda bench: bench["served"]["pty"]])
def test_a_port_that_somebody_has(served: Any, port: Callable[[Any], str]) -> None:
    name = port(served.bench)
    first = SerialPort(name, NODE, WallClock())
    with pytest.raises(PortError, match="somebody else has the port"):
        SerialPort(name, NODE, WallClock())
    first.close()
    SerialPort(name, NODE, WallClock()).close()


def test_a_closed_port_says_so(served: Any) -> None:
    clock = WallClock()
    port = SerialPort(served.bench["lin"]["port"], NODE, clock)
    port.close()
    with pytest.raises(PortError, match="closed"):
        port.respond(0x21, b"\0\0")
    with pytest.raises(PortError, match="closed"):
        list(port.events(clock.now_ns()))


# The echo. PIDs of LIN 2.1 table 2.4: 0x21 -> 61, 0x22 -> e2.

STREAMS = [
    ("break as a zero", "00 55 e2 08 00", [BREAK, 0x55, 0xE2, 8, 0]),
    ("break swallowed by the driver", "55 e2 08 00", [BREAK, 0x55, 0xE2, 8, 0]),
    ("end of a frame before it", "07 00 00 55 e2 08", [7, 0, BREAK, 0x55, 0xE2, 8]),
    ("sync bytes before it", "55 55 00 55 e2", [0x55, 0x55, BREAK, 0x55, 0xE2]),
    ("another header is none of ours", "00 55 61 00 55 e2", [0, 0x55, 0x61, BREAK, 0x55, 0xE2]),
    ("its like in the response", "00 55 e2 00 55 e2", [BREAK, 0x55, 0xE2, 0, 0x55, 0xE2]),
    ("never back", "00 00 ff 01", [0, 0, 0xFF, 1]),
]


@pytest.mark.parametrize(("wire", "symbols"), [row[1:] for row in STREAMS], ids=[row[0] for row in STREAMS])
@pytest.mark.parametrize("size", [100, 3, 2, 1])
def test_an_own_header_is_found_in_what_comes_back(wire: str, symbols: list[int], size: int) -> None:
    echo, content = _Echo(patience_ns=10 * MS), bytes.fromhex(wire)
    echo.expect(b"\x55\xe2", 0)
    got = [s for start in range(0, len(content), size) for s in echo.symbols(content[start : start + size])]
    assert got == symbols


def test_two_headers_under_way() -> None:
    echo = _Echo(patience_ns=10 * MS)
    echo.expect(b"\x55\x61", 0)
    echo.expect(b"\x55\xe2", 1)
    assert echo.symbols(bytes.fromhex("00 55 61 fc ff 9f 00 55")) == [BREAK, 0x55, 0x61, 0xFC, 0xFF, 0x9F]
    assert echo.symbols(bytes.fromhex("e2 08")) == [BREAK, 0x55, 0xE2, 8]


def test_a_header_that_never_came_back_is_given_up_for_a_later_one() -> None:
    echo = _Echo(patience_ns=10 * MS)
    echo.expect(b"\x55\x61", 0)
    echo.expect(b"\x55\xe2", 1)
    assert echo.symbols(bytes.fromhex("00 55 e2 00 55 61")) == [BREAK, 0x55, 0xE2, 0, 0x55, 0x61]


def test_a_header_that_never_came_back_is_given_up_in_time() -> None:
    echo = _Echo(patience_ns=10 * MS)
    echo.expect(b"\x55\xe2", 0)
    echo.expect(b"\x55\xe2", 11 * MS)
    assert echo.symbols(bytes.fromhex("00 55 e2 55 e2")) == [BREAK, 0x55, 0xE2, 0x55, 0xE2]


@pytest.mark.parametrize("size", [100, 1])
def test_a_faulty_header_is_found_too(size: int) -> None:
    echo, content = _Echo(patience_ns=10 * MS), bytes.fromhex("07 00 54 e2 00 99 00 55 61")
    echo.expect(b"\x54\xe2", 0)
    echo.expect(b"\x99", 1)
    echo.expect(b"\x55\x61", 2)
    got = [s for start in range(0, len(content), size) for s in echo.symbols(content[start : start + size])]
    assert got == [7, BREAK, 0x54, 0xE2, BREAK, 0x99, BREAK, 0x55, 0x61]


def test_a_break_alone_comes_back_as_a_byte() -> None:
    echo = _Echo(patience_ns=10 * MS)
    echo.expect(b"", 0)
    assert echo.symbols(b"\0") == [0]
