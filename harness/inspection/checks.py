"""Checks that put nothing on the bench: outputs off, both sides dead, interlock and relays; what a person has to do."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

from harness.bench.instrument import CurrentStimulus, IsolationMonitor, PowerSupply, SignalSource
from harness.bench.proof import TOUCH_LIMIT_V
from harness.clock import MS, S
from harness.inspection.bank import LowBank
from harness.inspection.operator import Operator, Task
from harness.inspection.rig import FEEDBACK_NS, Rig
from harness.inspection.row import Finding
from harness.quantity import show

_PERSON_LOOK_NS = 20 * MS
_PROGRESS_NS = S
_CUT_12V = 0.1  # of the supply's voltage: below it is cut
_CUT_12V_NS = S  # a supply that takes longer has no fast cut; common practice, no source

FULL = "bank: see what feeds it, its resistor and the relay bank_discharge; discharge it by hand, verify, short it"
OFF = "output commanded off"
"""What is done with each role that can give anything."""


@dataclass(frozen=True)
class Tools:
    """What a check has to work with."""

    rig: Rig
    operator: Operator
    within_ns: int  # for a person to do what is asked
    measured: dict[str, float]  # times to off that were measured, s, by what was taken away


@dataclass(frozen=True)
class Check:
    """One row to be: ``roles`` have to have answered. ``person``: somebody has to be there. ``live``: 50 V are on.

    ``first``: nothing is put on the bench while this is at fault. ``relays``: of the interlock, that it takes as well.
    """

    role: str
    done: str
    wanted: str
    do: Callable[[Tools], Finding]
    roles: tuple[str, ...]
    person: bool = True
    live: bool = False
    first: bool = False
    relays: tuple[str, ...] = ()


def output_off(role: str, tools: Tools) -> Finding:
    """Off, by its own word, and what it measures where it measures. What is in the bank has a row of its own."""
    instrument = tools.rig.instrument(role)
    assert isinstance(instrument, PowerSupply | CurrentStimulus | SignalSource)
    instrument.off()
    if not isinstance(instrument, PowerSupply) or role == "bank":
        return Finding("off")
    volts = instrument.voltage()
    live = abs(volts) >= TOUCH_LIMIT_V
    fix = "its output is live: switch it off by hand, and see what else feeds it" if live else None
    return Finding(f"off, {volts:.1f} V", fix)


def relays_at_rest(tools: Tools) -> Finding:
    """Contactor open and discharge on, by their feedback."""
    rig = tools.rig
    rig.interlock.relay("contactor", False)
    rig.interlock.relay("discharge", True)
    rig.wait(lambda: not (now := rig.interlock.inputs()).contactor and now.discharge, FEEDBACK_NS)
    inputs = rig.interlock.inputs()
    found = f"contactor {_closed(inputs.contactor)}, discharge {_closed(inputs.discharge)}"
    if inputs.contactor:
        return Finding(found, "contactor: welded, or its auxiliary contact is wired the wrong way round")
    return Finding(found, None if inputs.discharge else "discharge relay: see its coil and its feedback contact")


def bank_dead(tools: Tools) -> Finding:
    """Making switch open, resistor on, and what is left after the time that the bench file gives it."""
    rig, bank = tools.rig, LowBank(tools.rig)
    if "interlock" in rig.bench.instruments and rig.bank_volts:
        rig.interlock.relay("pulse", False)
        rig.interlock.relay("bank_discharge", True)
    first, left = bank.volts(), bank.wait_dead()
    return Finding(f"{bank.volts():.1f} V" + (f", {first:.1f} V at first" if bank.live(first) else ""), left and FULL)


def both_dead(tools: Tools) -> Finding:
    """Both sides, twice."""
    first = tools.rig.both()
    tools.rig.sleep(100 * MS)
    second = tools.rig.both()
    return Finding(f"{max(first[0], second[0]):.1f} V and {max(first[1], second[1]):.1f} V")


def isolation(tools: Tools) -> Finding:
    """The monitor's reading against the least that the bench declares."""
    spec = tools.rig.spec.isolation
    assert spec is not None
    ohm = tools.rig.role("isolation", IsolationMonitor).resistance()
    fix = "find what ties the bus to earth; nothing is energised below that" if ohm < spec.at_least else None
    return Finding(f"{ohm / 1e3:.0f} kohm, at least {spec.at_least / 1e3:.0f} kohm", fix)


def contactor(tools: Tools) -> Finding:
    """Closes and opens, with nothing on."""
    return _relay(tools, "contactor", lambda: tools.rig.interlock.inputs().contactor, rest=False)


def discharge_relay(tools: Tools) -> Finding:
    """Opens and closes, with nothing on."""
    return _relay(tools, "discharge", lambda: tools.rig.interlock.inputs().discharge, rest=True)


def _relay(tools: Tools, name: str, feedback: Callable[[], bool], rest: bool) -> Finding:
    rig, took = tools.rig, []
    for closed in (not rest, rest):
        rig.interlock.relay(name, closed)
        seconds = rig.wait(partial(_is, feedback, closed), FEEDBACK_NS)
        if seconds is None:
            rig.interlock.relay(name, rest)
            word, other = _closed(closed), _closed(not closed)
            return Finding(f"still {other} after it was told {word}", f"{name}: {_WHY[closed]}")
        took.append(f"{_closed(closed)} after {show(seconds, 's')}")
    return Finding(", ".join(took))


_WHY = {
    True: "see its coil, its supply and its feedback contact",
    False: "welded, or its feedback contact hangs; replace it before anything is put on",
}


def supply_cut(tools: Tools) -> Finding:
    """The 12 V on and cut: how long until they are gone."""
    rig = tools.rig
    supply, spec = rig.role("supply_12v", PowerSupply), rig.spec.supply_12v
    try:
        supply.configure(spec.voltage, spec.current_limit)
        supply.output(True)
        if rig.wait(lambda: supply.voltage() >= (1 - _CUT_12V) * spec.voltage, S) is None:
            return Finding(f"comes to {supply.voltage():.1f} V", f"it does not come to {spec.voltage:g} V: overloaded?")
        began_ns = rig.now_ns
    finally:
        supply.off()
    if rig.wait(lambda: supply.voltage() < _CUT_12V * spec.voltage, _CUT_12V_NS, MS) is None:
        return Finding(
            f"still {supply.voltage():.1f} V", "it has no fast cut: want a relay or a down-programming supply"
        )
    tools.measured["12 V cut"] = seconds = (rig.now_ns - began_ns) / S
    return Finding(f"gone {show(seconds, 's')} after the command")


def doors(tools: Tools) -> Finding:
    """Opened and closed by a person; both channels have to follow."""
    return _pair(tools, "doors", slice(0, 2), (Task.OPEN_DOORS, False), (Task.CLOSE_DOORS, True))


def emergency_stop(tools: Tools) -> Finding:
    """Pressed and released by a person; both channels have to follow."""
    return _pair(tools, "emergency stop", slice(2, 4), (Task.PRESS_STOP, False), (Task.RELEASE_STOP, True))


def _pair(tools: Tools, name: str, lines: slice, *tasks: tuple[Task, bool]) -> Finding:
    lock = tools.rig.interlock
    begin = lock.channels()[lines]
    if begin != [True, True]:
        fix = f"{name}: close or release it and begin again; where it is, see wires and contacts of that channel"
        return Finding(f"at rest {_shown(begin)}", fix)
    for task, wanted in tasks:
        if not asked(tools, task, partial(_is, lambda: lock.channels()[lines], [wanted] * 2)):
            found = lock.channels()[lines]
            stuck = " and ".join(str(number) for number, line in enumerate(found, start=1) if line is not wanted)
            which = f"channel{'s' if ' and ' in stuck else ''} {stuck}"
            return Finding(
                f"{which} did not follow when asked to {task.value}",
                f"{name}: see contact and wires of {which}, and its input number in the bench file",
            )
    return Finding("both channels follow")


def arm_button(tools: Tools) -> Finding:
    """Released at rest, pressed and released by a person."""
    lock = tools.rig.interlock
    if lock.inputs().arm_button:
        return Finding("held down before anybody was asked to press it", "arm button: it hangs, or it is tied down")
    for task, wanted in ((Task.PRESS_BUTTON, True), (Task.RELEASE_BUTTON, False)):
        if not asked(tools, task, partial(_is, lambda: lock.inputs().arm_button, wanted)):
            return Finding(f"no change when asked to {task.value}", "arm button: see its contact, wires, input number")
    return Finding("pressed and let go")


def asked(tools: Tools, task: Task, seen: Callable[[], bool], look_ns: int = _PERSON_LOOK_NS) -> bool:
    """Ask for ``task``, wait for it with the time left shown. The line is fed meanwhile where it is to be."""
    rig, operator = tools.rig, tools.operator
    operator.ask(task)
    deadline_ns, told_ns, came = rig.now_ns + tools.within_ns, rig.now_ns - _PROGRESS_NS, False
    while not (came := seen()) and rig.now_ns < deadline_ns:
        if rig.now_ns - told_ns >= _PROGRESS_NS:
            told_ns = rig.now_ns
            operator.waiting(task, (deadline_ns - told_ns) / S)
        rig.sleep(look_ns)
    operator.done(task, came)
    return came


def _is(read: Callable[[], object], wanted: object) -> bool:
    return read() == wanted


def _closed(closed: bool) -> str:
    return "closed" if closed else "open"


def _shown(lines: list[bool]) -> str:
    return " and ".join(f"channel {number} {_closed(line)}" for number, line in enumerate(lines, start=1))


def _off(role: str) -> Check:
    return Check(role, OFF, "off", partial(output_off, role), (role,), person=False, first=True)


_LOCK, _METER = ("interlock",), ("voltmeter",)
PASSIVE: tuple[Check, ...] = (
    *(_off(role) for role in ("source", "bank", "injector", "load", "gate_supply", "bus_signal", "ntc", "supply_12v")),
    Check(
        *("interlock", "contactor open, discharge on", "contactor open, discharge closed", relays_at_rest, _LOCK),
        person=False,
        first=True,
    ),
    Check(
        *("bank", "making switch open, resistor on", "below 60 V, and less than 0.2 J", bank_dead, ("bank",)),
        person=False,
        first=True,
    ),
    Check(
        *("voltmeter", "both sides read", f"below {TOUCH_LIMIT_V:g} V", both_dead, _METER),
        person=False,
        first=True,
    ),
    Check(
        *("isolation", "resistance read", "the least that is declared", isolation, ("isolation",)),
        person=False,
        first=True,
    ),
)
"""Looked at whoever is there."""
WITH_A_PERSON: tuple[Check, ...] = (
    Check("interlock", "doors opened and closed", "both channels follow", doors, _LOCK, first=True),
    Check(
        *("interlock", "emergency stop pressed and released", "both channels follow", emergency_stop, _LOCK), first=True
    ),
    Check("interlock", "arm button pressed and let go", "released, pressed, released", arm_button, _LOCK),
    Check("interlock", "contactor closed and opened", "its feedback follows", contactor, _LOCK, first=True),
    Check("interlock", "discharge opened and closed", "its feedback follows", discharge_relay, _LOCK, first=True),
    Check("supply_12v", "12 V on and cut", "gone within 1 s", supply_cut, ("supply_12v",)),
)
"""Looked at while somebody stands there: things move."""
