"""What Ctrl-C and SIGTERM do while something may be on."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def interruptible() -> Iterator[None]:
    """The first Ctrl-C or SIGTERM interrupts, so that the bench is made safe; making safe cannot be interrupted."""

    def interrupt(number: int, frame: object) -> None:
        for each in (signal.SIGINT, signal.SIGTERM):
            signal.signal(each, signal.SIG_IGN)
        raise KeyboardInterrupt

    before = {each: signal.signal(each, interrupt) for each in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield
    finally:
        for each, handler in before.items():
            signal.signal(each, handler)
