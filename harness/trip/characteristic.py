"""The time-current characteristic (TCC) of a whole device: for each current, the function that operates earliest."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np

from harness.trip.corner import Corners, PickupZone, corners, pickup_zone
from harness.trip.junction import JunctionModel
from harness.trip.model import Ambient
from harness.trip.trace import FloatArray
from harness.trip.watch import on_current
from protocol.device import Device
from protocol.protection import InverseTime, ProtectionFunction, ThermalMemory

Duty = Literal["must operate", "may operate", "must not operate"]
"""What a lasting current asks of a breaker within its declared accuracies."""


@dataclass(frozen=True, eq=False)
class CurvePoints:
    """The characteristic at some currents (A): times in s, inf where it does not, or need not, operate.

    ``functions`` names the function that operates earliest, nominally or, in the pickup zone, at its worst case.
    ``each`` holds the nominal times of every function.
    """

    currents: FloatArray
    early: FloatArray
    nominal: FloatArray
    late: FloatArray
    functions: tuple[str | None, ...]
    each: Mapping[str, FloatArray]

    @property
    def duties(self) -> tuple[Duty, ...]:
        """What each current asks of the breaker."""
        return tuple(
            "must operate" if late < np.inf else "may operate" if early < np.inf else "must not operate"
            for early, late in zip(self.early, self.late, strict=True)
        )


@dataclass(frozen=True)
class Characteristic:
    """A device at given set-points: all of them, in SI units, and the start level as an interval.

    Functions are those that the branch current makes operate while the switch is closed. The start level is that of
    overload functions; a junction starts at the temperature ``ambient`` of the heat sink (degC), which the breaker
    knows as well as its thermistor. Methods raise KeyError for a missing set-point, ValueError for a value that no
    function can have.
    """

    device: Device
    set_points: Mapping[str, float]
    start: tuple[float, float] = (0.0, 0.0)
    mode: str | None = None
    ambient: float = 25.0

    @cached_property
    def functions(self) -> dict[str, ProtectionFunction]:
        """The functions of the characteristic; of two that are due at once, the first gives the cause."""
        found = [function for function in self.device.functions.values() if on_current(function)]
        return {function.name: function for function in sorted(found, key=lambda function: function.priority)}

    @cached_property
    def zones(self) -> dict[str, PickupZone]:
        """The may-or-may-not-operate zone of each function."""
        return {
            name: pickup_zone(function, self.set_points, self.mode, ambient=self._sink)
            for name, function in self.functions.items()
        }

    @property
    def pickup_zone(self) -> PickupZone:
        """The zone of the device: below it no function operates, above it at least one does."""
        zones = self.zones.values()
        return PickupZone(
            min(zone.low for zone in zones), min(zone.pickup for zone in zones), min(zone.high for zone in zones)
        )

    @property
    def runaway(self) -> dict[str, float]:
        """Junction functions, and the current (A) from which no junction temperature is steady (loop gain 1)."""
        models = {name: corner.nominal.model for name, corner in self._corners.items()}
        return {name: model.runaway_current for name, model in models.items() if isinstance(model, JunctionModel)}

    def at(self, currents: FloatArray) -> CurvePoints:
        """Earliest function and band at each of ``currents``: whichever function comes first bounds both edges."""
        names = tuple(self._corners)
        shape = (0, len(currents))
        early, nominal, late = np.empty(shape), np.empty(shape), np.empty(shape)
        for name, corner in self._corners.items():
            low, high = self.start if isinstance(self.functions[name], ThermalMemory | InverseTime) else (0.0, 0.0)
            early = np.vstack([early, corner.first.operate_times(currents, high)])
            nominal = np.vstack([nominal, corner.nominal.operate_times(currents, (low + high) / 2)])
            late = np.vstack([late, corner.last.operate_times(currents, low)])
        ranked = np.where(nominal.min(axis=0) < np.inf, nominal, early)
        functions = tuple(
            names[row] if time < np.inf else None
            for row, time in zip(ranked.argmin(axis=0).tolist(), ranked.min(axis=0).tolist(), strict=True)
        )
        each = dict(zip(names, nominal, strict=True))
        return CurvePoints(currents, early.min(axis=0), nominal.min(axis=0), late.min(axis=0), functions, each)

    def operate_times(self, currents: FloatArray) -> FloatArray:
        """Nominal operate time in s at each of ``currents``; inf: does not operate."""
        return self.at(currents).nominal

    @property
    def _sink(self) -> Ambient:
        tolerance = self.device.thermistor.tolerance if self.device.thermistor else 0.0
        return self.ambient - tolerance, self.ambient + tolerance

    @cached_property
    def _corners(self) -> dict[str, Corners]:
        return {
            name: corners(function, self.set_points, self.mode, ambient=self._sink)
            for name, function in self.functions.items()
        }
