"""What a good breaker's functions may and must do on a stimulus, in the state that a plan has led to.

The one place where checking asks harness.trip: which functions listen, when one operates, whether another stays quiet.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np

from harness.plan.steps import SENSOR_FAULTS, Stimulus
from harness.trip.band import (
    Band,
    cooled,
    level_interval,
    must_not_operate,
    operate_band,
    reset_level,
    silence_band,
    time_to_cool,
)
from harness.trip.trace import Segments, joined
from harness.trip.watch import REMEMBERS
from protocol.device import Device
from protocol.protection import (
    DefiniteTime,
    ProtectionFunction,
    Quantity,
    SensorCheck,
    Silence,
)

AMBIENT = 25.0
"""Temperature of a heat sink that was left alone, degC."""
GATE_RAIL = 18.0
"""Voltage of a healthy gate driver's rail, V."""
LASTING = 3600.0
"""What counts as lasting in s: no definite-time delay is as long."""
_FAR = 1e4  # degC, either way: an open or shorted thermistor reads as the end of the scale, and nobody says which
_PIECES = 400  # a ramp as steps: each is 1/400 of it


@dataclass(frozen=True)
class Situation:
    """What an answer depends on: set-points asked for, operating mode, heat sink."""

    device: Device
    set_points: Mapping[str, float]
    mode: str | None = None
    heat_sink: float = AMBIENT
    levels: Mapping[str, float] = field(default_factory=dict)
    closed_at: float | None = None  # s: the switch closes onto the stimulus; None: it has been closed for long

    def function(self, name: str) -> ProtectionFunction:
        """By name."""
        return self.device.functions[name]

    @property
    def ambient(self) -> tuple[float, float]:
        """What the breaker may take the heat sink's temperature for, degC."""
        error = self.device.thermistor.tolerance if self.device.thermistor is not None else 0.0
        return self.heat_sink - error, self.heat_sink + error

    def start(self, name: str) -> tuple[float, float]:
        """Levels that a function may start from; 0 for one without a level."""
        return 0.0, min(self.levels.get(name, 0.0), 1.0)

    def band(self, name: str, path: float | Segments) -> Band:
        """When ``name`` operates. Raises InPickupZone and ValueError as harness.trip does."""
        function, start = self.function(name), self.start(name)
        return operate_band(
            function, self.set_points, path, start, self.mode, ambient=self.ambient, closed_at=self.closed_at
        )

    def silence(self, name: str) -> Band:
        """When ``name`` operates after the last frame of the master."""
        function = self.function(name)
        assert isinstance(function, Silence)
        return silence_band(function, self.set_points, self.mode)

    def quiet(self, name: str, path: float | Segments, seconds: float) -> bool:
        """Whether no good breaker's ``name`` operates within ``seconds``."""
        function, start = self.function(name), self.start(name)
        return must_not_operate(
            function, self.set_points, path, seconds, start, self.mode, ambient=self.ambient, closed_at=self.closed_at
        )

    def heated(self, name: str, path: float | Segments, seconds: float, level: float) -> float:
        """Greatest level after ``seconds`` of a current, from ``level``."""
        segments = path.first(seconds) if isinstance(path, Segments) else Segments.constant(path, seconds)
        return level_interval(
            self.function(name), self.set_points, segments, (0.0, level), self.mode, ambient=self.ambient
        )[1]

    def cooled(self, name: str, seconds: float, level: float) -> float:
        """Greatest level after ``seconds`` without current."""
        function = self.function(name)
        return cooled(function, self.set_points, seconds, (0.0, level), self.mode, ambient=self.ambient)[1]

    def time_to_cool(self, name: str, level: float, target: float) -> float | None:
        """Time after which even the slowest breaker has cooled; None: never certain."""
        return time_to_cool(self.function(name), self.set_points, level, target, self.mode, ambient=self.ambient)

    def reset_level(self, name: str) -> float:
        """Level below which the breaker may be closed again after ``name``."""
        level = reset_level(self.function(name), self.set_points, self.mode, ambient=self.ambient)
        assert level is not None
        return level


def remembers(function: ProtectionFunction) -> bool:
    """Whether a function has a level, which a current raises and time lowers."""
    return isinstance(function, REMEMBERS)


def watches(function: ProtectionFunction) -> Quantity | None:
    """The quantity that can make a function operate; None for silence."""
    if isinstance(function, DefiniteTime):
        return function.quantity
    if isinstance(function, SensorCheck):
        return "heat_sink_temperature"
    return None if isinstance(function, Silence) else "current"


def alive(function: ProtectionFunction, closed: bool) -> bool:
    """Whether a function listens while the switch is commanded closed, or open."""
    if isinstance(function, DefiniteTime):
        return function.condition in ("always", "closed" if closed else "commanded_open")
    return True


def listening(device: Device, quantity: Quantity, closed: bool) -> Iterator[str]:
    """Names of the functions that a quantity may make operate."""
    for name, function in device.functions.items():
        if watches(function) == quantity and alive(function, closed):
            yield name


def path_of(step: Stimulus, rest: float, slew: float | None = None) -> Segments:
    """What a stimulus does over time, from ``rest``: its ramp as small steps, its pulses; its value to the end.

    ``slew`` is the instrument's, where the step does not say one; None: at once.
    """
    if step.pulses is not None:
        times = [seconds for _, seconds in step.train]
        return Segments(np.array(times), np.array([value for value, _ in step.train]))
    begin, rate = rest, step.slew.si if step.slew is not None else slew
    if step.ramp is not None:
        begin, rate = step.ramp.begin.si, step.ramp.rate.si
    return _way(begin, step.value, rate).then(step.value, 24 * LASTING)


def sensor_path(step: Stimulus, rest: float, slew: float | None) -> Segments:
    """The same of a thermistor, as a sensor check sees it: from the last reading at ``rest`` on, at ``slew``."""
    before = Segments.constant(rest, 0.0)
    if step.level in SENSOR_FAULTS:
        return before.then(-_FAR if step.level == "open" else _FAR, 24 * LASTING)
    if step.ramp is not None:
        before = joined(before, _way(rest, step.ramp.begin.si, slew))
    return joined(before, path_of(step, rest, slew))


def _way(begin: float, end: float, rate: float | None) -> Segments:
    """From one value to the other in small steps; nothing where it goes there at once."""
    seconds = abs(end - begin) / rate if rate else 0.0
    pieces = _PIECES if seconds else 0
    values = begin + (end - begin) * (np.arange(pieces) + 0.5) / _PIECES
    return Segments(np.full(pieces, seconds / _PIECES), values)
