"""The person at the terminal: reads hazards, types the phrase. Without a terminal there is nobody."""

from __future__ import annotations

import os
import select
import sys
import time
from collections.abc import Callable, Iterable

import click

from harness.bench.arming import Idle
from harness.clock import MS

_LOOK_NS = 20 * MS


class TerminalPerson:
    """Asks on the controlling terminal. What is typed ahead of the question does not count."""

    def __init__(self, still: Callable[[], object] = lambda: None) -> None:
        """``still`` ends whatever moves on the screen, so that what is typed can be read."""
        self._lost = False
        self._still = still

    def absent(self) -> str | None:
        """See Person."""
        if sys.stdin.isatty() and sys.stderr.isatty():
            return None
        return "high-voltage steps need a person at a terminal to confirm them; standard input or error is none"

    def show(self, lines: Iterable[str]) -> None:
        """See Person. What could not be shown is not answered either: the terminal is lost."""
        self._still()
        try:
            for line in lines:
                click.secho(line, err=True, bold=line.isupper() or line.startswith(("HIGH VOLTAGE", "NOT PROVED")))
        except OSError:
            self._lost = True

    def answer(self, wanted: str, at_most_ns: int, idle: Idle) -> str | None:
        """See Person. The bus goes on meanwhile."""
        if self._lost or not self._forget_typed():
            return None
        deadline_ns = time.monotonic_ns() + at_most_ns
        typed = b""
        while time.monotonic_ns() < deadline_ns:
            if select.select([sys.stdin], [], [], 0)[0]:
                try:
                    piece = os.read(sys.stdin.fileno(), 1024)
                except OSError:
                    return None
                typed += piece
                if not piece or b"\n" in typed:
                    return typed.partition(b"\n")[0].decode(errors="replace")
            idle(_LOOK_NS)
        return None

    def _forget_typed(self) -> bool:
        """Whether it is forgotten; where it cannot be, nothing may count."""
        import termios

        try:
            termios.tcflush(sys.stdin.fileno(), termios.TCIFLUSH)
        except termios.error:
            return False
        return True
