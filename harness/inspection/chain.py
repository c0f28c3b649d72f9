"""The enable chain at 50 V: emergency stop and doors have to take the source away by themselves, in hardware.

The discharge resistors are on and the line is fed from here all the while; nobody tells the source or the contactor
anything until it is gone. What is measured counts from the last look at which the input was closed and the voltage
there.
"""

from __future__ import annotations

from dataclasses import dataclass

from harness.bench.instrument import InstrumentError
from harness.clock import S
from harness.inspection.bank import LowBank
from harness.inspection.checks import Check, Tools, asked
from harness.inspection.low_voltage import SIDES, gone
from harness.inspection.operator import Task
from harness.inspection.rig import FEEDBACK_NS, GONE, LOOK_NS, VOLTS, AtFault
from harness.inspection.row import Finding, Verdict
from harness.quantity import show


@dataclass(frozen=True)
class Thing:
    """What a person opens: its name, its field of Interlock, its lines, and what to ask for."""

    name: str
    field: str
    lines: slice
    open: Task
    close: Task


STOP = Thing("emergency stop", "stop_released", slice(2, 4), Task.PRESS_STOP_LIVE, Task.RELEASE_STOP)
DOORS = Thing("doors", "doors_closed", slice(0, 2), Task.OPEN_DOORS_LIVE, Task.CLOSE_DOORS)


def stop_cuts(tools: Tools) -> Finding:
    """The emergency stop takes the source away, and keeps the bank's charger off."""
    return _opened(tools, STOP, charger=True)


def doors_cut(tools: Tools) -> Finding:
    """The doors take the source away. With a door open nothing is tried to be put on."""
    return _opened(tools, DOORS, charger=False)


def _opened(tools: Tools, thing: Thing, charger: bool) -> Finding:
    try:
        finding = _tried(tools, thing, charger)
    except InstrumentError:
        _closed_again(tools, thing)
        raise
    if _closed_again(tools, thing) or finding.fix is not None:
        return finding
    return Finding(
        f"{finding.found}; no change when asked to {thing.close.value}", f"{thing.name}: close or release it"
    )


def _tried(tools: Tools, thing: Thing, charger: bool) -> Finding:
    """At the end everything is off; ``thing`` is as the person left it."""
    rig = tools.rig
    with rig.energised(discharging=True), rig.opening(thing.field):
        finding = _source_gone(tools, thing)
    if not charger or finding.verdict is not Verdict.OK or not rig.bank_volts or "bank" not in rig.bench.instruments:
        return finding
    with rig.opening(thing.field), rig.guarded():
        volts = LowBank(rig).refuses()
    if volts is None:
        return Finding(f"{finding.found}; the bank's charger gives nothing")
    fix = f"charger: its enable input does not go through the {thing.name}; wire it so"
    return Finding(f"{finding.found}; but its charger puts {volts:.1f} V on the bank", fix)


def _closed_again(tools: Tools, thing: Thing) -> bool:
    lock = tools.rig.interlock
    return all(lock.channels()[thing.lines]) or asked(tools, thing.close, lambda: all(lock.channels()[thing.lines]))


def _source_gone(tools: Tools, thing: Thing) -> Finding:
    """Ask for it to be opened, and look: its channels, and the source side."""
    rig, lock = tools.rig, tools.rig.interlock
    before, there_ns = rig.both()[0], rig.now_ns

    def opened() -> bool:
        nonlocal there_ns
        at_ns, there = rig.now_ns, rig.both()[0] >= GONE * before
        lines = lock.channels()[thing.lines]
        rig.closed()
        if all(lines) and there:
            there_ns = at_ns
        elif all(lines) and at_ns - there_ns > FEEDBACK_NS:
            raise AtFault(
                f"the source was gone before anybody did so ({thing.name})", "source: see why it goes by itself"
            )
        return not any(lines)

    if not asked(tools, thing.open, opened, LOOK_NS):
        lines = lock.channels()[thing.lines]
        if all(lines):
            return Finding(f"nobody did so within {show(tools.within_ns / S, 's')}", whole=False)
        stuck = " and ".join(str(number) for number, line in enumerate(lines, start=1) if line)
        return Finding(f"channel {stuck} did not follow", f"{thing.name}: see contact and wires of channel {stuck}")
    assert rig.spec.watchdog is not None
    allowed_ns = round(rig.spec.watchdog.stop_within * S)
    fix = f"{thing.name}: source enable does not go through its contacts; wire it so, nothing else is energised before"
    why = f"{thing.name}: slower than 'stop_within' in the bench file; see the relays between it and source enable"
    return gone(tools, thing.name, there_ns, before, max(2 * allowed_ns, S), allowed_ns, fix, why)


CHAIN: tuple[Check, ...] = (
    Check(
        *("interlock", f"emergency stop pressed at {VOLTS:g} V", "voltage gone, by hardware", stop_cuts, SIDES),
        live=True,
        first=True,
    ),
    Check(
        *("interlock", f"doors opened at {VOLTS:g} V", "voltage gone, by hardware", doors_cut, SIDES),
        live=True,
        first=True,
    ),
)
"""Nothing more is put on a bench whose emergency stop or doors do not act."""
