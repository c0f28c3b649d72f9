"""What is wrong with a plan for this device on this bench, before anything is sent.

A step is checked in the state that the steps before it lead to. Whatever makes a result worthless is refused here: a
value that the device cannot hold, a current at which a good breaker may or may not operate, a start that nobody knows.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from harness.bench.spec import BenchSpec, StimulusSpec
from harness.check.course import UNKNOWN, Course
from harness.files.load import close_match, one_of
from harness.files.marks import FileError
from harness.plan.plan import Plan, PlanStep
from harness.plan.steps import (
    COLD_AT_MOST,
    CheckCodes,
    CheckSnapshot,
    CheckStatus,
    ClearCodes,
    CloseSwitch,
    ExpectNoTrip,
    ExpectTrip,
    Identify,
    OpenSwitch,
    PowerCycle,
    ReadLive,
    ReadSetPoints,
    Step,
    Stimulus,
    Wait,
    WaitUntilCool,
    WriteSetPoints,
)
from harness.quantity import Quantity, show
from harness.trip.band import Band, InPickupZone, must_not_operate, operate_band, time_to_cool
from protocol.device import Device, Field
from protocol.identifiers import CodeStatusBit, NegativeResponseCode

_SAMPLES_IN_BAND = 20  # a recording resolves a band where it has this many samples in it
_CHANNELS = {True: ("current", "gate", "switch_voltage"), False: ("injected", "gate")}  # by whether it is primary

Faults = Iterator[FileError]


def check_plan(plan: Plan, device: Device, bench: BenchSpec | None = None) -> list[FileError]:
    """Everything that is wrong, in the order of the file. Without ``bench``, what depends on one is left out."""
    if device.name != plan.device.stem:
        message = f"this plan is for {plan.device.stem}, not for {device.name}"
        return [FileError(plan.document.mark(("device",)), message)]
    course, faults = Course(device), []
    for step in (*plan.steps, *plan.clean_up):
        found = list(RULES[type(step.step)](step.step, _Spot(plan, step, device, bench, course)))
        faults += found
        course.take(step.step if not found else _harmless(step.step, device))
    return sorted(set(faults))


@dataclass(frozen=True)
class _Spot:
    """A step where it stands, and what it will find there."""

    plan: Plan
    place: PlanStep
    device: Device
    bench: BenchSpec | None
    course: Course

    def error(self, message: str, *inner: str | int, key: bool = False) -> FileError:
        """A fault at a value (or key) of the step; at the step's kind where no inner place is named."""
        return FileError(self.plan.mark(self.place, *inner, key=key or not inner), message)


def _harmless(step: Step, device: Device) -> Step:
    """``step`` without what is wrong with it, so that a fault is not reported of every step that follows."""
    if isinstance(step, WriteSetPoints):
        values = {name: value for name, value in step.values.items() if _held(device, name, value)}
        return step.model_copy(update={"values": values})
    return step


def _held(device: Device, name: str, value: Quantity) -> bool:
    point = device.set_points.get(name)
    return point is not None and value.base == point.field.unit and point.minimum <= value.exact <= point.maximum


# Set-points


def _write(step: WriteSetPoints, spot: _Spot) -> Faults:
    if step.refused is not None:
        yield from _known("answer", [step.refused], NegativeResponseCode.__members__, spot, ("refused",), key=False)
    for name, value in step.values.items():
        faults = list(_set_point(name, value, spot))
        yield from faults
        if faults:
            continue
        point = spot.device.set_points[name]
        inside = point.minimum <= value.exact <= point.maximum
        limits = f"{_si(point.minimum, point.field)} to {_si(point.maximum, point.field)}"
        if not inside and step.refused is None:
            message = (
                f"{value} is outside the limits, {limits}; say 'refused: request_out_of_range' if that is the test"
            )
            yield spot.error(message, "values", name)
        if inside and step.refused == NegativeResponseCode.request_out_of_range.name:
            yield spot.error(f"{value} is inside the limits, {limits}, so it will not be refused", "values", name)


def _read(step: ReadSetPoints, spot: _Spot) -> Faults:
    for name, value in (step.values or {}).items():
        yield from _set_point(name, value, spot)


def _set_point(name: str, value: Quantity, spot: _Spot) -> Faults:
    """Known, in its unit, and one of the values that its record can hold."""
    if name not in spot.device.set_points:
        yield from _known("set-point", [name], spot.device.set_points, spot, ("values",))
        return
    yield from _representable(value, spot.device.set_points[name].field, spot, "values", name)


def _representable(value: Quantity, field: Field, spot: _Spot, *inner: str | int) -> Faults:
    if value.base != field.unit:
        yield spot.error(f"{value} is no value of {field.name}, which is in {_unit(field.unit)}", *inner)
        return
    raw = (value.exact - field.offset) / field.scale
    low, high = field.raw_range
    if raw.denominator != 1:
        near = " or ".join(_si(field.to_physical(n), field) for n in (math.floor(raw), math.ceil(raw)))
        yield spot.error(f"{value} cannot be held exactly; the nearest are {near}", *inner)
    elif not low <= raw <= high:
        yield spot.error(f"{value} does not fit the record of {field.name}, {field.type}", *inner)


# The switch


def _close(step: CloseSwitch, spot: _Spot) -> Faults:
    hot = [name for name, level in spot.course.levels.items() if level >= spot.course.reset_level(name)]
    if not step.refused and hot:
        yield spot.error(f"the breaker may refuse to close: {_may_be(hot[0], spot)}; cool it first, {_COOLING}")
    if step.refused and not hot and not spot.course.tripped:
        yield spot.error("nothing will refuse this: no trip before it, and every function is below its reset level")


def _no_rule(step: Step, spot: _Spot) -> Faults:
    return iter(())


# Stimuli


def _stimulus(step: Stimulus, spot: _Spot) -> Faults:
    if not spot.course.closed:
        yield spot.error("the breaker is not known to be closed here; put '- close' before this step")
    key = "draw" if step.inject is None else "inject"
    if step.current <= 0:
        yield spot.error("want more than 0 A", key)
    if step.slew is not None and step.slew.exact <= 0:
        yield spot.error("want more than 0 A/s", "slew")
    if step.current > spot.device.sensing.full_scale:
        full_scale = show(spot.device.sensing.full_scale, "A")
        yield spot.error(f"beyond {full_scale}, which is all that the breaker measures", key)
    if step.draw is not None and step.voltage is not None:
        if step.current > spot.device.ratings.peak_current:
            yield spot.error(f"beyond the switch's {show(spot.device.ratings.peak_current, 'A')}", key)
        if not 0 < step.voltage.si <= spot.device.ratings.bus_voltage:
            yield spot.error(f"want more than 0 V, up to {show(spot.device.ratings.bus_voltage, 'V')}", "voltage")
    if spot.bench is not None:
        yield from _reach(step, spot, spot.bench)


def _reach(step: Stimulus, spot: _Spot, bench: BenchSpec) -> Faults:
    """What the bench's instruments can give and hear."""
    primary = step.inject is None
    key = "draw" if primary else "inject"
    for role in sorted(step.roles - bench.resources.keys()):
        yield spot.error(f"bench {bench.name} has no {role}")
    stimulus: StimulusSpec | None = bench.load if primary else bench.injector
    if stimulus is not None:
        if step.current > stimulus.current:
            yield spot.error(f"beyond the {'load' if primary else 'injector'}'s {show(stimulus.current, 'A')}", key)
        if step.slew is not None and step.slew.si > stimulus.slew:
            yield spot.error(f"faster than bench {bench.name} can, {stimulus.slew / 1e6:.4g} A/us", "slew")
    if primary and bench.source is not None and step.voltage is not None:
        if step.current > bench.source.current:
            yield spot.error(f"beyond the source's {show(bench.source.current, 'A')}", key)
        if step.voltage.si > bench.source.voltage:
            yield spot.error(f"beyond the source's {show(bench.source.voltage, 'V')}", "voltage")
    if bench.recorder is not None:
        for channel in _CHANNELS[primary]:
            if channel not in bench.recorder.channels:
                yield spot.error(f"the recorder of bench {bench.name} has no channel {channel!r}")


def _trip(step: ExpectTrip, spot: _Spot) -> Faults:
    yield from _stimulus(step, spot)
    if step.function not in spot.device.functions:
        yield from _known("function", [step.function], spot.device.functions, spot, ("function",), key=False)
        return
    if step.start == "cold" and spot.course.levels[step.function] > COLD_AT_MOST:
        message = f"this is no cold start: {_may_be(step.function, spot)}; cool it first, {_COOLING}"
        yield spot.error(message, "start")
    if step.current > 0:
        yield from _in_band(step, spot)


def _in_band(step: ExpectTrip, spot: _Spot) -> Faults:
    """The point lies where every good breaker operates, and before any other function does."""
    key = "draw" if step.inject is None else "inject"
    course, accuracy = spot.course, spot.device.accuracy
    start = (0.0, min(course.levels[step.function], 1.0))
    try:
        band = operate_band(spot.device.functions[step.function], course.values, accuracy, step.current, start)
    except InPickupZone as zone:
        yield spot.error(str(zone), key)
        return
    except ValueError as error:
        yield spot.error(str(error), key)
        return
    if band.late_s is None:
        pickup = spot.device.functions[step.function].pickup.value(course.values)
        yield spot.error(f"below the pickup of {step.function}, {show(pickup, 'A')}; nothing has to operate", key)
        return
    for name, other in spot.device.functions.items():
        start = (0.0, min(course.levels[name], 1.0))
        if name != step.function and not must_not_operate(
            other, course.values, accuracy, step.current, band.late_s, start
        ):
            yield spot.error(f"{name} may operate before {step.function} does", key)
    yield from _resolved(band, band.late_s, spot)


def _resolved(band: Band, late_s: float, spot: _Spot) -> Faults:
    """The recorder has samples enough inside the band, and memory for the time that leads to it."""
    if spot.bench is None or (recorder := spot.bench.recorder) is None:
        return
    interval = (late_s - band.early_s) / _SAMPLES_IN_BAND
    if interval < recorder.shortest_interval:
        message = f"the recorder cannot resolve this: a band of {show(late_s - band.early_s, 's')} wants samples each "
        yield spot.error(f"{message}{show(interval, 's')}, and it has {show(recorder.shortest_interval, 's')}")
    elif late_s / interval > recorder.points:
        message = f"the recorder cannot hold this: {late_s / interval:.0f} samples up to {show(late_s, 's')}"
        yield spot.error(f"{message}, and it has {recorder.points}")


def _no_trip(step: ExpectNoTrip, spot: _Spot) -> Faults:
    yield from _stimulus(step, spot)
    yield from _duration(step.duration, spot)
    key = "draw" if step.inject is None else "inject"
    for name, function in spot.device.functions.items():
        level = spot.course.levels[name]
        if level >= UNKNOWN:
            yield spot.error(f"{name} may operate: {_may_be(name, spot)}; cool it first, {_COOLING}", key)
        elif step.current > 0 and step.duration.exact > 0:
            start, accuracy = (0.0, level), spot.device.accuracy
            if not must_not_operate(function, spot.course.values, accuracy, step.current, step.duration.si, start):
                message = f"{name} may operate within {step.duration} from a level of up to {_percent(level)}"
                yield spot.error(f"{message}, so nothing can be told", key)


def _may_be(function: str, spot: _Spot) -> str:
    level = spot.course.levels[function]
    return (
        f"the thermal level of {function} is not known here"
        if level == UNKNOWN
        else f"the thermal level of {function} may be {_percent(level)}"
    )


_COOLING = "by wait_until_cool, or by power_cycle where the device forgets its level"


# What the breaker says


def _status(step: CheckStatus, spot: _Spot) -> Faults:
    if step.state is not None:
        yield from _known("state", [step.state], spot.device.status.states, spot, ("state",), key=False)
    if step.cause is not None:
        causes = ["none", *spot.device.fault_codes]
        yield from _known("fault code", [step.cause], causes, spot, ("cause",), key=False)
    yield from _known("status bit", step.bits, spot.device.status.bits, spot, ("bits",))


def _codes(step: CheckCodes, spot: _Spot) -> Faults:
    yield from _known("fault code", step.codes, spot.device.fault_codes, spot, ("codes",))
    for code, bits in step.codes.items():
        for index, bit in enumerate(bits):
            if bit not in CodeStatusBit.__members__:
                words = f"unknown status bit {bit!r}; {one_of(CodeStatusBit.__members__)}"
                yield spot.error(words + close_match(bit, CodeStatusBit.__members__), "codes", code, index)


def _snapshot(step: CheckSnapshot, spot: _Spot) -> Faults:
    yield from _known("fault code", [step.code], spot.device.fault_codes, spot, ("code",), key=False)
    fields = {entry.field.name: entry.field for entry in spot.device.snapshot.fields}
    yield from _known("snapshot field", step.values, fields, spot, ("values",))
    for name, value in step.values.items():
        if name in fields and value.base != fields[name].unit:
            yield spot.error(f"{value} is no value of {name}, which is in {_unit(fields[name].unit)}", "values", name)


def _live(step: ReadLive, spot: _Spot) -> Faults:
    yield from _known("live value", step.values, spot.device.live, spot, ("values",))
    for name, (low, high) in step.values.items():
        if name not in spot.device.live:
            continue
        unit = spot.device.live[name].field.unit
        wrong = [(index, value) for index, value in enumerate((low, high)) if value.base != unit]
        for index, value in wrong:
            yield spot.error(f"{value} is no value of {name}, which is in {_unit(unit)}", "values", name, index)
        if not wrong and low.exact > high.exact:
            yield spot.error(f"{low} is above {high}; want the lower limit first", "values", name)


# Time and supply


def _wait(step: Wait | PowerCycle, spot: _Spot) -> Faults:
    yield from _duration(step.duration, spot)


def _cool(step: WaitUntilCool, spot: _Spot) -> Faults:
    if not 0 < step.level.exact <= 1:
        yield spot.error("want more than 0 %, up to 100 %", "level")
        return
    for name, function in spot.device.functions.items():
        level = spot.course.levels[name]
        needed = time_to_cool(function, spot.course.values, spot.device.accuracy, level, step.level.si)
        if needed is None:
            yield spot.error(f"{name} is never certain to be below {step.level}", "level")
        elif needed > step.at_most.si:
            message = f"{name} may take {show(needed, 's')} to fall to {step.level}: {_may_be(name, spot)}"
            yield spot.error(message, "at_most")


def _duration(value: Quantity, spot: _Spot) -> Faults:
    if value.exact <= 0:
        yield spot.error(f"{value}: want more than 0 s", "duration")


# Words


def _known(
    what: str, names: Iterable[str], known: Iterable[str], spot: _Spot, inner: tuple[str, ...], key: bool = True
) -> Faults:
    """Each of ``names`` is one of ``known``; ``key``: names are keys of the map at ``inner``, else its value."""
    words = list(known)
    for name in names:
        if name not in words:
            message = f"unknown {what} {name!r}; {one_of(words)}{close_match(name, words)}"
            yield spot.error(message, *inner, *((name,) if key else ()), key=key)


def _si(value: Fraction, field: Field) -> str:
    return f"{float(value * 100):.6g} %" if field.unit == "1" else f"{float(value):.9g} {field.unit}"


def _percent(level: float) -> str:
    return f"{100 * level:.0f} %"


def _unit(base: str) -> str:
    return "no unit or %" if base == "1" else base


RULES: Mapping[type[Step], Callable[[Any, _Spot], Faults]] = {
    WriteSetPoints: _write,
    ReadSetPoints: _read,
    CloseSwitch: _close,
    OpenSwitch: _no_rule,
    ExpectTrip: _trip,
    ExpectNoTrip: _no_trip,
    CheckStatus: _status,
    CheckCodes: _codes,
    CheckSnapshot: _snapshot,
    ClearCodes: _no_rule,
    ReadLive: _live,
    Identify: _no_rule,
    Wait: _wait,
    WaitUntilCool: _cool,
    PowerCycle: _wait,
}
"""Step model -> its rule. Total over the step kinds, and a test says so."""
