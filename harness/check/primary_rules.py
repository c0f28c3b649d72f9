"""What a stimulus may cost: its cut-off and who holds it, a measurement of the switch, where it is injected."""

from __future__ import annotations

from harness.bench.cut_off import HOST_S, REST_S, CutOff, of_health, of_hold, of_trip
from harness.bench.hazard import Hazard, hazard_of, volts_of
from harness.check.fault_rules import check_fault, check_live
from harness.check.spot import Faults, Spot, percent
from harness.plan.steps import CheckHealth, ExpectNoTrip, ExpectTrip, Step, Stimulus
from harness.quantity import show


def check_cut_off(step: ExpectTrip | ExpectNoTrip, seconds: float, spot: Spot) -> Faults:
    """``seconds`` is what a good breaker may take, or how long the stimulus is to last."""
    used = spot.course.used
    if isinstance(step, ExpectTrip):
        found, needs = of_trip(step, spot.device, spot.bench, seconds, used), "a good breaker may take"
    else:
        found, needs = of_hold(step, spot.device, spot.bench, seconds, used), "the step lasts"
    if found.seconds < seconds:
        what = step.level if step.ramp is None and step.pulses is None else "this"
        stands = f"{found.ruled_by} stands {what} for {show(found.seconds, 's')}"
        yield spot.error(f"{stands}, and {needs} {show(seconds, 's')}{_before(found, spot)}", step.key)
    yield from _holder(step, found, spot)


def _before(found: CutOff, spot: Spot) -> str:
    """What the steps before have left of it, in words."""
    used = spot.course.used.get(found.ruled_by, 0.0)
    rest = f"put '- wait: {{duration: {show(REST_S, 's')}}}' before"
    return f"; steps before have used up {percent(used)} of what it stands: {rest}" if used else ""


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
        found = of_health(drop.draw.si, drop.voltage.si, spot.device, spot.bench, spot.course.used)
        if found.ruled_by != "duration":
            stands = f"{found.ruled_by} stands {drop.draw} for {show(found.seconds, 's')}"
            longer = f"and the measurement may take longer{_before(found, spot)}"
            yield spot.error(f"{stands}, {longer}", "voltage_drop", "draw")
    if (leakage := step.leakage) is not None:
        yield from check_live(leakage.voltage, spot, ("leakage", "voltage"))


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
