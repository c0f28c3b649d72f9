"""What a current through the switch could become, against what backup, enclosure, clamp and switch stand.

The same for one that is drawn from the source and for a shot from the bank.
"""

from __future__ import annotations

from harness.bench.fault import into_clamp, let_through, loop_at
from harness.bench.safety_spec import LoopSpec
from harness.bench.spec import BenchSpec
from harness.check.spot import Faults, Spot
from harness.quantity import Quantity, show

Place = tuple[str, ...]
"""Where a value stands in a step."""


def check_fault(volts: Quantity, current: float, spot: Spot, at: Place, amperes_at: Place) -> Faults:
    """The fault that a drawn ``current`` (A) becomes when the breaker or the load fails.

    ``at`` and ``amperes_at`` are the places of voltage and current in the step.
    """
    yield from check_live(volts, spot, at)
    if spot.bench is not None and spot.bench.loop is not None and min(volts.si, current) > 0:
        yield from _drawn(volts, current, spot.bench.loop, spot, at, amperes_at)


def check_live(volts: Quantity, spot: Spot, at: Place) -> Faults:
    """The source at ``volts``: a short circuit that the backup has to break, and what the capacitors hold."""
    bench = spot.bench
    if bench is None or volts.si <= 0:
        return
    if bench.backup is not None:
        yield from _backup(volts.si, bench, spot, at)
    if bench.discharge is not None:
        farads = bench.discharge.source_side + bench.discharge.load_side
        yield from check_stored("the capacitors hold", farads, volts, spot, at)


def _backup(volts: float, bench: BenchSpec, spot: Spot, at: Place) -> Faults:
    assert bench.backup is not None
    if volts > bench.backup.voltage:
        yield spot.error(f"beyond what the backup breaks, {show(bench.backup.voltage, 'V')}", *at)
    if bench.loop is not None and (prospective := volts / bench.loop.resistance) > bench.backup.breaking_current:
        most = show(bench.backup.breaking_current, "A")
        yield spot.error(f"a short circuit would be {show(prospective, 'A')}, and the backup breaks {most}", *at)


def check_stored(words: str, farads: float, volts: Quantity, spot: Spot, at: Place) -> Faults:
    """What ``farads`` at ``volts`` hold, the enclosure takes."""
    limits, joules = None if spot.bench is None else spot.bench.limits, 0.5 * farads * volts.si**2
    if limits is not None and joules > limits.energy:
        held = f"{words} {show(joules, 'J')} at {volts}"
        yield spot.error(f"{held}, and the enclosure takes {show(limits.energy, 'J')}", *at)


def _drawn(volts: Quantity, current: float, of: LoopSpec, spot: Spot, at: Place, amperes_at: Place) -> Faults:
    """What is broken charges the clamp with what the loop's inductance holds, and what the source adds.

    Where the load fails, that is what the comparator lets through, and not the current that was asked for.
    """
    clamp, device = spot.device.ratings.clamp, spot.device
    if clamp is None:
        yield spot.error(f"the profile of {device.name} declares no clamp: nothing says what ends the current", *at)
        return
    if clamp[0] <= volts.si:
        yield spot.error(f"a clamp of {show(clamp[0], 'V')} does not end a current that {volts} drive", *at)
        return
    loop, course = loop_at(volts.si, of), spot.course
    fault = let_through(device.functions.values(), loop, device, course.values, course.mode)
    if fault > current:  # else the current itself is said to be beyond
        yield from check_peak(fault, spot, at)
    greatest = max(current, fault)
    yield from check_clamp(greatest, into_clamp(greatest, loop, device), spot, amperes_at)


def check_peak(amperes: float, spot: Spot, at: Place) -> Faults:
    """The switch carries ``amperes`` for a moment."""
    most = spot.device.ratings.peak_current
    if amperes > most:
        yield spot.error(f"up to {show(amperes, 'A')} let through, beyond the switch's {show(most, 'A')}", *at)


def check_clamp(amperes: float, joules: float, spot: Spot, at: Place) -> Faults:
    """Bench and switch let the clamp take ``joules``, which breaking ``amperes`` gives it."""
    limits, withstand = None if spot.bench is None else spot.bench.limits, spot.device.withstand
    allowed = {
        "the bench allows": None if limits is None else limits.clamp_energy,
        "the switch stands": None if withstand is None else withstand.clamp_energy,
    }
    for words, most in allowed.items():
        if most is not None and joules > most:
            asked = f"breaking up to {show(amperes, 'A')} gives the clamp {show(joules, 'J')}"
            yield spot.error(f"{asked}, and {words} {show(most, 'J')}", *at)
