"""What a stimulus may cost: its cut-off and who holds it, the fault that it could become, where it is injected."""

from __future__ import annotations

from harness.bench.cut_off import HOST_S, CutOff, of_health, of_hold, of_trip
from harness.bench.hazard import Hazard, hazard_of, volts_of
from harness.bench.safety_spec import LoopSpec
from harness.bench.spec import BenchSpec
from harness.check.spot import Faults, Spot
from harness.plan.steps import CheckHealth, ExpectNoTrip, ExpectTrip, Step, Stimulus
from harness.quantity import Quantity, show
from harness.trip.corner import pickup_zone
from harness.trip.fault_current import Loop
from protocol.protection import Instantaneous

Place = tuple[str, ...]
"""Where a value stands in a step."""


def check_cut_off(step: ExpectTrip | ExpectNoTrip, seconds: float, spot: Spot) -> Faults:
    """``seconds`` is what a good breaker may take, or how long the stimulus is to last."""
    if isinstance(step, ExpectTrip):
        found, needs = of_trip(step, spot.device, spot.bench, seconds), "a good breaker may take"
    else:
        found, needs = of_hold(step, spot.device, spot.bench, seconds), "the step lasts"
    if found.seconds < seconds:
        what = step.level if step.ramp is None and step.pulses is None else "this"
        stands = f"{found.ruled_by} stands {what} for {show(found.seconds, 's')}"
        yield spot.error(f"{stands}, and {needs} {show(seconds, 's')}", step.key)
    yield from _holder(step, found, spot)


def _holder(step: Stimulus, found: CutOff, spot: Spot) -> Faults:
    """A short cut-off is held by the instrument."""
    if spot.bench is None or not step.is_current or found.seconds >= HOST_S:
        return
    role = "load" if step.draw is not None else "injector"
    stimulus = spot.bench.load if step.draw is not None else spot.bench.injector
    if stimulus is not None and not stimulus.timed:
        message = f"a cut-off after {show(found.seconds, 's')} has to be held by the {role}"
        yield spot.error(f"{message}, and bench {spot.bench.name} does not say that it does (timed: true)", step.key)


def check_health_fault(step: CheckHealth, spot: Spot) -> Faults:
    """The same of a current that measures the switch, and of a voltage across an open one."""
    if (drop := step.voltage_drop) is not None:
        yield from check_fault(drop.voltage, drop.draw.si, spot, ("voltage_drop", "voltage"), ("voltage_drop", "draw"))
        found = of_health(drop.draw.si, drop.voltage.si, spot.device, spot.bench)
        if found.ruled_by != "duration":
            stands = f"{found.ruled_by} stands {drop.draw} for {show(found.seconds, 's')}"
            yield spot.error(f"{stands}, and the measurement may take longer", "voltage_drop", "draw")
    if (leakage := step.leakage) is not None:
        yield from check_fault(leakage.voltage, None, spot, ("leakage", "voltage"), ())


def check_fault(volts: Quantity, current: float | None, spot: Spot, at: Place, amperes_at: Place) -> Faults:
    """The fault that a drawn current becomes when the breaker or the load fails, against backup, clamp, enclosure.

    ``current`` (A) is what the breaker is to break, None for an open one; ``at`` and ``amperes_at`` are the places of
    voltage and current in the step.
    """
    bench = spot.bench
    if bench is None or volts.si <= 0:
        return
    yield from _backup(volts.si, bench, spot, at)
    if bench.discharge is not None and bench.limits is not None:
        stored = 0.5 * (bench.discharge.source_side + bench.discharge.load_side) * volts.si**2
        if stored > bench.limits.energy:
            most = show(bench.limits.energy, "J")
            held = f"the capacitors hold {show(stored, 'J')} at {volts}"
            yield spot.error(f"{held}, and the enclosure takes {most}", *at)
    if current is not None and current > 0 and bench.loop is not None:
        yield from _clamp(volts, current, bench, bench.loop, spot, at, amperes_at)


def _backup(volts: float, bench: BenchSpec, spot: Spot, at: Place) -> Faults:
    if bench.backup is None:
        return
    if volts > bench.backup.voltage:
        yield spot.error(f"beyond what the backup breaks, {show(bench.backup.voltage, 'V')}", *at)
    if bench.loop is not None and (prospective := volts / bench.loop.resistance) > bench.backup.breaking_current:
        most = show(bench.backup.breaking_current, "A")
        yield spot.error(f"a short circuit would be {show(prospective, 'A')}, and the backup breaks {most}", *at)


def _clamp(
    volts: Quantity, current: float, bench: BenchSpec, of: LoopSpec, spot: Spot, at: Place, amperes_at: Place
) -> Faults:
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
    loop = Loop(volts.si, of.inductance, of.resistance)
    greatest = max(current, _let_through(loop, spot))
    energy = loop.clamp_energy(greatest, clamp[0])
    limits = {
        "the bench allows": None if bench.limits is None else bench.limits.clamp_energy,
        "the switch stands": None if device.withstand is None else device.withstand.clamp_energy,
    }
    for words, most in limits.items():
        if most is not None and energy > most:
            asked = f"breaking up to {show(greatest, 'A')} gives the clamp {show(energy, 'J')}"
            yield spot.error(f"{asked}, and {words} {show(most, 'J')}", *amperes_at)


def _let_through(loop: Loop, spot: Spot) -> float:
    """A of a short circuit here by the comparator that lets least through; 0 without one."""
    found = [
        loop.let_through(pickup_zone(function, spot.course.values, spot.course.mode).high, function.response[1])
        for function in spot.device.functions.values()
        if isinstance(function, Instantaneous)
    ]
    return min((each for each in found if each is not None), default=0.0)


def check_isolation(step: Stimulus, spot: Spot) -> Faults:
    """An injector's output lies on the sensing input: between steps of high voltage, on what is energised."""
    bench = spot.bench
    if bench is None or step.inject is None or bench.injector is None or bench.source is None:
        return
    volts = _energised(spot)
    if volts > bench.injector.isolated_for:
        isolated = "no isolation" if not bench.injector.isolated_for else show(bench.injector.isolated_for, "V")
        message = f"the sensing input is energised here, {show(volts, 'V')}, by steps before this one"
        yield spot.error(f"{message}; the injector declares {isolated} (isolated_for)", step.key)


def _energised(spot: Spot) -> float:
    """V that high-voltage steps before this one have put there: they stay until the plan is over."""
    places = spot.plan.places
    here = next(number for number, place in enumerate(places) if place is spot.place)
    return max((volts_of(place.step) for place in places[:here] if _is_live(place.step)), default=0.0)


def _is_live(step: Step) -> bool:
    return hazard_of(step.roles) is Hazard.HIGH_VOLTAGE
