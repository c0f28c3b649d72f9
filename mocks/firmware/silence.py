"""No frame of the master for a time."""

from __future__ import annotations

from collections.abc import Mapping

from mocks.firmware.calibration import SilenceCalibration


class Silence:
    """Counts slow periods since the last frame: one more than the timeout has, as the first may be a short one."""

    bars = False

    def __init__(self, calibration: SilenceCalibration, period_us: int) -> None:
        self.calibration = calibration
        self._period_us = period_us
        self.restart()

    def restart(self) -> None:
        """What a power-up does, and every frame of the master."""
        self.operate_us = 0
        self.due = False

    def adopt(self, set_points: Mapping[str, int], mode: int) -> None:
        """Work with these raw set-points from the next period on."""
        self._limit_us = self.calibration.timeout.value(set_points, mode) + self._period_us

    def sample(self) -> None:
        """A slow period is over."""
        self.operate_us = min(self.operate_us + self._period_us, self._limit_us)
        self.due = self.operate_us >= self._limit_us

    @property
    def present(self) -> bool:
        """The master is silent."""
        return self.due
