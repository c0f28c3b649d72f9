"""Rules for quantities that are held over several steps: nobody may be left to guess what the breaker makes of them."""

from __future__ import annotations

import math

import numpy as np

from harness.bench.instrument_spec import SignalSpec
from harness.check.expected import LASTING, listening
from harness.check.reach import bars
from harness.check.spot import Faults, Spot, known, lasts
from harness.plan.steps import STIMULI, Hold, LetGo
from harness.quantity import show
from harness.trip.band import InPickupZone
from harness.trip.trace import Segments
from protocol.protection import JunctionTemperature, SensorCheck

_TELL_S = 0.01  # an instrument has done what it was told by then


def check_hold(step: Hold, spot: Spot) -> Faults:
    """Within reach, and certain in its effect: a good breaker is quiet, or is barred by ``function``."""
    yield from _reach(step, spot)
    for _, time in step.through:
        yield from lasts(time, spot, "through")
    if step.function is not None:
        yield from _barring(step, spot)
    closed = spot.course.closed or spot.course.state is None
    values = [(value, seconds + _travel_s(step, spot)) for value, seconds in step.points]
    for name in listening(spot.device, STIMULI[step.key].quantity, closed):
        if name != step.function:
            yield from _certain(name, step, [*values, (step.level.si, LASTING)], closed, spot)
    if step.key == "heat_sink":
        yield from _junctions(step, spot)


def check_let_go(step: LetGo, spot: Spot) -> Faults:
    """There is something to let go of."""
    if not spot.course.held:
        yield spot.error("nothing is held here")


def supply_is_healthy(spot: Spot) -> Faults:
    """A step that takes the supply away and brings it back wants to know where to bring it."""
    if "supply_voltage" in spot.course.held:
        yield spot.error("the supply is held here, and would come back at its healthy value; let go of it before")


def _travel_s(step: Hold, spot: Spot) -> float:
    """Time to the next value, for an instrument that takes its time."""
    signal: SignalSpec | None = None if spot.bench is None else getattr(spot.bench, STIMULI[step.key].roles[0], None)
    if step.key == "supply" or signal is None or math.isinf(signal.slew):
        return _TELL_S
    return _TELL_S + (signal.highest - signal.lowest) / signal.slew


def _reach(step: Hold, spot: Spot) -> Faults:
    if spot.bench is None:
        return
    lowest, highest = 0.0, spot.bench.supply_12v.highest
    if step.key != "supply":
        signal: SignalSpec | None = getattr(spot.bench, STIMULI[step.key].roles[0])
        if signal is None:
            return  # said of the missing role
        lowest, highest = signal.lowest, signal.highest
    for value in (*(value for value, _ in step.points), step.level.si):
        if not lowest <= value <= highest:
            unit = STIMULI[step.key].unit
            limits = f"{show(lowest, unit)} to {show(highest, unit)}"
            yield spot.error(f"{show(value, unit)} is beyond the range of the bench, {limits}", step.key)


def _barring(step: Hold, spot: Spot) -> Faults:
    assert step.function is not None
    names = list(listening(spot.device, STIMULI[step.key].quantity, spot.course.closed))
    if step.function not in names:
        yield from known("function", [step.function], names, spot, ("function",), key=False)
        return
    function = spot.device.functions[step.function]
    if not bars(function):
        yield spot.error(f"{step.function} bars nothing; a trip by it is a step expect_trip", "function")
    elif spot.course.closed and function.reaction != "block":
        yield spot.error(f"{step.function} trips a closed breaker; that is a step expect_trip", "function")
    else:
        try:
            if spot.course.situation.band(step.function, step.level.si).late_s is None:
                yield spot.error(f"{step.function} does not come to its threshold at {step.level}", step.key)
        except InPickupZone as error:
            yield spot.error(str(error), step.key)


def _certain(name: str, step: Hold, values: list[tuple[float, float]], closed: bool, spot: Spot) -> Faults:
    function = spot.device.functions[name]
    if isinstance(function, SensorCheck):
        error = spot.course.situation.heat_sink - spot.course.situation.ambient[0]
        low, high = function.plausible
        if not all(low + error < value < high - error for value, _ in values):
            yield spot.error(f"{name} may operate", step.key)
        return
    times, levels = zip(*((seconds, value) for value, seconds in values), strict=True)
    path = Segments(np.array(times), np.array(levels))
    if spot.course.situation.quiet(name, path, path.duration_s):
        return
    if closed:
        yield spot.error(f"{name} may operate on the way or at {step.level}", step.key)
        return
    try:  # on an open breaker it may be beyond, but has to be so for certain
        certain = len(values) == 1 and spot.course.situation.band(name, step.level.si).late_s is not None
    except InPickupZone as error:
        yield spot.error(str(error), step.key)
        return
    if not certain and not spot.course.situation.quiet(name, step.level.si, LASTING):
        yield spot.error(f"whether {name} is beyond its threshold here is not certain", step.key)


def _junctions(step: Hold, spot: Spot) -> Faults:
    situation = spot.course.situation
    hottest = max((*(value for value, _ in step.points), step.level.si))
    for name, function in spot.device.functions.items():
        if not isinstance(function, JunctionTemperature):
            continue
        limit = function.limit.value(situation.set_points, situation.mode)
        error = situation.ambient[1] - situation.heat_sink
        rise = spot.course.levels.get(name, 0.0) * (limit - situation.heat_sink)
        if not math.isfinite(rise) or hottest + error + rise >= limit:
            yield spot.error(f"{name} may operate on a heat sink of {show(hottest, 'degC')}", step.key)
