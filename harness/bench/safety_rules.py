"""What makes a bench unsafe, read from its file alone: each rule has its own reason, and each its own place.

A bench with a real high-voltage source has to have all that the gate needs. On the simulated bench it may be missing,
but what is there has to make sense.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator
from itertools import pairwise

from harness.bench.bank_rules import check_bank
from harness.bench.bench_file import BenchFile, ConnectedSection
from harness.bench.owners import owners
from harness.bench.proof import TOUCH_ENERGY_J, TOUCH_LIMIT_V
from harness.bench.resource import SIMULATED, canonical
from harness.bench.safety_file import InterlockSection
from harness.files.load import Loaded
from harness.files.marks import FileError
from harness.quantity import show

_NEEDED = {
    "interlock": "doors, emergency stop and arm button",
    "voltmeter": "a reading of both sides of the breaker",
    "contactor": "something that makes the breaker dead: an open solid-state breaker does not isolate",
    "discharge": "discharge resistors on both sides",
    "watchdog": "a watchdog with links of its own",
    "loop": "the loop's inductance and resistance, which say what a fault can draw",
    "backup": "a backup fuse or breaker for what the breaker under test does not clear",
    "limits": "the energy that enclosure and clamp may be asked to take",
}
_ROLES = ("interlock", "voltmeter")
_OHM_PER_VOLT = 100.0  # UN R100 5.1.3.1: least isolation of a d.c. bus
_CHARGED = 3.0  # time constants to 95 %
_LONGEST_WAIT = 10.0  # s that a contactor may be kept closed by a current that does not fall
_LONGEST_STOP = 5.0
"""s: the most that `stop_within` may promise. Common practice, without a source: whoever sees the bench hang is at the
emergency stop in about that time, and a watchdog that is slower than a person is none. Silence and hold follow."""
_RESOLVED = 0.25  # of the touch limit: the most that a reading's own error may be
_ERROR_AT = 1.5  # tolerance of resistor and capacitor together


def unsafe(loaded: Loaded[BenchFile]) -> Iterator[FileError]:
    """Everything that makes this bench unsafe to energise."""
    model = loaded.model
    if model.roles.source is None and model.roles.bank is None:
        return
    yield from _missing(loaded)
    for rule in (_interlock, _watchdog, _voltmeter, _contactor, _discharge, _precharge, _backup, _limits, _isolation):
        yield from rule(loaded)
    yield from _connected(loaded)
    yield from check_bank(loaded)


def _missing(loaded: Loaded[BenchFile]) -> Iterator[FileError]:
    model = loaded.model
    if model.simulated is not None:
        return
    for name, why in _NEEDED.items():
        where = model.roles if name in _ROLES else model
        if getattr(where, name) is None:
            place = ("roles", "source" if model.roles.source is not None else "bank")
            yield loaded.error(place, f"high voltage without {name}: want {why}", key=True)
    lock = model.roles.interlock
    if lock is not None and lock.watchdog is None:
        message = "no watchdog line: want a relay that removes source enable when it is not fed"
        yield loaded.error(("roles", "interlock"), message, key=True)
    if model.roles.load is not None and not model.roles.load.timed:
        message = "only this program would end a current: want a load that holds its cut-off itself (timed: true)"
        yield loaded.error(("roles", "load"), message, key=True)
    if model.limits is not None and model.limits.drawn is None:
        message = "nothing bounds what a stimulus may draw from the source: want 'drawn'"
        yield loaded.error(("limits",), message, key=True)


def _interlock(loaded: Loaded[BenchFile]) -> Iterator[FileError]:
    lock = loaded.model.roles.interlock
    if lock is None:
        return
    place = ("roles", "interlock")
    for name in ("doors", "emergency_stop"):
        first, second = getattr(lock.inputs, name)
        if first == second:
            yield loaded.error((*place, "inputs", name), f"{name}: two channels on one input are one channel")
    inputs = lock.inputs
    lines = (*set(inputs.doors), *set(inputs.emergency_stop), inputs.arm_button, inputs.contactor, inputs.discharge)
    for line, number in Counter(lines).items():
        if number > 1:
            yield loaded.error((*place, "inputs"), f"input {line} is named for more than one thing", key=True)
    for line, number in Counter(_relays(lock)).items():
        if number > 1:
            yield loaded.error((*place, "relays"), f"relay {line} is named for more than one thing", key=True)


def _relays(lock: InterlockSection) -> list[int]:
    relays = [number for number in lock.relays.model_dump().values() if number is not None]
    return relays + ([lock.watchdog.relay] if lock.watchdog is not None else [])


def _watchdog(loaded: Loaded[BenchFile]) -> Iterator[FileError]:
    model = loaded.model
    dog, lock = model.watchdog, model.roles.interlock
    if dog is None:
        return
    if model.simulated is None:
        taken = owners(model)
        for name in ("interlock", "source"):
            resource = getattr(dog, name)
            if resource == SIMULATED:
                yield loaded.error(("watchdog",), f"no link to the {name}: want '{name}'", key=True)
            elif (role := taken.get(canonical(resource))) is not None:
                message = f"{resource} is the harness's {role} as well: the watchdog wants a link of its own"
                yield loaded.error(("watchdog", name), message)
        if dog.interlock != SIMULATED and canonical(dog.interlock) == canonical(dog.source):
            yield loaded.error(("watchdog", "source"), "the watchdog's two links are one and the same")
    if dog.heartbeat.si <= 0:
        yield loaded.error(
            ("watchdog", "heartbeat"), f"{dog.heartbeat}: a heartbeat that never comes; want more than 0"
        )
    if dog.stop_within.si > _LONGEST_STOP:
        message = f"{dog.stop_within}: the source stays on for too long after the harness is lost; want at most"
        yield loaded.error(("watchdog", "stop_within"), f"{message} {_LONGEST_STOP:g} s")
    if dog.silence.si < 2 * dog.heartbeat.si:
        message = f"{dog.silence}: want two heartbeats ({dog.heartbeat}) or more, else one late beat ends a run"
        yield loaded.error(("watchdog", "silence"), message)
    if dog.stop_within.si <= dog.silence.si:
        message = f"{dog.stop_within}: nothing can be off sooner than the silence of {dog.silence} is noticed"
        yield loaded.error(("watchdog", "stop_within"), message)
    if lock is not None and lock.watchdog is not None:
        if lock.watchdog.hold.si <= dog.heartbeat.si:
            message = f"{lock.watchdog.hold}: falls off between two heartbeats of {dog.heartbeat}"
            yield loaded.error(("roles", "interlock", "watchdog", "hold"), message)
        if lock.watchdog.hold.si > dog.stop_within.si:
            message = f"{lock.watchdog.hold}: holds the source on longer than stop_within ({dog.stop_within}) promises"
            yield loaded.error(("roles", "interlock", "watchdog", "hold"), message)


def _voltmeter(loaded: Loaded[BenchFile]) -> Iterator[FileError]:
    meter = loaded.model.roles.voltmeter
    if meter is None:
        return
    if meter.source_side == meter.load_side:
        yield loaded.error(("roles", "voltmeter", "load_side"), "one channel cannot read both sides of the breaker")
    error = meter.accuracy.offset.si + meter.accuracy.gain.si * _volts(loaded)
    if error > _RESOLVED * TOUCH_LIMIT_V:
        message = f"may be {error:.0f} V wrong: too much to prove that a side is below {TOUCH_LIMIT_V:.0f} V"
        yield loaded.error(("roles", "voltmeter", "accuracy"), message, key=True)


def _contactor(loaded: Loaded[BenchFile]) -> Iterator[FileError]:
    contactor = loaded.model.contactor
    if contactor is None:
        return
    if contactor.breaking_current.si <= 0:
        yield loaded.error(("contactor", "breaking_current"), "a contactor that may break nothing can never be opened")
    if not 0 < contactor.maximum_wait.si <= _LONGEST_WAIT:
        message = f"{contactor.maximum_wait}: want more than 0 and at most {_LONGEST_WAIT:g} s"
        yield loaded.error(("contactor", "maximum_wait"), message)


def _discharge(loaded: Loaded[BenchFile]) -> Iterator[FileError]:
    discharge, volts = loaded.model.discharge, _volts(loaded)
    if discharge is None:
        return
    for side in ("source_side", "load_side"):
        farad = getattr(discharge, side).si
        if farad <= 0 or discharge.resistance.si <= 0:
            yield loaded.error(("discharge", side), "want a capacitance and a resistance above 0")
            continue
        dead = min(TOUCH_LIMIT_V, math.sqrt(2 * TOUCH_ENERGY_J / farad))
        seconds = _ERROR_AT * discharge.resistance.si * farad * math.log(max(volts / dead, 1.0))
        if seconds > discharge.within.si:
            message = (
                f"{side}: {show(volts, 'V')} take {show(seconds, 's')} to {show(dead, 'V')} with tolerances, and"
                f" {discharge.within} is allowed"
            )
            yield loaded.error(("discharge", "within"), message)


def _precharge(loaded: Loaded[BenchFile]) -> Iterator[FileError]:
    model = loaded.model
    relay = model.roles.interlock is not None and model.roles.interlock.relays.precharge is not None
    if model.precharge is not None and not relay:
        yield loaded.error(("precharge",), "a precharge resistor without a relay of the interlock", key=True)
    if model.discharge is None:
        return
    if model.precharge is None:
        if model.simulated is None and model.roles.source is not None and model.discharge.load_side.si > 0:
            want = "want a resistor and a relay that charge it before anything closes onto it"
            message = f"{model.discharge.load_side} on the load side and no precharge: {want}"
            yield loaded.error(("discharge", "load_side"), message)
        return
    seconds = _CHARGED * _ERROR_AT * model.precharge.resistance.si * model.discharge.load_side.si
    if seconds > model.precharge.within.si:
        message = f"{model.precharge.within}: charging the load side takes {show(seconds, 's')} with tolerances"
        yield loaded.error(("precharge", "within"), message)
    source = model.roles.source
    if source is not None and model.precharge.resistance.si * source.current.si < 0.1 * source.voltage.si:
        message = f"{model.precharge.resistance}: too little to hold the source's {source.current} back"
        yield loaded.error(("precharge", "resistance"), message)


def _backup(loaded: Loaded[BenchFile]) -> Iterator[FileError]:
    model, volts = loaded.model, _volts(loaded)
    backup, loop = model.backup, model.loop
    if backup is None:
        return
    if backup.voltage.si < volts:
        message = f"{backup.voltage}: cannot break {show(volts, 'V')}"
        yield loaded.error(("backup", "voltage"), message)
    if loop is not None and loop.resistance.si <= 0:
        yield loaded.error(("loop", "resistance"), "want more than 0: nothing else limits a fault")
    elif loop is not None and (prospective := volts / loop.resistance.si) > backup.breaking_current.si:
        message = f"{backup.breaking_current}: the prospective current is {show(prospective, 'A')}"
        yield loaded.error(("backup", "breaking_current"), message)
    curve = [(current.si, time.si) for current, time in backup.curve]
    if any(then[0] <= now[0] or then[1] >= now[1] for now, then in pairwise(curve)):
        message = "want currents that rise and times that fall: more current has to be cleared sooner"
        yield loaded.error(("backup", "curve"), message)
    if curve[0][0] <= backup.current.si:
        message = f"the curve begins at {show(curve[0][0], 'A')}, which {backup.current} of rating carry for ever"
        yield loaded.error(("backup", "curve"), message)


def _limits(loaded: Loaded[BenchFile]) -> Iterator[FileError]:
    model, volts = loaded.model, _volts(loaded)
    if model.limits is None:
        return
    if model.discharge is not None:
        stored = 0.5 * (model.discharge.source_side.si + model.discharge.load_side.si) * volts**2
        if stored > model.limits.energy.si:
            message = f"{model.limits.energy}: the capacitors alone hold {show(stored, 'J')}"
            yield loaded.error(("limits", "energy"), message)
    bank = model.roles.bank
    if bank is not None and 0.5 * bank.capacitance.si * bank.voltage.si**2 > model.limits.energy.si:
        stored = 0.5 * bank.capacitance.si * bank.voltage.si**2
        yield loaded.error(("limits", "energy"), f"{model.limits.energy}: the bank alone holds {show(stored, 'J')}")


def _isolation(loaded: Loaded[BenchFile]) -> Iterator[FileError]:
    isolation, volts = loaded.model.roles.isolation, _volts(loaded)
    if isolation is not None and isolation.at_least.si < _OHM_PER_VOLT * volts:
        wanted = show(_OHM_PER_VOLT * volts, "ohm")
        message = f"{isolation.at_least}: want {_OHM_PER_VOLT:g} ohm/V or more (UN R100 5.1.3.1), {wanted} here"
        yield loaded.error(("roles", "isolation", "at_least"), message)


def _connected(loaded: Loaded[BenchFile]) -> Iterator[FileError]:
    """What no relay takes off the breaker is isolated for all that source and bank can put on it."""
    volts = _volts(loaded)
    for role, section in loaded.model.roles:
        if not isinstance(section, ConnectedSection):
            continue
        stays = f"{role} stays connected to the breaker while {show(volts, 'V')} are on it"
        if section.isolated_for is None:
            message = f"{stays}: declare 'isolated_for', or take the role out of this bench"
            yield loaded.error(("roles", role), message, key=True)
        elif section.isolated_for.si < volts:
            message = f"{section.isolated_for}: {stays}; want isolation for that, or take the role out of this bench"
            yield loaded.error(("roles", role, "isolated_for"), message)


def _volts(loaded: Loaded[BenchFile]) -> float:
    roles = loaded.model.roles
    return max((section.voltage.si for section in (roles.source, roles.bank) if section is not None), default=0.0)
