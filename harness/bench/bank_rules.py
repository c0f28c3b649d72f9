"""What makes a capacitor bank unsafe, read from the bench file alone; called by harness/bench/safety_rules.py."""

from __future__ import annotations

import math
from collections.abc import Iterator

from harness.bench.bank import RELAYS
from harness.bench.bench_file import BenchFile
from harness.bench.owners import owners
from harness.bench.proof import TOUCH_LIMIT_V, dead_limit
from harness.bench.resource import SIMULATED, canonical
from harness.files.load import Loaded
from harness.files.marks import FileError
from harness.quantity import show

_TOLERANCE = 1.5  # of resistor and capacitor together
_RESOLVED = 0.5  # of the voltage at which the bank is dead: the most that a reading's own error may be
_PLACE = ("roles", "bank")


def check_bank(loaded: Loaded[BenchFile]) -> Iterator[FileError]:
    """The bank has its own way to be made safe, and its own proof."""
    model, bank = loaded.model, loaded.model.roles.bank
    if bank is None:
        return
    for name in ("capacitance", "voltage", "current"):
        if getattr(bank, name).si <= 0:
            return  # said by the rule of ranges
    if model.roles.source is None:
        yield loaded.error(_PLACE, "a bank without source: nothing shows that the voltmeter reads both sides", key=True)
    lock = model.roles.interlock
    for name in RELAYS if lock is not None else ():  # a missing one is said already
        if lock is not None and getattr(lock.relays, name) is None:
            what = "a making switch" if name == "pulse" else "a resistor that discharges it"
            yield loaded.error(_PLACE, f"a bank without {what}: want the interlock's relay '{name}'", key=True)
    dead = dead_limit(bank.capacitance.si)
    error = bank.accuracy.offset.si + bank.accuracy.gain.si * bank.voltage.si
    if error > _RESOLVED * dead:
        message = f"may be {error:.1f} V wrong: too much to prove that the bank is below {dead:.1f} V ({_why(dead)})"
        yield loaded.error((*_PLACE, "accuracy"), message, key=True)
        return
    if bank.discharge.resistance.si <= 0:
        yield loaded.error((*_PLACE, "discharge", "resistance"), "want more than 0")
        return
    tau = bank.discharge.resistance.si * bank.capacitance.si
    seconds = _TOLERANCE * tau * math.log(max(bank.voltage.si / (dead - error), 1.0))
    if seconds > bank.discharge.within.si:
        message = f"{bank.discharge.within}: the bank takes {show(seconds, 's')} to {dead:.1f} V ({_why(dead)})"
        yield loaded.error((*_PLACE, "discharge", "within"), message)
    yield from _watchdog(loaded)


def _watchdog(loaded: Loaded[BenchFile]) -> Iterator[FileError]:
    """The watchdog has a link of its own to the charger."""
    model, dog = loaded.model, loaded.model.watchdog
    if model.simulated is not None or dog is None:
        return
    taken = {*owners(model), canonical(dog.interlock), canonical(dog.source)}
    if dog.bank in (None, SIMULATED):
        yield loaded.error(("watchdog",), "no link to the bank's charger: want 'bank'", key=True)
    elif canonical(dog.bank) in taken:
        yield loaded.error(
            ("watchdog", "bank"), f"{dog.bank} is another's as well: the watchdog wants a link of its own"
        )


def _why(dead: float) -> str:
    return "limit of touch" if dead >= TOUCH_LIMIT_V else "0.2 J are left there"
