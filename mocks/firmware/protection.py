"""All protection functions of a unit, by the task that works them off, and together in the order of their priority."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Protocol

from mocks.firmware.calibration import (
    FunctionCalibration,
    InverseCalibration,
    ProtectionCalibration,
    ThermalCalibration,
)
from mocks.firmware.comparator import ComparatorLatch
from mocks.firmware.inverse import Inverse
from mocks.firmware.junction import Junction
from mocks.firmware.overload import Overload
from mocks.firmware.sensor import SensorCheck
from mocks.firmware.silence import Silence
from mocks.firmware.threshold import Threshold


class Function(Protocol):
    """What every protection function offers, however it works."""

    @property
    def calibration(self) -> FunctionCalibration:
        """Its constants."""
        ...

    due: bool
    """It operates."""

    @property
    def present(self) -> bool:
        """What it looks for lasts, or it is not back below its reset level."""
        ...

    @property
    def bars(self) -> bool:
        """It refuses a close command."""
        ...

    @property
    def operate_us(self) -> int:
        """How long it took, by the unit's own timer."""
        ...

    def adopt(self, set_points: Mapping[str, int], mode: int) -> None:
        """Work with these raw set-points from now on."""
        ...

    def restart(self) -> None:
        """What a power-up does."""
        ...


class Protection:
    """``functions`` are in the order of priority; the groups hold the same ones by task."""

    def __init__(
        self,
        calibration: ProtectionCalibration,
        fast_us: int,
        slow_us: int,
        write_reference: Callable[[int], None],
    ) -> None:
        self.memory = _memory(calibration.memory, slow_us)
        self.junctions = [Junction(each) for each in calibration.junctions]
        self.silences = [Silence(each, slow_us) for each in calibration.silences]
        self.sensors = [SensorCheck(each, slow_us) for each in calibration.sensors]
        self.fast = [Threshold(each, fast_us) for each in calibration.fast]
        self.slow = [Threshold(each, slow_us) for each in calibration.slow]
        self.watched = [Threshold(each, slow_us) for each in calibration.watched]
        self.comparators = [ComparatorLatch(each, write_reference) for each in calibration.comparators]
        self.thresholds = [*self.fast, *self.slow, *self.watched]
        everything: list[Function] = [
            self.memory, *self.junctions, *self.silences, *self.sensors, *self.thresholds, *self.comparators
        ]  # fmt: skip
        self.functions = sorted(everything, key=lambda function: function.calibration.priority)

    def commutated(self, gate: bool) -> None:
        """The gate was switched: functions that only live with it as it is now know of no sample yet.

        After closing, a delay counts anew for what lasted before, unless that would have barred closing.
        """
        for function in self.thresholds:
            alive = function.calibration.alive
            if not function.calibration.bars if gate else alive[True] != alive[False]:
                function.restart()
        if gate:
            for sensor in self.sensors:
                sensor.restart()


def _memory(calibration: ThermalCalibration | InverseCalibration, period_us: int) -> Overload | Inverse:
    if isinstance(calibration, ThermalCalibration):
        return Overload(calibration, period_us)
    return Inverse(calibration, period_us)
