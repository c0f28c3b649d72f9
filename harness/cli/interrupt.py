"""What Ctrl-C, SIGTERM and the loss of the terminal do while something may be on."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from contextlib import contextmanager

_SIGNALS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)


@contextmanager
def interruptible() -> Iterator[None]:
    """The first of these signals interrupts, so that the bench is made safe; making safe cannot be interrupted."""

    def interrupt(number: int, frame: object) -> None:
        for each in _SIGNALS:
            signal.signal(each, signal.SIG_IGN)
        raise KeyboardInterrupt

    before = {each: signal.signal(each, interrupt) for each in _SIGNALS}
    try:
        yield
    finally:
        for each, handler in before.items():
            signal.signal(each, handler)
