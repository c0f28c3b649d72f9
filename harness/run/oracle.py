"""What the oracle says in the present state of a run: set-points asked for, operating mode, a healthy heat sink."""

from __future__ import annotations

from harness.plan.steps import Stimulus
from harness.run.course import Course
from harness.run.ledger import Ledger
from harness.trip import band
from harness.trip.band import Band, Level
from harness.trip.corner import pickup_zone
from harness.trip.trace import Segments
from protocol.device import Device
from protocol.protection import (
    DefiniteTime,
    Instantaneous,
    JunctionTemperature,
    ProtectionFunction,
    Quantity,
    SensorCheck,
    Silence,
)

LASTING_S = 3600.0
"""What counts as lasting: no delay is as long."""
_AHEAD = 0.98  # of the current from which the earliest comparator acts: more than the recorder is wrong by


def operate_band(
    function: ProtectionFunction,
    ledger: Ledger,
    quantity: float | Segments,
    start: Level,
    closed_at: float | None = None,
) -> Band:
    """See harness.trip.band.operate_band."""
    return band.operate_band(
        function, ledger.set_points, quantity, start, ledger.mode, ambient=ledger.ambient, closed_at=closed_at
    )


def level_after(function: ProtectionFunction, ledger: Ledger, quantity: Segments, start: Level) -> Level:
    """The levels that are possible at the end of ``quantity``."""
    return band.level_interval(function, ledger.set_points, quantity, start, ledger.mode, ambient=ledger.ambient)


def junction_temperatures(
    function: JunctionTemperature, ledger: Ledger, current: Segments, start: Level
) -> tuple[float, float]:
    """Lowest and highest estimate in degC at the end of ``current``."""
    return band.junction_temperatures(function, ledger.set_points, current, start, ledger.mode, ambient=ledger.ambient)


def may_operate(function: ProtectionFunction, ledger: Ledger, quantity: Segments, start: Level) -> bool:
    """Whether a breaker within its declared accuracies may operate on ``quantity``."""
    return not band.must_not_operate(
        function, ledger.set_points, quantity, quantity.duration_s, start, ledger.mode, ambient=ledger.ambient
    )


def forecast(function: ProtectionFunction, ledger: Ledger, course: Course, start: Level, closing: bool) -> Band:
    """The band of a stimulus before it is applied, its times from the stimulus' start. Raises InPickupZone.

    A way to the value is allowed for at its slowest; what is judged by follows from the recording.
    """
    if course.train:
        return operate_band(function, ledger, course.segments(sum(seconds for _, seconds in course.train)), start)
    if isinstance(function, SensorCheck):  # a jump is one only from where it began
        return operate_band(function, ledger, course.segments(course.rise_s + LASTING_S), start)
    held = operate_band(function, ledger, course.value, start, 0.0 if closing else None)
    late = None if held.late_s is None else held.late_s + course.rise_s
    return Band(held.early_s, held.nominal_s + course.rise_s, late, None, None)


def onset_level(function: ProtectionFunction | None, ledger: Ledger, course: Course) -> float:
    """Where a stimulus' time counts from: at the threshold of what starts by one, else half way to its value.

    A comparator that acts at the low end of its zone may end the current there: its time counts from just below.
    """
    level = course.half
    match function:
        case DefiniteTime():
            level = function.threshold.value(ledger.set_points, ledger.mode)
        case Instantaneous():
            level = pickup_zone(function, ledger.set_points, ledger.mode).low * _AHEAD
        case SensorCheck():
            level = function.plausible[1 if course.upwards else 0]
    low, high = sorted((course.healthy, course.value))
    return level if low < level < high else course.half


def watching(device: Device, step: Stimulus) -> dict[str, ProtectionFunction]:
    """The functions that a stimulus could make operate, with the switch as the step has it."""
    return {name: each for name, each in device.functions.items() if _watches(each, step.quantity, step.switch)}


def _watches(function: ProtectionFunction, quantity: Quantity, switch: str) -> bool:
    match function:
        case DefiniteTime():
            dead = "commanded_open" if switch == "closed" else "closed"
            return function.quantity == quantity and function.condition != dead
        case SensorCheck():
            return quantity == "heat_sink_temperature"
        case Silence():
            return False
        case _:
            return quantity == "current"
