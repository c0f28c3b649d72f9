"""The bench's key command: a program that knows how the maker's device makes a key of a seed; this package does not.

The seed goes to its standard input in hexadecimal, the key comes from its standard output likewise. It is run without a
shell, has a deadline, and what it says is limited and checked. Neither seed nor key stands in any message.
"""

from __future__ import annotations

import contextlib
import os
import re
import selectors
import signal
import subprocess
import sys
import time
from collections.abc import Sequence
from typing import IO

DEADLINE_S = 5.0
_MOST_OUTPUT = 1024  # bytes; a key has 255 at most, 510 digits
_HEX = re.compile(rb"\s*((?:[0-9A-Fa-f]{2})+)\s*")


class KeyCommandError(Exception):
    """The key command gave no key: the bench's fault, never the breaker's.

    Example scenarios: no such program; it ended with a status other than 0; it took too long; it wrote something else.
    """


def key_of(arguments: Sequence[str], seed: bytes, size: int, deadline_s: float = DEADLINE_S) -> bytes:
    """The key of ``size`` bytes that program ``arguments`` gives for ``seed``. Raises KeyCommandError.

    A program called `python` is the interpreter that runs this one.
    """
    name = arguments[0]
    command = [sys.executable if name == "python" else name, *arguments[1:]]
    try:
        process = subprocess.Popen(
            command,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,  # nobody can say whether it holds a secret
            start_new_session=True,
        )
    except (OSError, ValueError) as error:
        raise KeyCommandError(
            f"key command {name}: cannot be started ({error}): look at the bench's commands"
        ) from None
    try:
        output = _dialogue(process, seed.hex().encode() + b"\n", name, time.monotonic() + deadline_s)
    finally:
        _end(process)
    if process.returncode:
        raise KeyCommandError(f"key command {name}: ended with status {process.returncode}: run it by hand to see why")
    match = _HEX.fullmatch(output)
    key = b"" if match is None else bytes.fromhex(match[1].decode())
    if len(key) != size:
        found = "no key in hexadecimal" if match is None else f"a key of {len(key)} bytes"
        raise KeyCommandError(f"key command {name}: wrote {found}, want {size} bytes and nothing else")
    return key


def _dialogue(process: subprocess.Popen[bytes], text: bytes, name: str, until: float) -> bytes:
    """What the program writes until it ends. Raises KeyCommandError where that is too late or too much."""
    assert process.stdin is not None and process.stdout is not None
    with contextlib.suppress(OSError):  # one that does not read is told by what it writes
        process.stdin.write(text)
        process.stdin.close()
    output = b""
    while chunk := _read(process.stdout, name, until):
        output += chunk
        if len(output) > _MOST_OUTPUT:
            raise KeyCommandError(f"key command {name}: writes more than {_MOST_OUTPUT} bytes")
    try:
        process.wait(max(0.0, until - time.monotonic()))
    except subprocess.TimeoutExpired:
        raise KeyCommandError(f"key command {name}: gave no key in time") from None
    return output


def _read(stream: IO[bytes], name: str, until: float) -> bytes:
    """The next bytes; b"" at the end of the stream. Raises KeyCommandError where neither comes in time."""
    with selectors.DefaultSelector() as selector:
        selector.register(stream, selectors.EVENT_READ)
        if not selector.select(max(0.0, until - time.monotonic())):
            raise KeyCommandError(f"key command {name}: gave no key in time")
    return os.read(stream.fileno(), _MOST_OUTPUT)


def _end(process: subprocess.Popen[bytes]) -> None:
    """Nothing is left of a program that was given up: its group, which is its own, goes with it.

    One that nobody has waited for keeps its number, so that the group cannot be another one by now.
    """
    if process.returncode is None:
        with contextlib.suppress(OSError):
            os.killpg(process.pid, signal.SIGKILL)
        process.wait()
    for stream in (process.stdin, process.stdout):
        if stream is not None:
            with contextlib.suppress(OSError):
                stream.close()
