"""The served world from outside: processes, sockets, signals. Nothing here waits for time to pass, only for answers."""

from __future__ import annotations

import os
import signal
import socket
import struct
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import pytest

from harness.bench.spec import load_bench
from mocks.serve import ROLES

PATIENCE_S = 30.0


def address(resource: str) -> tuple[str, int]:
    if resource.startswith("linwire://"):
        host, _, port = resource.removeprefix("linwire://").partition(":")
    else:
        _, host, port, _ = resource.split("::")
    return host, int(port)


@contextmanager
def dial(resource: str) -> Iterator[socket.socket]:
    with socket.create_connection(address(resource), PATIENCE_S) as connection:
        yield connection


def take(connection: socket.socket, size: int) -> bytes:
    """``size`` bytes, fewer where the other side closes. No makefile: that would keep the socket open after its end."""
    content = b""
    while len(content) < size and (chunk := connection.recv(size - len(content))):
        content += chunk
    return content


def line_from(connection: socket.socket) -> bytes:
    content = b""
    while not content.endswith(b"\n") and (byte := connection.recv(1)):
        content += byte
    return content


def ask(connection: socket.socket, text: str) -> str:
    connection.sendall(text.encode() + b"\n")
    return line_from(connection).decode().rstrip("\n")


def resource(served: Any, role: str) -> str:
    return str(served.bench["roles"][role]["resource"])


# The process


def test_the_ready_file_is_a_bench_file(served: Any) -> None:
    spec = load_bench(served.ready)
    assert not spec.simulated
    own = [role for role in (*ROLES, "programming", "bank") if not role.startswith("watchdog_")]
    assert spec.resources == {"lin": served.bench["lin"]["port"]} | {role: resource(served, role) for role in own}
    assert spec.watchdog is not None
    assert not {spec.watchdog.interlock, spec.watchdog.source, spec.watchdog.bank} & set(spec.resources.values())
    assert served.bench["served"]["pid"] == served.process.pid
    assert Path(served.bench["served"]["pty"]).is_char_device()


@pytest.mark.parametrize(("number", "code"), [(signal.SIGTERM, 0), (signal.SIGINT, 130)])
def test_it_ends_clean(serving: Callable[..., Any], tmp_path: Path, number: int, code: int) -> None:
    link = tmp_path / "line.tty"
    server = serving("--pty-link", str(link))
    assert link.is_symlink() and link.is_char_device()
    server.process.send_signal(number)
    _, said = server.process.communicate(timeout=PATIENCE_S)
    assert server.process.returncode == code
    assert not server.ready.exists()
    assert not os.path.lexists(link)
    assert "SIMULATED BENCH: no evidence about a real breaker" in said
    assert resource(server, "recorder") in said


def test_a_link_that_is_somebodys_file_is_refused(serving: Callable[..., Any], tmp_path: Path) -> None:
    link = tmp_path / "line.tty"
    link.write_text("somebody's work")
    server = serving("--pty-link", str(link))
    _, said = server.process.communicate(timeout=PATIENCE_S)
    assert server.process.returncode == 5
    assert "no symbolic link" in said and "Traceback" not in said
    assert link.read_text() == "somebody's work"


def test_a_folder_that_is_not_there_is_named(serving: Callable[..., Any], tmp_path: Path) -> None:
    server = serving("--pty-link", str(tmp_path / "none" / "line.tty"))
    _, said = server.process.communicate(timeout=PATIENCE_S)
    assert server.process.returncode == 5
    assert "none" in said and "No such file" in said and "Traceback" not in said


def test_a_port_in_use_is_refused(serving: Callable[..., Any], served: Any) -> None:
    taken = address(served.bench["lin"]["port"])[1]
    server = serving("--port-base", str(taken))
    _, said = server.process.communicate(timeout=PATIENCE_S)
    assert server.process.returncode == 5
    assert f"port {taken}" in said and "--port-base" in said and "Traceback" not in said


def test_the_ready_file_of_a_killed_server_is_replaced(serving: Callable[..., Any]) -> None:
    server = serving(ready='{"format": 1, "served": {"pid": 1}}')
    assert server.bench["served"]["pid"] == server.process.pid


@pytest.mark.parametrize("content", ["somebody's work", "{}", "7"])
def test_a_ready_file_that_is_somebodys_is_refused(serving: Callable[..., Any], content: str) -> None:
    server = serving(ready=content)
    _, said = server.process.communicate(timeout=PATIENCE_S)
    assert server.process.returncode == 2
    assert "was not written by serve" in said
    assert server.ready.read_text() == content


def test_an_unknown_device_is_a_usage_error(serving: Callable[..., Any]) -> None:
    server = serving("--device", "toaster")
    _, said = server.process.communicate(timeout=PATIENCE_S)
    assert server.process.returncode == 2
    assert "there are heater" in said


# Instruments


def test_lines_may_come_in_any_pieces(served: Any) -> None:
    with dial(resource(served, "load")) as load:
        for piece in (b"*ID", b"N?\r", b"\nSOUR:CURR 12;*OPC?\nSOUR:C", b"URR?\n"):
            load.sendall(piece)
        assert [line_from(load), line_from(load)] == [b"Simulated,load,1,1\n", b"1\n"]
        assert float(line_from(load)) == 12


def test_a_second_client_is_told_and_the_first_stays(served: Any) -> None:
    with dial(resource(served, "load")) as first:
        assert ask(first, "*OPC?") == "1"
        with dial(resource(served, "load")) as second:
            assert line_from(second) == b"somebody else has this instrument\n"
            assert second.recv(10) == b""
        assert ask(first, "*OPC?") == "1"


def test_a_client_that_leaves_frees_the_port_and_changes_nothing(served: Any) -> None:
    with dial(resource(served, "source")) as source:
        source.sendall(b"SOUR:VOLT 123;CURR 2\nOUTP ON\n")
        assert ask(source, "OUTP?") == "1"
    for _ in range(20):  # one right after the other, one leaving with a question unanswered
        with dial(resource(served, "source")) as source:
            assert ask(source, "OUTP?") == "1"
            source.sendall(b"*IDN?\n")
    with dial(resource(served, "source")) as source:
        assert float(ask(source, "SOUR:VOLT?")) == 123
        assert ask(source, "*RST;OUTP?") == "0"


def test_a_block_comes_whole(served: Any) -> None:
    with dial(resource(served, "recorder")) as recorder:
        recorder.sendall(b"*RST;:SENS:SWE:TINT 1E-5;POIN 200000;OFFS:POIN 0;:TRIG:SOUR IMM;:INIT\n")
        until = time.monotonic() + PATIENCE_S
        while ask(recorder, "STAT:OPER:COND?") != "0":
            assert time.monotonic() < until
        recorder.sendall(b"TRAC:DATA? CHAN5\n")
        assert take(recorder, 8) == b"#6800000"
        samples = struct.unpack(">200000f", take(recorder, 800_000))
        assert take(recorder, 1) == b"\n"
        assert max(map(abs, samples)) < 20
        assert ask(recorder, "*OPC?") == "1"


def test_a_line_without_an_end_ends_the_connection(served: Any) -> None:
    with dial(resource(served, "injector")) as injector:
        injector.sendall(b"*IDN?" * 30_000)
        with suppress(ConnectionError):
            assert take(injector, 1) == b""
    with dial(resource(served, "injector")) as injector:
        assert ask(injector, "*OPC?") == "1"


# The line


def test_the_line_greets_and_carries_break_rate_and_bytes(served: Any) -> None:
    with dial(served.bench["lin"]["port"]) as line:
        assert take(line, 3) == bytes.fromhex("48 01 01")
        line.sendall(bytes.fromhex("53 04 00 4b 00 00  42 00  62 00  44 02 55 50"))
        assert take(line, 5) == bytes.fromhex("44 03 00 55 50")
        # The same break as a zero at half the rate, and a whole frame behind it.
        line.sendall(bytes.fromhex("53 04 80 25 00 00  44 01 00  53 04 00 4b 00 00  44 05 55 61 fc ff a2"))
        assert take(line, 5) == bytes.fromhex("44 03 00 55 61")
        assert take(line, 5) == bytes.fromhex("44 03 fc ff a2")


def test_a_second_client_of_the_line_is_told(served: Any) -> None:
    with dial(served.bench["lin"]["port"]) as first:
        assert take(first, 3)[:1] == b"H"
        with dial(served.bench["lin"]["port"]) as second:
            answer = take(second, 1000)
            assert answer[:1] == b"R" and answer[2:] == b"somebody else has this line"


@pytest.mark.parametrize("nonsense", ["00 00", "47 45 54 20", "48 01 01", "53 04 00 00 00 00"])
def test_nonsense_on_the_line_ends_the_connection(served: Any, nonsense: str) -> None:
    with dial(served.bench["lin"]["port"]) as line:
        assert take(line, 3)[:1] == b"H"
        line.sendall(bytes.fromhex(nonsense))
        assert take(line, 1) == b""
    with dial(served.bench["lin"]["port"]) as line:
        assert take(line, 3)[:1] == b"H"
