"""Checks of the capacitor bank at low voltage: it is charged and falls, its making switch makes and parts.

The making switch closes while everything is dead, and the bank is charged slowly then: made at voltage, bank, loop and
capacitors on both sides would ring, and come to twice what was put on.
"""

from __future__ import annotations

from collections.abc import Callable

from harness.bench.bank import RELAYS
from harness.clock import MS, S
from harness.inspection.bank import FALL_FIX, LowBank
from harness.inspection.checks import Check, Tools
from harness.inspection.rig import VOLTS, AtFault, Rig
from harness.inspection.row import Finding
from harness.quantity import show

_CONTACT_NS = 100 * MS  # a making switch has followed by then; common practice, no source
_FOLLOWS = 0.1  # of the bank's voltage, that what is across the breaker may differ by
_WELDED = "making switch: welded, or its relay `pulse` hangs; replace it before anything is put on"


def charged(tools: Tools) -> Finding:
    """By its charger, with the making switch open; both sides stay dead, and the bank falls through its resistor."""
    rig, bank = tools.rig, LowBank(tools.rig)
    with rig.guarded():
        bank.charge(lambda: _parted(rig, bank))
        held, began_ns = bank.volts(), rig.now_ns
        _parted(rig, bank)
        problems = bank.discharge()
        if problems:
            return Finding("; ".join(problems), FALL_FIX)
        took = show((rig.now_ns - began_ns) / S, "s")
        return Finding(f"{held:.1f} V, and {bank.volts():.1f} V after {took}")


def _parted(rig: Rig, bank: LowBank) -> None:
    if (volts := rig.most()) > max(bank.full / 4, rig.error):
        raise AtFault(f"a side reads {volts:.1f} V while the bank is charged and its making switch open", _WELDED)


def making(tools: Tools) -> Finding:
    """Closed with everything dead: both sides follow the bank while it is charged. Opened: they do no longer."""
    rig, bank = tools.rig, LowBank(tools.rig)
    with rig.guarded():
        rig.interlock.relay("pulse", True)
        rig.sleep(_CONTACT_NS)
        bank.charge(lambda: None)
        source_side, load_side = rig.both()
        held, across = bank.volts(), source_side - load_side
        if problems := bank.discharge():
            return Finding("; ".join(problems), FALL_FIX)
        rig.interlock.relay("pulse", False)
        found = f"{across:.1f} V across the breaker, {held:.1f} V on the bank"
        if abs(across - held) > _FOLLOWS * held + 2 * rig.error + bank.error(held):
            return Finding(found, "making switch: see coil, both poles, and the leads from the bank to both sides")
        rig.sleep(_CONTACT_NS)
        bank.charge(lambda: _parted(rig, bank))
        _parted(rig, bank)
        problems = bank.discharge()
        return Finding("; ".join(problems) or f"{found}; nothing once it is open", FALL_FIX if problems else None)


def line(tools: Tools) -> Finding:
    """The charger told to go on while nobody feeds the line: the hardware has to keep it off."""
    with tools.rig.guarded(fed=False):
        volts = LowBank(tools.rig).refuses()
    fix = "charger: its enable input does not go through the watchdog line; wire it so"
    return Finding("nothing comes" if volts is None else f"{volts:.1f} V on the bank", None if volts is None else fix)


def _live(role: str, done: str, wanted: str, do: Callable[[Tools], Finding], first: bool = False) -> Check:
    return Check(role, done, wanted, do, ("interlock", "voltmeter", "bank"), live=True, first=first, relays=RELAYS)


_DONE = f"charged to at most {VOLTS:g} V and discharged"
BANK_SEEN: tuple[Check, ...] = (_live("bank", _DONE, "falls as declared, both sides stay dead", charged, first=True),)
"""The bank is seen to charge and to fall: before that its reading says nothing."""
BANK: tuple[Check, ...] = (
    _live("bank", "making switch closed and opened", "both sides follow, and no longer", making, first=True),
    _live("watchdog", "charger told on, line not fed", "bank stays dead", line),
)
"""Where the bench has a bank, with the relays that make and discharge it."""
