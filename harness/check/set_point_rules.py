"""Rules for set-points: what the device holds, what it refuses, and when it may be written at all."""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction

from harness.check.spot import Faults, Spot, known, known_refusal, lasts, representable, si
from harness.files.load import one_of
from harness.plan.steps import PowerCut, ReadSetPoints, WriteSetPoints
from harness.quantity import Quantity
from protocol.device import Constraint, Device
from protocol.identifiers import Service

_OUT_OF_RANGE, _NOT_NOW, _LOCKED = "request_out_of_range", "conditions_not_correct", "security_access_denied"


def held(device: Device, name: str, value: Quantity) -> bool:
    """Whether ``value`` is within the limits of a set-point."""
    point = device.set_points.get(name)
    return point is not None and value.base == point.field.unit and point.minimum <= value.exact <= point.maximum


def check_write(step: WriteSetPoints, spot: Spot) -> Faults:
    """Known, representable, and taken or refused as the step says."""
    faults = [*known_refusal(step.refused, spot), *_values(step.values, spot)]
    yield from faults
    if faults:
        return
    if step.refused is None:
        yield from _accepted(step.values, spot)
    else:
        yield from _refused(step, step.refused, spot)


def check_read(step: ReadSetPoints, spot: Spot) -> Faults:
    """Known and representable."""
    yield from _values(step.values or {}, spot)


def check_power_cut(step: PowerCut, spot: Spot) -> Faults:
    """A write that changes something and would be taken, and writes to spare for it."""
    yield from lasts(step.within, spot, "within")
    faults = list(_values(step.values, spot))
    yield from faults
    if faults:
        return
    yield from _accepted(step.values, spot)
    for name, value in step.values.items():
        if value.exact == spot.course.set_points[name]:
            yield spot.error(f"{name} is {value} already, so old and new cannot be told apart", "values", name)
    records = {spot.device.set_points[name].did for name in step.values}
    writes, most = step.instants * len(records) * 2, spot.device.ratings.write_cycles
    if writes > most:
        yield spot.error(f"{writes} non-volatile writes; a unit may spend {most} on tests", "instants")


def _values(values: Mapping[str, Quantity], spot: Spot) -> Faults:
    """Known, in their units, and such as the records can hold."""
    for name, value in values.items():
        if name not in spot.device.set_points:
            yield from known("set-point", [name], spot.device.set_points, spot, ("values",))
            continue
        yield from representable(value, spot.device.set_points[name].field, spot, "values", name)


def _accepted(values: Mapping[str, Quantity], spot: Spot) -> Faults:
    state, allowed = spot.course.state, spot.device.write_states
    if state is not None and state not in allowed:
        message = f"the breaker is {state} here and takes set-points only in {' or '.join(allowed)}"
        yield spot.error(f"{message}; say 'refused: {_NOT_NOW}' if that is the test")
    for name, value in values.items():
        if not held(spot.device, name, value):
            message = f"{value} is outside the limits, {_limits(name, spot)}"
            yield spot.error(f"{message}; say 'refused: {_OUT_OF_RANGE}' if that is the test", "values", name)
    for constraint, name in _broken(values, spot):
        message = f"{name}: {constraint.low} would not be below {constraint.high} any more"
        yield spot.error(f"{message}; say 'refused: {_OUT_OF_RANGE}' if that is the test", "values", name)


def _refused(step: WriteSetPoints, answer: str, spot: Spot) -> Faults:
    """Each record of the step is refused, and for the reason that the step gives."""
    if answer == _OUT_OF_RANGE:
        yield from _out_of_range(step, spot)
    elif answer == _NOT_NOW:
        state, allowed = spot.course.state, spot.device.write_states
        if state is None or state in allowed:
            found = "not known" if state is None else state
            message = f"the state of the breaker is {found} here, and it takes set-points in {' or '.join(allowed)}"
            yield spot.error(f"{message}, so it need not refuse", "refused")
        for name, value in step.values.items():
            if not held(spot.device, name, value):
                message = f"{value} is outside the limits, {_limits(name, spot)}: two reasons to refuse, and one answer"
                yield spot.error(message, "values", name)
    elif answer == _LOCKED:
        security = spot.device.security
        if security is None or Service.WRITE_DATA not in security.services:
            yield spot.error(f"writing needs no key on {spot.device.name}", "refused")
    else:
        message = f"no good breaker refuses a write of set-points with {answer}"
        yield spot.error(f"{message}; {one_of((_OUT_OF_RANGE, _NOT_NOW, _LOCKED))}", "refused")


def _out_of_range(step: WriteSetPoints, spot: Spot) -> Faults:
    state, allowed = spot.course.state, spot.device.write_states
    if state is not None and state not in allowed:
        message = f"the breaker is {state} here: two reasons to refuse, and one answer"
        yield spot.error(message, "refused")
    wrong = {
        spot.device.set_points[name].did for name, value in step.values.items() if not held(spot.device, name, value)
    }
    wrong |= {spot.device.set_points[name].did for _, name in _broken(step.values, spot)}
    for name, value in step.values.items():
        if spot.device.set_points[name].did not in wrong:
            message = f"{value} is inside the limits, {_limits(name, spot)}, so it will not be refused"
            yield spot.error(message, "values", name)


def _broken(values: Mapping[str, Quantity], spot: Spot) -> list[tuple[Constraint, str]]:
    """Constraints that a write breaks, with the set-point of the record that does: records go one after the other."""
    now: dict[str, Fraction] = dict(spot.course.set_points)
    broken: list[tuple[Constraint, str]] = []
    for did in dict.fromkeys(spot.device.set_points[name].did for name in values):
        group = [name for name in values if spot.device.set_points[name].did == did]
        then = now | {name: values[name].exact for name in group}
        found = [
            (constraint, next(name for name in group if name in (constraint.low, constraint.high)))
            for constraint in spot.device.constraints
            if not then[constraint.low] < then[constraint.high] and {constraint.low, constraint.high} & set(group)
        ]
        broken += found
        now = now if found else then
    return broken


def _limits(name: str, spot: Spot) -> str:
    point = spot.device.set_points[name]
    return f"{si(point.minimum, point.field)} to {si(point.maximum, point.field)}"
