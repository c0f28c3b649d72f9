"""The firmware's side of the comparator path: its reference, and the latch that says that it has acted."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from mocks.firmware.calibration import ComparatorCalibration


class ComparatorLatch:
    """``write_reference`` sets the comparator's threshold in mA. It knows nothing that would bar closing."""

    present = False
    bars = False
    operate_us = 0  # nothing that this controller could time

    def __init__(self, calibration: ComparatorCalibration, write_reference: Callable[[int], None]) -> None:
        self.calibration = calibration
        self._write_reference = write_reference
        self.due = False

    def adopt(self, set_points: Mapping[str, int], mode: int) -> None:
        """Set the reference."""
        self._write_reference(self.calibration.threshold.value(set_points, mode))

    def restart(self) -> None:
        """What a power-up does."""
        self.due = False
