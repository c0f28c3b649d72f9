"""Rules for steps that make a function operate without a stimulus, and for measurements of the switch's health."""

from __future__ import annotations

from harness.check.expected import LASTING, Situation, listening
from harness.check.primary_rules import check_health_fault
from harness.check.reach import NOT_CLOSED, check_sourced, missing_channels, words_of
from harness.check.recorder_rules import check_health_recorded
from harness.check.spot import Faults, Spot, known, lasts, representable
from harness.plan.steps import CheckHealth, Force, Silence
from harness.quantity import Quantity, show
from harness.trip.band import InPickupZone
from protocol.protection import SensorCheck
from protocol.protection import Silence as SilenceFunction

_HEALTH_S = 1.0  # a voltage drop is measured in less


def check_silence(step: Silence, spot: Spot) -> Faults:
    """Long enough for the function that is named, too short for any other."""
    yield from lasts(step.duration, spot, "duration")
    if spot.bench is not None:
        yield from missing_channels(("gate",) if step.function else (), spot, spot.bench)
    silences = [name for name, function in spot.device.functions.items() if isinstance(function, SilenceFunction)]
    if step.function is not None and step.function not in silences:
        yield from known("function of silence", [step.function], silences, spot, ("function",), key=False)
        return
    if step.function is not None:
        if not spot.course.closed:
            yield spot.error(NOT_CLOSED)
        yield from check_lockout(step.function, spot)
        late = spot.course.situation.silence(step.function).late_s
        if late is not None and step.duration.si <= late:
            message = f"{step.function} need not operate before {show(late, 's')}; want a longer silence"
            yield spot.error(message, "duration")
    for name in silences:
        early = spot.course.situation.silence(name).early_s
        if name != step.function and step.duration.si >= early:
            yield spot.error(f"{name} may operate from {show(early, 's')} on", "duration")


def check_force(step: Force, spot: Spot) -> Faults:
    """The control can hold the value, and the value makes the named function operate, or none."""
    if step.control not in spot.device.controls:
        yield from known("control", [step.control], spot.device.controls, spot, ("control",), key=False)
        return
    control = spot.device.controls[step.control]
    faults = list(representable(step.value, control.field, spot, "value"))
    yield from faults
    if faults:
        return
    situation, closed = spot.course.situation, spot.course.closed
    names = [
        name
        for name in listening(spot.device, control.quantity, closed)
        if not isinstance(spot.device.functions[name], SensorCheck)
    ]
    if step.function is not None:
        if not closed:
            yield spot.error(NOT_CLOSED)
        if step.function not in names:
            message = (
                f"{step.function} does not watch the {words_of(control.quantity)}"
                if (step.function in spot.device.functions)
                else f"unknown function {step.function!r}"
            )
            yield spot.error(message, "function")
            return
        yield from check_lockout(step.function, spot)
        yield from _operates(step.function, situation, step.value, spot, "value")
    for name in names:
        if name != step.function and not situation.quiet(name, step.value.si, LASTING):
            yield spot.error(f"{name} may operate at {step.value}", "value")


def check_health(step: CheckHealth, spot: Spot) -> Faults:
    """The switch is where the measurement needs it, and nothing operates meanwhile."""
    if step.voltage_drop is not None and step.leakage is not None:
        yield spot.error("a voltage drop wants the switch closed, and leakage wants it open; make two steps of them")
    drop, leakage = step.voltage_drop, step.leakage
    for key, part in (("voltage_drop", drop), ("leakage", leakage), ("zero", step.zero)):
        if part is not None and part.at_most.exact <= 0:
            yield spot.error(f"{part.at_most}: want more than 0", key, "at_most")
    for key, source in (("voltage_drop", drop), ("leakage", leakage)):
        if source is not None and not 0 < source.voltage.si <= spot.device.ratings.bus_voltage:
            limit = show(spot.device.ratings.bus_voltage, "V")
            yield spot.error(f"want more than 0 V, up to {limit}", key, "voltage")
    if leakage is not None and spot.course.state in (None, "on"):
        yield spot.error("the breaker is not known to be open here; put '- open' before this step")
    if drop is not None:
        if not spot.course.closed:
            yield spot.error(NOT_CLOSED)
        if not 0 < drop.draw.si <= spot.device.ratings.current:
            limit = show(spot.device.ratings.current, "A")
            yield spot.error(f"want more than 0 A, up to the rated {limit}", "voltage_drop", "draw")
            return
        for name in listening(spot.device, "current", True):
            if not spot.course.situation.quiet(name, drop.draw.si, _HEALTH_S):
                yield spot.error(f"{name} may operate meanwhile", "voltage_drop", "draw")
    for key, source, amperes in (("voltage_drop", drop, drop.draw.si if drop else 0.0), ("leakage", leakage, 0.0)):
        if source is not None:
            yield from check_sourced(source.voltage, amperes, spot, (key, "voltage"), (key, "draw"))
    yield from check_health_fault(step, spot)
    yield from check_health_recorded(step, spot)
    if spot.bench is not None:
        channels = [*(("switch_voltage", "current") if drop else ()), *(("current",) if leakage else ())]
        yield from missing_channels(tuple(dict.fromkeys(channels)), spot, spot.bench)


def _operates(name: str, situation: Situation, value: Quantity, spot: Spot, key: str) -> Faults:
    try:
        band = situation.band(name, value.si)
    except (InPickupZone, ValueError) as error:
        yield spot.error(str(error), key)
        return
    if band.late_s is None:
        yield spot.error(f"{name} does not operate at {value}", key)


def check_lockout(function: str, spot: Spot) -> Faults:
    """It is certain whether the lock-out comes with this trip."""
    lockout, definition = spot.device.lockout, spot.device.functions[function]
    if lockout is None or definition.reaction == "block":
        return
    least, most = spot.course.counted()
    if least < lockout.trips <= most:
        message = (
            f"this may be trip {most} of {lockout.trips} within {show(lockout.window, 's')}, and lock the breaker out"
        )
        yield spot.error(f"{message}; release it by its routine before, or wait longer")
