"""The bench's programming command: the maker's program that puts an image of the application into the breaker.

It is an argument list of the bench file, run without a shell and with a deadline; the bus is silent meanwhile. What it
writes and how it ends is evidence and is kept; what the breaker runs afterwards is not asked here.
"""

from __future__ import annotations

import contextlib
import os
import selectors
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import IO

PLACEHOLDERS = ("{build}", "{image}", "{programming}")
"""What stands in an argument for the build description, its image, and the resource of the programming connector."""
MOST_OUTPUT = 1 << 16
"""Bytes of the output that are kept, its last ones."""
_LOOK_S = 0.02  # between two looks at the connector that a simulated bench has


@dataclass(frozen=True)
class FlashRun:
    """How the command went; ``exit_code`` is None where it was not started or was ended at its deadline."""

    command: tuple[str, ...]
    exit_code: int | None
    output: str  # standard output and error as they came
    wall_s: float
    problem: str | None  # in words; None where it ended with 0


def run_flash(
    arguments: Sequence[str], values: Mapping[str, str], deadline_s: float, meanwhile: Callable[[], None]
) -> FlashRun:
    """Run the command with ``values`` for its placeholders; ``meanwhile`` is called again and again until it ends.

    A program called `python` is the interpreter that runs this one. Raises nothing that the command did.
    """
    filled = tuple(_fill(argument, values) for argument in arguments)
    began = time.monotonic()
    try:
        process = subprocess.Popen(
            [sys.executable if filled[0] == "python" else filled[0], *filled[1:]],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            start_new_session=True,
        )
    except (OSError, ValueError) as error:
        return FlashRun(filled, None, "", 0.0, f"cannot be started ({error}): look at the bench's commands")
    output = bytearray()
    try:
        ended = _follow(process, output, began + deadline_s, meanwhile)
    finally:
        _end(process)
    problem = None
    if not ended:
        problem = f"was still running after {deadline_s:g} s and was ended"
    elif process.returncode:
        problem = f"ended with status {process.returncode}"
    exit_code = process.returncode if ended else None
    return FlashRun(filled, exit_code, output.decode("utf-8", "replace"), time.monotonic() - began, problem)


def _fill(argument: str, values: Mapping[str, str]) -> str:
    """``argument`` with its placeholders filled in once: a value that looks like a placeholder stays as it is."""
    for name in PLACEHOLDERS:
        before, found, after = argument.partition(name)
        if found:
            return f"{_fill(before, values)}{values[name]}{_fill(after, values)}"
    return argument


def _follow(process: subprocess.Popen[bytes], output: bytearray, until: float, meanwhile: Callable[[], None]) -> bool:
    """Collect what it writes until it ends; False where that is not by ``until``."""
    assert process.stdout is not None
    os.set_blocking(process.stdout.fileno(), False)
    with selectors.DefaultSelector() as selector:
        selector.register(process.stdout, selectors.EVENT_READ)
        while process.poll() is None:
            if time.monotonic() >= until:
                return False
            meanwhile()
            if selector.get_map() and selector.select(_LOOK_S):
                if not _read(process.stdout, output):
                    selector.unregister(process.stdout)  # it closed its output and goes on
            elif not selector.get_map():
                time.sleep(_LOOK_S)
        while _read(process.stdout, output):
            pass
    return True


def _read(stream: IO[bytes], output: bytearray) -> bool:
    """Take in what is there; False at the end of the stream, or where nothing is there."""
    try:
        chunk = os.read(stream.fileno(), MOST_OUTPUT)
    except BlockingIOError:
        return False
    output += chunk
    del output[:-MOST_OUTPUT]
    return bool(chunk)


def _end(process: subprocess.Popen[bytes]) -> None:
    """Nothing is left of a program that was given up: its group, which is its own, goes with it."""
    if process.returncode is None:
        with contextlib.suppress(OSError):
            os.killpg(process.pid, signal.SIGKILL)
        process.wait()
    if process.stdout is not None:
        process.stdout.close()
