"""What each kind of protection function watches, and how a breaker with limits of error reads it."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from harness.trip.jump import Jump
from harness.trip.trace import FloatArray, Segments
from protocol.protection import (
    DefiniteTime,
    Instantaneous,
    InverseTime,
    JunctionTemperature,
    ProtectionFunction,
    Quantity,
    SensorCheck,
    Silence,
    ThermalMemory,
)

UNITS: Mapping[Quantity, str] = {
    "current": "A",
    "supply_voltage": "V",
    "gate_rail_voltage": "V",
    "bus_voltage": "V",
    "heat_sink_temperature": "degC",
}
"""Quantity -> base unit of harness.quantity."""

REMEMBERS = (ThermalMemory, InverseTime, JunctionTemperature)
"""Kinds with a level that outlasts what they watch: they have to cool. Of all others a level is 0 between stimuli."""


@dataclass(frozen=True)
class Watch:
    """A quantity and its reading.

    A current counts in both directions, and neither it nor a voltage reads below 0. ``plausible`` (low, high): what
    counts is the distance beyond, and where there is a ``jump`` too far, that.
    """

    unit: str  # base unit of harness.quantity
    direction: int = 1  # 1: operates above its threshold, -1: below
    plausible: tuple[float, float] | None = None
    jump: Jump | None = None

    def follow(self, quantity: Segments, gain: float, offset: float) -> Segments:
        """The readings of what varies, as of ``read``; a reading too far from the last good one is far beyond."""
        readings = self.read(quantity.currents, gain, offset)
        if self.jump is not None:
            readings = self.jump.judged(quantity, readings, offset)
        return Segments(quantity.durations, readings)

    def read(self, values: FloatArray, gain: float, offset: float) -> FloatArray:
        """The readings of a breaker that is off towards the trip by ``gain`` (share) and ``offset`` (own unit)."""
        size = np.abs(values)
        off = gain * size + offset
        if self.plausible is not None:
            low, high = self.plausible
            return np.maximum(low - values, values - high) + off
        if self.unit == "A":
            return np.maximum(size + off, 0.0)
        readings = values + self.direction * off
        return readings if self.unit == "degC" else np.maximum(readings, 0.0)

    def unread(self, reading: float, gain: float, offset: float) -> float:
        """The value that gives ``reading``; -inf for a reading that nothing gives, as a voltage below 0."""
        if self.unit != "degC" and reading <= 0 and self.direction < 0:
            return -math.inf
        ideal = reading - self.direction * offset
        value = ideal / (1 + self.direction * gain * (1 if ideal >= 0 else -1))
        return value if self.unit == "degC" else max(value, 0.0)


def _definite_time(function: DefiniteTime) -> Watch:
    return Watch(UNITS[function.quantity], 1 if function.direction == "over" else -1)


def _jump(function: SensorCheck) -> Jump:
    pace = function.declared.timer
    return Jump(function.step, function.sample * (1 - pace), function.sample * (1 + pace))


WATCHES: Mapping[type[ProtectionFunction], Callable[[Any], Watch]] = {
    ThermalMemory: lambda _: Watch("A"),
    InverseTime: lambda _: Watch("A"),
    DefiniteTime: _definite_time,
    Instantaneous: lambda _: Watch("A"),
    JunctionTemperature: lambda _: Watch("A"),
    Silence: lambda _: Watch("1"),  # 1 while no frame comes
    SensorCheck: lambda function: Watch("degC", plausible=function.plausible, jump=_jump(function)),
}
"""Total over protocol.protection.ProtectionFunction; a test says so."""


def watch_of(function: ProtectionFunction, certain: bool = False) -> Watch:
    """What ``function`` watches; ``certain``: of its jumps only those that every breaker finds."""
    watch = WATCHES[type(function)](function)
    return watch if watch.jump is None else replace(watch, jump=replace(watch.jump, certain=certain))


def on_current(function: ProtectionFunction) -> bool:
    """Whether a current through the closed switch can make ``function`` operate."""
    if isinstance(function, DefiniteTime):
        return function.quantity == "current" and function.condition != "commanded_open"
    return isinstance(function, ThermalMemory | InverseTime | Instantaneous | JunctionTemperature)


def on_quantity(function: ProtectionFunction, quantity: Quantity) -> bool:
    """Whether ``quantity`` can make ``function`` operate while the switch is closed."""
    if quantity == "current":
        return on_current(function)
    if isinstance(function, DefiniteTime):
        return function.quantity == quantity and function.condition != "commanded_open"
    return isinstance(function, SensorCheck) and quantity == "heat_sink_temperature"
