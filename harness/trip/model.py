"""How each kind of protection function answers: one row of a table a kind, each row closed form.

A further kind needs a class with the methods of TripModel and rows in MODELS and in watch.WATCHES; bands and
characteristics follow.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Literal, Protocol

from harness.trip.delay import DelayModel
from harness.trip.inverse import InverseTimeModel
from harness.trip.junction import JunctionModel
from harness.trip.memory import MemoryModel
from harness.trip.trace import FloatArray, Segments
from protocol.protection import (
    DefiniteTime,
    Instantaneous,
    InverseTime,
    JunctionTemperature,
    ProtectionFunction,
    SensorCheck,
    Silence,
    ThermalMemory,
)

Sense = Literal[1, 0, -1]
"""Which breaker inside its limits of error: 1 the one that operates first, 0 the one without error, -1 the last one."""
Ambient = float | tuple[float, float]
"""Heat-sink temperature in degC, or the lowest and highest that the breaker may take it for."""


@dataclass(frozen=True)
class Case:
    """What an answer depends on besides function and set-points."""

    sense: Sense = 0
    mode: str | None = None  # operating mode; chooses set-points
    ambient: Ambient = 25.0
    closed_at: float | None = None  # s, on the axis of the current; None: the switch has been closed for long

    @property
    def heat_sink(self) -> float:
        """The temperature that makes this breaker operate first, or last."""
        low, high = self.ambient if isinstance(self.ambient, tuple) else (self.ambient, self.ambient)
        return {1: high, 0: (low + high) / 2, -1: low}[self.sense]


class TripModel(Protocol):
    """A protection function at given set-points. Levels are a share of the way to the trip, 1 = trip.

    What is called current is the watched quantity as the breaker reads it. Invariant that the worst-case corners rest
    on: more of it (less, for an undervoltage), a higher level at the start, time running faster towards the trip or
    slower on the way back never make it operate later.
    """

    @property
    def pickup(self) -> float:
        """Operates on a lasting current above this and on none below; the other way round for an undervoltage."""
        ...

    def operate_times(self, currents: FloatArray, level: float) -> FloatArray:
        """Operate time in s for each lasting constant current; inf: never."""
        ...

    def operate_time(self, current: Segments, level: float) -> float | None:
        """Operate time in s under a varying current, from its start; None: not within it."""
        ...

    def level_after(self, current: Segments, level: float) -> float:
        """The level at the end of ``current``."""
        ...

    def cooling_time(self, level: float, target: float, current: float) -> float | None:
        """Time in s for the level to fall to ``target`` at a constant current; None: never."""
        ...

    def paced(self, towards: float, back: float) -> TripModel:
        """The same with the breaker's clock running at these rates on the way to the trip and on the way back."""
        ...


SetPoints = Mapping[str, float]
"""Set-points by name, in SI units, as they were asked for."""


def _thermal_memory(function: ThermalMemory, set_points: SetPoints, case: Case) -> TripModel:
    return MemoryModel(
        function.pickup.value(set_points, case.mode),
        function.time_constant.value(set_points, case.mode),
        function.cooling_time_constant.value(set_points, case.mode),
    )


def _inverse_time(function: InverseTime, set_points: SetPoints, case: Case) -> TripModel:
    return InverseTimeModel(
        pickup=function.pickup.value(set_points, case.mode),
        multiplier=function.multiplier.value(set_points, case.mode),
        k=function.k,
        alpha=function.alpha,
        c=function.c,
        minimum_time=function.minimum_time,
        reset_time=function.reset_time,
    )


def _definite_time(function: DefiniteTime, set_points: SetPoints, case: Case) -> TripModel:
    return DelayModel(
        threshold=function.threshold.value(set_points, case.mode),
        direction=1 if function.direction == "over" else -1,
        hysteresis=function.hysteresis,
        delay=function.delay.value(set_points, case.mode),
        **_sampled(function.declared.latency, case.sense),
    )


def _instantaneous(function: Instantaneous, set_points: SetPoints, case: Case) -> TripModel:
    deaf = 0.0
    if case.closed_at is not None:
        deaf = max(case.closed_at + function.blanking * (1 - case.sense * function.declared.timer), 0.0)
    held = function.response[1] if case.sense == -1 else 0.0
    return DelayModel(function.threshold.value(set_points, case.mode), 1, 0.0, 0.0, held=held, deaf=deaf)


def _junction_temperature(function: JunctionTemperature, set_points: SetPoints, case: Case) -> TripModel:
    return JunctionModel(
        limit=function.limit.value(set_points, case.mode),
        ambient=case.heat_sink,
        network=tuple((r * (1 + case.sense * function.network_tolerance), tau) for r, tau in function.network),
        on_resistance=function.on_resistance * (1 + case.sense * function.resistance_tolerance),
        temperature_coefficient=function.temperature_coefficient,
        points=function.normalised_resistance,
        switches=function.switches,
        sense=case.sense,
    )


def _silence(function: Silence, set_points: SetPoints, case: Case) -> TripModel:
    """The current is 1 while no frame comes, 0 while frames come."""
    timeout = function.timeout.value(set_points, case.mode) - case.sense * function.declared.offset
    return DelayModel(0.5, 1, 0.0, max(timeout, 0.0), **_sampled(function.declared.latency, case.sense))


def _sensor_check(function: SensorCheck, set_points: SetPoints, case: Case) -> TripModel:
    """The current is the distance from what is plausible, in K; see harness.trip.watch."""
    delay = function.delay.value(set_points, case.mode)
    return DelayModel(0.0, 1, 0.0, delay, **_sampled(function.declared.latency, case.sense))


def _sampled(latency: tuple[float, float], sense: Sense) -> dict[str, float]:
    """Sampling is inside the latency: a gap no longer may go unseen, and a condition must outlast it to be certain."""
    return {"bridged": latency[1] if sense == 1 else 0.0, "held": latency[1] if sense == -1 else 0.0}


MODELS: dict[type[ProtectionFunction], Callable[[Any, SetPoints, Case], TripModel]] = {
    ThermalMemory: _thermal_memory,
    InverseTime: _inverse_time,
    DefiniteTime: _definite_time,
    Instantaneous: _instantaneous,
    JunctionTemperature: _junction_temperature,
    Silence: _silence,
    SensorCheck: _sensor_check,
}
"""Total over protocol.protection.ProtectionFunction; a test says so."""


def model_of(function: ProtectionFunction, set_points: SetPoints, case: Case | None = None) -> TripModel:
    """The model of ``function`` at ``set_points`` (SI units), without error if there is no ``case``.

    Raises KeyError for a set-point that is missing and ValueError for a value that no function can have.
    """
    return MODELS[type(function)](function, set_points, case or Case())
