"""The time-current characteristic (TCC) of a whole device: for each current, the function that operates earliest."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np

from harness.trip.corner import Corners, PickupZone, corners, pickup_zone
from harness.trip.trace import FloatArray
from protocol.device import Device

Duty = Literal["must operate", "may operate", "must not operate"]
"""What a lasting current asks of a breaker within its declared accuracies."""


@dataclass(frozen=True, eq=False)
class CurvePoints:
    """The characteristic at some currents (A): times in s, inf where it does not, or need not, operate.

    ``functions`` names the function that operates earliest, nominally or, in the pickup zone, at its worst case.
    """

    currents: FloatArray
    early: FloatArray
    nominal: FloatArray
    late: FloatArray
    functions: tuple[str | None, ...]

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

    Its methods raise KeyError for a missing set-point and ValueError for a value that no function can have.
    """

    device: Device
    set_points: Mapping[str, float]
    start: tuple[float, float] = (0.0, 0.0)

    @cached_property
    def zones(self) -> dict[str, PickupZone]:
        """The may-or-may-not-operate zone of each function."""
        return {
            name: pickup_zone(function, self.set_points, self.device.accuracy)
            for name, function in self.device.functions.items()
        }

    @property
    def pickup_zone(self) -> PickupZone:
        """The zone of the device: below it no function operates, above it at least one does."""
        zones = self.zones.values()
        return PickupZone(
            min(zone.low for zone in zones), min(zone.pickup for zone in zones), min(zone.high for zone in zones)
        )

    def at(self, currents: FloatArray) -> CurvePoints:
        """Earliest function and band at each of ``currents``: whichever function comes first bounds both edges."""
        low, high = self.start
        early = np.array([corner.first.operate_times(currents, high) for corner in self._corners.values()])
        nominal = np.array([c.nominal.operate_times(currents, (low + high) / 2) for c in self._corners.values()])
        late = np.array([corner.last.operate_times(currents, low) for corner in self._corners.values()])
        names = tuple(self._corners)
        ranked = np.where(nominal.min(axis=0) < np.inf, nominal, early)
        functions = tuple(
            names[row] if time < np.inf else None
            for row, time in zip(ranked.argmin(axis=0).tolist(), ranked.min(axis=0).tolist(), strict=True)
        )
        return CurvePoints(currents, early.min(axis=0), nominal.min(axis=0), late.min(axis=0), functions)

    def operate_times(self, currents: FloatArray) -> FloatArray:
        """Nominal operate time in s at each of ``currents``; inf: does not operate."""
        return self.at(currents).nominal

    @cached_property
    def _corners(self) -> dict[str, Corners]:
        return {
            name: corners(function, self.set_points, self.device.accuracy)
            for name, function in self.device.functions.items()
        }
