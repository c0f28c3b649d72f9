"""What a stimulus may cost: its cut-off and who holds it, the fault that it could become, where it is injected."""

from __future__ import annotations

from harness.bench.cut_off import HOST_S, CutOff, of_hold, of_trip
from harness.bench.hazard import Hazard, hazard_of
from harness.bench.spec import BenchSpec
from harness.check.spot import Faults, Spot
from harness.plan.steps import CheckHealth, ExpectNoTrip, ExpectTrip, Step, Stimulus
from harness.quantity import show
from harness.trip.fault_current import Loop


def check_cut_off(step: ExpectTrip | ExpectNoTrip, seconds: float, spot: Spot) -> Faults:
    """``seconds`` is what a good breaker may take, or how long the stimulus is to last."""
    if isinstance(step, ExpectTrip):
        found, needs = of_trip(step, spot.device, spot.bench, seconds), "a good breaker may take"
    else:
        found, needs = of_hold(step, spot.device, spot.bench, seconds), "the step lasts"
    if found.seconds < seconds:
        stands = f"{found.ruled_by} stands {step.level} for {show(found.seconds, 's')}"
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


def check_fault(step: Stimulus, spot: Spot) -> Faults:
    """The fault that a drawn current becomes when the breaker or the load fails, against backup, clamp, enclosure."""
    bench = spot.bench
    if bench is None or step.draw is None or step.voltage is None or step.voltage.si <= 0:
        return
    volts = step.voltage.si
    yield from _backup(volts, bench, spot)
    if bench.discharge is not None and bench.limits is not None:
        stored = 0.5 * (bench.discharge.source_side + bench.discharge.load_side) * volts**2
        if stored > bench.limits.energy:
            most = show(bench.limits.energy, "J")
            held = f"the capacitors hold {show(stored, 'J')} at {step.voltage}"
            yield spot.error(f"{held}, and the enclosure takes {most}", "voltage")
    yield from _clamp(step, volts, bench, spot)


def _backup(volts: float, bench: BenchSpec, spot: Spot) -> Faults:
    if bench.backup is None:
        return
    if volts > bench.backup.voltage:
        yield spot.error(f"beyond what the backup breaks, {show(bench.backup.voltage, 'V')}", "voltage")
    if bench.loop is not None and (prospective := volts / bench.loop.resistance) > bench.backup.breaking_current:
        most = show(bench.backup.breaking_current, "A")
        yield spot.error(f"a short circuit would be {show(prospective, 'A')}, and the backup breaks {most}", "voltage")


def _clamp(step: Stimulus, volts: float, bench: BenchSpec, spot: Spot) -> Faults:
    """The current that is broken charges the clamp with what the loop's inductance holds, and what the source adds."""
    clamp, device = spot.device.ratings.clamp, spot.device
    if bench.loop is None or clamp is None or clamp[0] <= volts:
        return
    energy = Loop(volts, bench.loop.inductance, bench.loop.resistance).clamp_energy(step.current, clamp[0])
    limits = {
        "the bench allows": None if bench.limits is None else bench.limits.clamp_energy,
        "the switch stands": None if device.withstand is None else device.withstand.clamp_energy,
    }
    for words, most in limits.items():
        if most is not None and energy > most:
            asked = f"breaking {step.level} gives the clamp {show(energy, 'J')}"
            yield spot.error(f"{asked}, and {words} {show(most, 'J')}", step.key)


def check_isolation(step: Stimulus, spot: Spot) -> Faults:
    """An injector's output lies on the sensing input: between steps of high voltage, on what is energised."""
    bench = spot.bench
    if bench is None or step.inject is None or bench.injector is None or bench.source is None:
        return
    volts = _energised(spot)
    if volts > bench.injector.isolated_for:
        isolated = "no isolation" if not bench.injector.isolated_for else show(bench.injector.isolated_for, "V")
        message = f"the sensing input is energised here, {show(volts, 'V')}, by steps before and after this one"
        yield spot.error(f"{message}; the injector declares {isolated} (isolated_for)", step.key)


def _energised(spot: Spot) -> float:
    """V that high-voltage steps before this one have put there; 0 where none comes after it, which ends them."""
    places = spot.plan.places
    here = next(number for number, place in enumerate(places) if place is spot.place)
    if not any(_is_live(place.step) for place in places[here + 1 :]):
        return 0.0
    return max((_volts(place.step) for place in places[:here] if _is_live(place.step)), default=0.0)


def _is_live(step: Step) -> bool:
    return hazard_of(step.roles) is Hazard.HIGH_VOLTAGE


def _volts(step: Step) -> float:
    if isinstance(step, CheckHealth):
        return max((part.voltage.si for part in (step.voltage_drop, step.leakage) if part is not None), default=0.0)
    return step.voltage.si if isinstance(step, Stimulus) and step.voltage is not None else 0.0
