"""Rules for stimuli: what the bench can give, what the device survives, and what a result would be worth.

A trip is worth something where every good breaker's function operates, no other may come first, and the recorder sees
it; a hold where no good breaker's function may operate.
"""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import replace

from harness.check.action_rules import check_lockout
from harness.check.course import UNKNOWN
from harness.check.expected import Situation, alive, listening, path_of, remembers, sensor_path, watches
from harness.check.primary_rules import check_cut_off
from harness.check.reach import at_ease, at_rest, bars, check_stimulus, words_of
from harness.check.recorder_rules import check_recorder
from harness.check.spot import COOLING, Faults, Spot, known, lasts, may_be, percent
from harness.files.marks import FileError
from harness.plan.steps import COLD_AT_MOST, SENSOR_FAULTS, STIMULI, ExpectNoTrip, ExpectTrip, Stimulus
from harness.quantity import show
from harness.trip.band import Band, InPickupZone
from harness.trip.trace import Segments
from protocol.protection import DefiniteTime, JunctionTemperature, Quantity, SensorCheck

_FAR = 300.0  # K: an open or shorted thermistor reads as the end of the scale, and nobody says which


def check_trip(step: ExpectTrip, spot: Spot) -> Faults:
    """The function is one that this stimulus makes operate, from a start that is known, where nothing else may."""
    yield from check_stimulus(step, spot, step.function)
    if step.function not in spot.device.functions:
        yield from known("function", [step.function], spot.device.functions, spot, ("function",), key=False)
        return
    function = spot.device.functions[step.function]
    if watches(function) != step.quantity:
        watched = watches(function)
        what = "the master's silence; use the step silence" if watched is None else f"the {words_of(watched)}"
        yield spot.error(f"{step.function} watches {what}, and not the {words_of(step.quantity)}", "function")
        return
    if not alive(function, closed=step.switch == "closed"):
        word = "closed" if step.switch == "closed" else "commanded open"
        yield spot.error(f"{step.function} does not listen while the switch is {word}", "function")
        return
    if step.switch == "open" and not (isinstance(function, DefiniteTime) and function.condition == "commanded_open"):
        yield spot.error("an open switch shows no trip; only a function that is there for it can be found so", "switch")
    level = spot.course.levels.get(step.function, 0.0)
    if step.start == "cold" and level > COLD_AT_MOST:
        yield spot.error(f"this is no cold start: {may_be(step.function, spot)}; cool it first, {COOLING}", "start")
    yield from check_lockout(step.function, spot)
    if _sound(step):
        yield from _in_band(step, spot)


def check_no_trip(step: ExpectNoTrip, spot: Spot) -> Faults:
    """Nothing may operate, whatever a good breaker's errors are."""
    yield from check_stimulus(step, spot)
    yield from known("status bit", step.bits, spot.device.status.bits, spot, ("bits",))
    if step.duration is not None:
        yield from lasts(step.duration, spot, "duration")
    if not _sound(step) or step.seconds <= 0:
        return
    yield from check_cut_off(step, step.seconds, spot)
    situation, path = _situation(step, spot), _path(step, spot)
    for name in _others(step, spot):
        level = spot.course.levels.get(name, 0.0)
        if level >= UNKNOWN and step.is_current:
            yield spot.error(f"{name} may operate: {may_be(name, spot)}; cool it first, {COOLING}", step.key)
        elif not _quiet(name, step, situation, path, step.seconds, spot):
            since = f" from a level of up to {percent(level)}" if remembers(spot.device.functions[name]) else ""
            within = step.duration or show(step.seconds, "s")
            yield spot.error(f"{name} may operate within {within}{since}, so nothing can be told", step.key)
    yield from _bus(step, spot, situation, step.seconds)
    if step.closing:
        for name, quantity in at_rest(spot):
            yield spot.error(f"{name} operates when the {quantity} goes back to rest after this step", "closing")


# What a result would be worth


def _sound(step: Stimulus) -> bool:
    """Numbers that harness.trip can be asked about."""
    rates = [step.slew, None if step.ramp is None else step.ramp.rate]
    if any(rate is not None and rate.si <= 0 for rate in rates):
        return False
    if step.pulses is not None and (step.pulses.on.si <= 0 or step.pulses.off.si <= 0 or step.pulses.low.si < 0):
        return False
    return not step.is_current or step.current > 0


def _rest(step: Stimulus, spot: Spot) -> float:
    """Where the quantity is before the step."""
    return at_ease(spot).get(step.quantity, 0.0)


def _path(step: Stimulus, spot: Spot) -> Segments | float:
    if step.level in SENSOR_FAULTS:
        return 0.0  # has no value; see _quiet
    return path_of(step, _rest(step, spot))


def _situation(step: Stimulus, spot: Spot) -> Situation:
    return replace(spot.course.situation, closed_at=0.0 if step.closing else None)


def _others(step: Stimulus, spot: Spot) -> list[str]:
    """Functions that the stimulus may make operate; a warm heat sink warms the junction's estimate."""
    names = list(listening(spot.device, step.quantity, step.switch == "closed"))
    if step.quantity == "heat_sink_temperature":
        names += [n for n, function in spot.device.functions.items() if isinstance(function, JunctionTemperature)]
    return names


def _quiet(name: str, step: Stimulus, situation: Situation, path: Segments | float, seconds: float, spot: Spot) -> bool:
    function = spot.device.functions[name]
    if isinstance(function, JunctionTemperature) and not step.is_current:
        return _junction_quiet(function, step, situation)
    if isinstance(function, SensorCheck):
        return situation.quiet(name, _sensor_path(step, spot), seconds)
    paths = (-_FAR, _FAR) if step.level in SENSOR_FAULTS else (path,)
    return all(situation.quiet(name, each, seconds) for each in paths)


def _junction_quiet(function: JunctionTemperature, step: Stimulus, situation: Situation) -> bool:
    """Whether a heat sink at this temperature is far from making an unheated junction trip."""
    if step.level in SENSOR_FAULTS:
        return True  # the estimate has no heat sink to start from; the sensor check is there for it
    limit = function.limit.value(situation.set_points, situation.mode)
    error = situation.ambient[1] - situation.heat_sink
    rise = situation.levels.get(function.name, 0.0) * (limit - situation.ambient[0])
    return step.value + error + rise < limit


def _sensor_path(step: Stimulus, spot: Spot) -> Segments:
    ntc = None if spot.bench is None else spot.bench.ntc
    return sensor_path(step, _rest(step, spot), None if ntc is None else ntc.slew)


def _in_band(step: ExpectTrip, spot: Spot) -> Faults:
    """The point lies where every good breaker operates, and before any other function does."""
    situation, path = _situation(step, spot), _path(step, spot)
    band = yield from _band(step, spot, situation, path)
    if band is None:
        return
    assert band.late_s is not None
    for name in _others(step, spot):
        if name != step.function and not _quiet(name, step, situation, path, band.late_s, spot):
            yield spot.error(f"{name} may operate before {step.function} does", step.key)
    yield from _bus(step, spot, situation, band.late_s)
    if step.closing:
        yield from _beside(step, band.late_s, situation, spot)
    yield from check_cut_off(step, band.late_s, spot)
    if step.switch == "closed":
        yield from check_recorder(step, band, spot)


def _beside(step: ExpectTrip, late_s: float, situation: Situation, spot: Spot) -> Faults:
    """What is held beyond another function's threshold comes later for certain, or in the same task behind it."""
    applied: tuple[Quantity, ...] = (step.quantity, *(("bus_voltage",) if step.draw is not None else ()))
    for name, quantity in at_rest(spot, applied):
        if name == step.function or _behind(name, step.function, spot):
            continue
        watched = watches(spot.device.functions[name])
        if watched is not None and situation.band(name, at_ease(spot)[watched]).early_s <= late_s:
            yield spot.error(f"{name} may operate before {step.function} does, with the {quantity} where it is held")


def _behind(name: str, first: str, spot: Spot) -> bool:
    """Whether both begin with the closing and are due in one task, so that the priority decides, for ``first``."""
    one, other = spot.device.functions[first], spot.device.functions[name]
    if not isinstance(one, DefiniteTime) or not isinstance(other, DefiniteTime):
        return False
    if "current" in (one.quantity, other.quantity) or bars(one) or bars(other):
        return False
    values, mode = spot.course.values, spot.course.mode
    return one.delay.value(values, mode) == other.delay.value(values, mode) and one.priority < other.priority


def _band(
    step: ExpectTrip, spot: Spot, situation: Situation, path: Segments | float
) -> Generator[FileError, None, Band | None]:
    """The band, after what is wrong with the point; None where something is."""
    name, function = step.function, spot.device.functions[step.function]
    if isinstance(function, SensorCheck):
        found = situation.band(name, _sensor_path(step, spot))
        if found.late_s is not None:
            return found
        yield spot.error(_no_fault(function, spot), step.key)
        return None
    if step.level in SENSOR_FAULTS:
        yield spot.error(f"{name} wants a temperature; 'open' and 'short' are for a sensor check", step.key)
        return None
    try:
        lasting = situation.band(name, step.value) if step.pulses is None else None
        band = situation.band(name, path) if step.pulses or step.ramp or step.slew else lasting
    except (InPickupZone, ValueError) as error:
        yield spot.error(str(error), step.key)
        return None
    assert band is not None
    if band.late_s is None:
        yield spot.error(f"{_short_of(step, spot)}; nothing has to operate", step.key)
        return None
    return band


def _no_fault(function: SensorCheck, spot: Spot) -> str:
    low, high = function.plausible
    error, step = function.declared.offset, 2 * (function.step + 2 * function.declared.offset)
    return (
        f"{function.name} need not operate between {low - error:g} and {high + error:g} degC, unless the temperature "
        f"jumps by more than {step:g} K within {show(function.sample * (1 - function.declared.timer), 's')}"
    )


def _short_of(step: ExpectTrip, spot: Spot) -> str:
    function = spot.device.functions[step.function]
    if step.pulses is not None:
        return f"{step.function} need not operate within these pulses"
    threshold = getattr(function, "pickup", None) or getattr(function, "threshold", None)
    if threshold is None:
        return f"{step.function} does not come to its limit at {step.level}"
    value = threshold.value(spot.course.values, spot.course.mode)
    word = "pickup" if hasattr(function, "pickup") else "threshold"
    side = "above" if isinstance(function, DefiniteTime) and function.direction == "under" else "below"
    return f"{side} the {word} of {step.function}, {show(value, STIMULI[step.key].unit)}"


def _bus(step: Stimulus, spot: Spot, situation: Situation, seconds: float) -> Faults:
    """A source in use is a bus voltage too."""
    if step.voltage is None or step.voltage.si <= 0:
        return
    for name in listening(spot.device, "bus_voltage", step.switch == "closed"):
        if not situation.quiet(name, step.voltage.si, seconds):
            yield spot.error(f"{name} may operate at this voltage", "voltage")
