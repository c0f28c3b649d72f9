"""Checks at 50 V: both sides charged and seen to fall, and how soon each way of taking the source away is felt.

While a time is measured the discharge resistors are on, so that a source that no longer feeds is seen at once: by the
first reading below nine tenths of what was there. What the fall to there and the voltmeter take is in the time, which
is thereby never too short.
"""

from __future__ import annotations

import math
import tempfile
from collections.abc import Callable
from pathlib import Path

from harness.bench.instrument import InstrumentError
from harness.bench.interlock import Voltmeter
from harness.bench.proof import Capacitor, Side, Stamp, fall
from harness.clock import MS, S
from harness.inspection.checks import Check, Tools
from harness.inspection.rig import DISCHARGE_FIX, FEEDBACK_NS, GONE, LOOK_NS, VOLTS, Rig
from harness.inspection.row import Finding
from harness.quantity import show

_CHARGED = 0.9  # of the source side's voltage, on the load side
_FLOOR_V = 5.0  # readings above it show the way down
_STAYS_NS = 3 * S  # both sides are watched for what capacitors give back
_RESTS_NS = 50 * MS
_READ_NS = 20 * MS  # what messages and readings may take
_STEADY = 3  # hold times of the line through which the source has to stay on while that is fed
_MOST_NS = 5 * S  # nothing is waited for longer
_SLOWER = 1.5  # of the declared time constant; the same as in harness/bench/proof.py
WATCHDOG = "watchdog process"
"""Whose time to off is kept beside the runs."""


def charge(tools: Tools) -> Finding:
    """Source side by the source, load side through the precharge resistor."""
    with tools.rig.energised(discharging=False):
        return _charged(tools.rig)


def _charged(rig: Rig) -> Finding:
    spec = rig.spec.precharge
    if (ahead := rig.both()[1]) > rig.volts / 2:
        fix = "breaker or bypass: it conducts while it should be open; a shorted switch looks like that"
        return Finding(f"the load side reads {ahead:.1f} V before it is charged", fix)
    if not rig.interlock.has("precharge"):
        return Finding(f"{rig.both()[0]:.1f} V; nothing charges the load side: the bench has no precharge", whole=False)
    rig.interlock.relay("precharge", True)
    try:
        up = rig.wait(
            lambda: (both := rig.both())[1] >= _CHARGED * both[0], round((1.0 if spec is None else spec.within) * S)
        )
    finally:
        rig.interlock.relay("precharge", False)
    source_side, load_side = rig.both()
    found = f"{source_side:.1f} V and {load_side:.1f} V"
    if up is None:
        return Finding(found, "load side: see its sense lead, the precharge relay and resistor, and for a short")
    own = rig.source.voltage()
    if abs(own - source_side) > rig.error + 0.1 * rig.volts:
        return Finding(f"{found}; the source says {own:.1f} V", "voltmeter or source: one of them reads wrong")
    return Finding(found)


def falls(tools: Tools) -> Finding:
    """Charged, cut off, discharged: each channel has to fall as resistor and capacitor let it."""
    rig = tools.rig
    spec = rig.discharge
    within_ns = round(spec.within * S)
    with rig.energised(discharging=False):
        if (charged := _charged(rig)).fix is not None:
            return charged
        rig.source.off()
        rig.interlock.relay("contactor", False)
        rig.wait(lambda: not rig.interlock.inputs().contactor, FEEDBACK_NS)
        rig.interlock.relay("discharge", True)
        began_ns = rig.now_ns
        stamps: list[Stamp] = []
        sides: list[tuple[float, float]] = []
        while not sides or (max(map(abs, sides[-1])) > rig.error and rig.now_ns - began_ns < within_ns):
            asked_ns = rig.now_ns
            sides.append(rig.both())
            stamps.append((asked_ns / S, rig.now_ns / S))
            rig.sleep(LOOK_NS)
    tied = spec.resistance * (spec.source_side + spec.load_side) / 2
    problems = []
    charged_sides = (("source side", 0, spec.source_side), ("load side", 1, spec.load_side))[: 1 + charged.whole]
    for name, index, farad in charged_sides:
        volts = [both[index] for both in sides]
        alone = spec.resistance * farad
        taus = min(alone, tied), max(alone, tied)
        of = Capacitor(name, volts, Side(limit=_FLOOR_V), volts[0], farad, taus, rig.error)
        problems += [f"{name}: {problem}" for problem in fall(stamps, of)]
    if problems:
        return Finding("; ".join(problems), DISCHARGE_FIX)
    which = "both" if charged.whole else "source side"
    took = show(stamps[-1][1] - began_ns / S, "s")
    return Finding(f"{which} below {max(sides[-1]) + 0.05:.1f} V after {took}", whole=charged.whole)


def stays_dead(tools: Tools) -> Finding:
    """What capacitors give back after they were charged and discharged."""
    rig = tools.rig
    with rig.energised(discharging=False):
        _charged(rig)
    rig.wait(lambda: rig.most() < rig.volts / 20, round(rig.discharge.within * S))
    most, end_ns = 0.0, rig.now_ns + _STAYS_NS
    while rig.now_ns < end_ns:
        most = max(most, *map(abs, rig.role("voltmeter", Voltmeter).both()))
        rig.sleep(_RESTS_NS)
    limit = rig.volts / 10
    fix = "voltage comes back: leave the discharge on, short both sides before anybody touches them"
    return Finding(f"{most:.1f} V at most", fix if most > limit else None)


def source_off(tools: Tools) -> Finding:
    """The source's own command."""
    return _cut(tools, "source off", lambda: tools.rig.source.off(), "source: it does not go off when it is told to")


def contactor_open(tools: Tools) -> Finding:
    """The contactor under voltage, with next to no current."""
    fix = "contactor: what its feedback says and what it does are two things"
    return _cut(tools, "contactor open", lambda: tools.rig.interlock.relay("contactor", False), fix)


def _cut(tools: Tools, name: str, act: Callable[[], None], fix: str) -> Finding:
    rig = tools.rig
    with rig.energised(discharging=True):
        before, began_ns = rig.both()[0], rig.now_ns
        act()
        return gone(tools, name, began_ns, before, _MOST_NS, _MOST_NS, fix)


def gone(
    tools: Tools, name: str, began_ns: int, before: float, wait_ns: int, allowed_ns: int, fix: str, why: str = ""
) -> Finding:
    """How long after ``began_ns`` the source side was seen to fall from ``before``."""
    rig = tools.rig
    if rig.wait(lambda: rig.both()[0] < GONE * before, wait_ns, MS) is None:
        return Finding(f"still {rig.both()[0]:.1f} V after {show(wait_ns / S, 's')}", fix)
    tools.measured[name] = seconds = (rig.now_ns - began_ns) / S
    late = seconds > allowed_ns / S
    allowed = "" if allowed_ns == wait_ns else f", {show(allowed_ns / S, 's')} allowed"
    return Finding(f"gone after {show(seconds, 's')}{allowed}", (why or fix) if late else None)


def watchdog_line(tools: Tools) -> Finding:
    """The line is fed, and then no longer: the hardware has to take source enable away, whatever software does."""
    rig = tools.rig
    spec = rig.discharge
    seen_s = _SLOWER * spec.resistance * spec.source_side * math.log(1 / GONE)
    allowed_ns = rig.hold_ns + math.ceil(seen_s * S / MS) * MS + _READ_NS
    with rig.energised(discharging=True):
        before = rig.both()[0]
        if rig.wait(lambda: rig.both()[0] < GONE * before, _STEADY * rig.hold_ns) is not None:
            return Finding(
                "source gone while the line was fed", "watchdog line: its hold time is shorter than declared"
            )
        rig.interlock.feed(True)
        began_ns = rig.now_ns
        rig.feed(False)
        fix = "watchdog line: source enable does not go through its relay; wire it so"
        why = "watchdog line: its relay holds longer than 'hold' in the bench file says"
        return gone(tools, "watchdog line", began_ns, before, max(_MOST_NS, 2 * rig.hold_ns), allowed_ns, fix, why)


def watchdog_process(tools: Tools) -> Finding:
    """The watchdog guards, and then hears nothing any more: how soon the source is gone."""
    rig, start = tools.rig, tools.rig.bench.start_watchdog
    spec = rig.spec.watchdog
    assert start is not None and spec is not None
    with tempfile.TemporaryDirectory() as folder:
        dog = start(Path(folder))
        try:
            dog.guard(True)
            dog.beat()
            with rig.energised(discharging=True, fed=False):
                before = rig.both()[0]
                if not dog.alive():
                    raise InstrumentError("the watchdog acted, or ended, while it was beaten")
                began_ns = rig.now_ns
                dog.beat()  # the worst of times: a beat has just gone out
                dog.hush()
                fix = "watchdog: see its own links and that the line goes to source enable"
                why = "watchdog: slower than 'stop_within' in the bench file; see what its links take, or declare more"
                return gone(tools, WATCHDOG, began_ns, before, _MOST_NS, round(spec.stop_within * S), fix, why)
        finally:
            dog.close()


SIDES = ("interlock", "voltmeter", "source")
"""Roles that every check at 50 V takes."""


def _live(role: str, done: str, wanted: str, do: Callable[[Tools], Finding], first: bool = False) -> Check:
    return Check(role, done, wanted, do, SIDES, live=True, first=first)


LIVE: tuple[Check, ...] = (
    _live("voltmeter", f"both sides charged to {VOLTS:g} V", "both read it", charge, first=True),
    _live("discharge", f"both sides discharged from {VOLTS:g} V", "fall as declared, both channels", falls, first=True),
    _live("discharge", "both sides watched afterwards", f"below {VOLTS / 10:g} V", stays_dead, first=True),
    _live("source", "switched off by command", "voltage gone", source_off, first=True),
    _live("contactor", "opened under voltage", "voltage gone", contactor_open, first=True),
)
"""Both sides are seen to charge and to fall, source and contactor to let go: before that nobody opens a door."""
WATCHDOGS: tuple[Check, ...] = (
    _live("watchdog", "line no longer fed", "voltage gone within 'hold'", watchdog_line),
    _live("watchdog", "beats withheld from its process", "voltage gone within 'stop_within'", watchdog_process),
)
"""How soon the source is gone when nobody feeds the line, and when nobody beats."""
