"""The course of a plan before it is run: what each step will find, from the plan and the device alone.

Set-points are the defaults until the plan asks for others. Thermal levels are the greatest that a breaker within its
declared accuracies can have; time that a step takes without saying how long is not counted as cooling.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from fractions import Fraction
from typing import Any

from harness.plan.steps import (
    CloseSwitch,
    ExpectNoTrip,
    ExpectTrip,
    OpenSwitch,
    PowerCycle,
    Step,
    Wait,
    WaitUntilCool,
    WriteSetPoints,
)
from harness.trip.band import cooled, level_interval
from harness.trip.trace import Segments
from protocol.device import Device

UNKNOWN = 1.0
"""Level of a function whose history is not known: an earlier plan may have left the breaker as hot as a trip does."""


class Course:
    """State before the next step; ``take`` moves it past one."""

    def __init__(self, device: Device, level: float = UNKNOWN) -> None:
        self.device = device
        self.closed = False
        self.tripped = False  # and not yet acknowledged: what that means for closing is the device's own
        self.set_points: dict[str, Fraction] = {name: point.default for name, point in device.set_points.items()}
        self.levels: dict[str, float] = dict.fromkeys(device.functions, level)

    @property
    def values(self) -> dict[str, float]:
        """Set-points in SI units, as harness.trip wants them."""
        return {name: float(value) for name, value in self.set_points.items()}

    def reset_level(self, function: str) -> float:
        """Level below which the breaker may be closed again after ``function``."""
        return self.device.functions[function].reset_level.value(self.values)

    def take(self, step: Step) -> None:
        """Go on to after ``step``, which went as it should."""
        effect = _EFFECTS.get(type(step))
        if effect is not None:
            effect(self, step)

    def heated(self, function: str, current: float, seconds: float, level: float) -> float:
        """Greatest level after ``seconds`` of a current, from ``level``."""
        definition, accuracy = self.device.functions[function], self.device.accuracy
        segments = Segments.constant(current, seconds)
        return level_interval(definition, self.values, accuracy, segments, (0.0, level))[1]

    def _write(self, step: WriteSetPoints) -> None:
        if step.refused is None:
            self.set_points |= {name: value.exact for name, value in step.values.items()}

    def _close(self, step: CloseSwitch) -> None:
        self.closed = self.closed or not step.refused

    def _open(self, step: OpenSwitch) -> None:
        self.closed = self.tripped = False

    def _trip(self, step: ExpectTrip) -> None:
        # The current flows on for the latency after the level has come to 1.
        latency = self.device.accuracy.latency[1]
        self.levels = {name: self.heated(name, step.current, latency, 1.0) for name in self.levels}
        self.closed, self.tripped = False, True

    def _no_trip(self, step: ExpectNoTrip) -> None:
        for name, level in self.levels.items():
            self.levels[name] = self.heated(name, step.current, step.duration.si, level)

    def _wait(self, step: Wait) -> None:
        for name, level in self.levels.items():
            definition = self.device.functions[name]
            start = (0.0, level)
            self.levels[name] = cooled(definition, self.values, self.device.accuracy, step.duration.si, start)[1]

    def _cool(self, step: WaitUntilCool) -> None:
        self.levels = {name: min(level, step.level.si) for name, level in self.levels.items()}

    def _power_cycle(self, step: PowerCycle) -> None:
        for name, function in self.device.functions.items():
            if not function.kept_without_supply:
                self.levels[name] = 0.0
        self.closed = self.tripped = False


_EFFECTS: Mapping[type[Step], Callable[[Course, Any], None]] = {
    WriteSetPoints: Course._write,
    CloseSwitch: Course._close,
    OpenSwitch: Course._open,
    ExpectTrip: Course._trip,
    ExpectNoTrip: Course._no_trip,
    Wait: Course._wait,
    WaitUntilCool: Course._cool,
    PowerCycle: Course._power_cycle,
}
"""Steps that change the breaker's state; the others only read."""
