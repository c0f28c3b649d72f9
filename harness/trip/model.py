"""How each kind of protection function answers: one row of a table a kind, each row closed form.

A further kind needs a class with the methods of TripModel and a row in MODELS; bands and characteristics follow.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Protocol

from harness.trip.memory import MemoryModel
from harness.trip.trace import FloatArray, Segments
from protocol.protection import ProtectionFunction, ThermalMemory


class TripModel(Protocol):
    """A protection function at given set-points. Levels are a share of the way to the trip, 1 = trip.

    Invariant that the worst-case corners rest on: more current, a higher level at the start, time running faster
    towards the trip or slower on the way back never make it operate later.
    """

    @property
    def pickup(self) -> float:
        """A: operates on a lasting current above this and on none below."""
        ...

    def operate_times(self, currents: FloatArray, level: float) -> FloatArray:
        """Operate time in s for each lasting constant current (A); inf: never."""
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


def _thermal_memory(function: ThermalMemory, set_points: Mapping[str, float]) -> TripModel:
    return MemoryModel(
        function.pickup.value(set_points),
        function.time_constant.value(set_points),
        function.cooling_time_constant.value(set_points),
    )


MODELS: dict[type[ProtectionFunction], Callable[[ProtectionFunction, Mapping[str, float]], TripModel]] = {
    ThermalMemory: _thermal_memory,
}
"""Total over protocol.protection.ProtectionFunction; a test says so."""


def model_of(function: ProtectionFunction, set_points: Mapping[str, float]) -> TripModel:
    """The model of ``function`` at ``set_points`` (SI units).

    Raises KeyError for a set-point that is missing and ValueError for a value that no function can have.
    """
    return MODELS[type(function)](function, set_points)
