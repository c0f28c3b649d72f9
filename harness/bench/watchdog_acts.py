"""What the watchdog does when it acts, and where it writes that down.

The order is that of making safe (making_safe.py), as far as interlock and source alone can go: the line that enables
the source, the source, the bank's charger, the contactor once the current is below what it may break, the bank's making
switch, what leads past the breaker, then the discharge resistors. Each is tried whatever came of the one before. The
breaker itself is the harness's: nobody else talks to it.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from harness.bench.instrument import InstrumentError, Link, is_measured
from harness.clock import MS, S

LOG_NAME = "watchdog.jsonl"
"""In the folder of a run, read back by harness/record/reader.py: an object a line, on the disk before the next."""
LOOK_NS = 5 * MS
"""Between two looks at a current that is to fall."""


@dataclass(frozen=True)
class Orders:
    """Lines of the interlock unit, and what the contactor may break."""

    watchdog_relay: int
    contactor_relay: int
    discharge_relay: int
    breaking_current: float  # A
    maximum_wait: float  # s
    making_relay: int | None = None  # of the capacitor bank, where there is one
    bank_discharge_relay: int | None = None
    past_relays: tuple[int, ...] = ()  # precharge resistor and link, where there are such


@dataclass(frozen=True)
class Act:
    """One thing that was done; ``problem`` is None where it worked."""

    name: str
    problem: str | None = None
    note: str | None = None


def acts(
    interlock: Link, source: Link, orders: Orders, now_ns: Callable[[], int], charger: Link | None = None
) -> Iterator[Act | None]:
    """Do one thing after the other. None: ask again ``LOOK_NS`` later. Ends when everything has been tried."""
    yield _tried("hardware line let go", lambda: _relay(interlock, orders.watchdog_relay, False))
    yield _tried("source off", lambda: _source_off(source))
    if charger is not None:
        yield _tried("bank's charger off", lambda: _source_off(charger))
    deadline_ns = now_ns() + round(orders.maximum_wait * S)
    while (current := _current(source)) is None or abs(current) >= orders.breaking_current:
        if now_ns() >= deadline_ns:
            break
        yield None
    shown = "an unknown current" if current is None else f"{current:.1f} A"
    below = current is not None and abs(current) < orders.breaking_current
    note = f"at {shown}" if below else f"at {shown}: the longest wait of {orders.maximum_wait:g} s was over"
    opened = _tried("contactor open", lambda: _relay(interlock, orders.contactor_relay, False))
    yield Act(opened.name, opened.problem, note)
    if (making := orders.making_relay) is not None:
        yield _tried("making switch open", lambda: _relay(interlock, making, False))
    for relay in orders.past_relays:
        yield _tried(f"relay {relay} past the breaker open", partial(_relay, interlock, relay, False))
    yield _tried("discharge on", lambda: _relay(interlock, orders.discharge_relay, True))
    if (resistor := orders.bank_discharge_relay) is not None:
        yield _tried("bank's discharge on", lambda: _relay(interlock, resistor, True))


class Log:
    """Writes down what the watchdog did. What cannot be written keeps nothing from being done."""

    def __init__(self, folder: Path, now_ns: Callable[[], int]) -> None:
        """``now_ns`` is the clock of the run, so that the lines fit among the events of its record."""
        self._path = folder / LOG_NAME
        self._now_ns = now_ns

    def note(self, event: str, **detail: object) -> None:
        """Add a line and wait until it is on the disk."""
        line = json.dumps({"at_ns": self._now_ns(), "event": event, **detail}).encode() + b"\n"
        try:
            handle = os.open(self._path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o644)
            try:
                os.write(handle, line)
                os.fsync(handle)
            finally:
                os.close(handle)
        except OSError:
            return

    def act(self, act: Act) -> None:
        """Add a line for ``act``."""
        self.note("act", action=act.name, problem=act.problem, note=act.note)


def _tried(name: str, do: Callable[[], None]) -> Act:
    try:
        do()
    except Exception as error:  # whatever it is, the next act must be tried
        return Act(name, str(error) or type(error).__name__)
    return Act(name)


def _relay(interlock: Link, line: int, closed: bool) -> None:
    interlock.write(f"ROUT:{'CLOS' if closed else 'OPEN'} (@{line})")
    if interlock.query(f"ROUT:CLOS? (@{line})").strip() != str(int(closed)):
        raise InstrumentError(f"relay {line} did not {'close' if closed else 'open'}")


def _source_off(source: Link) -> None:
    source.write("OUTP OFF")
    if (answer := source.query("OUTP?").strip()) != "0":
        raise InstrumentError(f"still says {answer!r} after it was switched off")


def _current(source: Link) -> float | None:
    try:
        current = float(source.query("MEAS:CURR?"))
        return current if is_measured(current) else None
    except (InstrumentError, ValueError):
        return None
