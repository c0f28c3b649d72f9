"""Check of the thermistor: open, short, or further from the last good reading than a heat sink can have come."""

from __future__ import annotations

from collections.abc import Mapping

from mocks.firmware.calibration import SensorCalibration


class SensorCheck:
    """``trusted`` is the last good reading, in 0.1 degC: what everything else works with.

    Once it has operated, a reading that is plausible in itself is trusted anew.
    """

    bars = False

    def __init__(self, calibration: SensorCalibration, period_us: int) -> None:
        self.calibration = calibration
        self._period_us = period_us
        self.restart()
        self.trusted = 250

    def restart(self) -> None:
        """What a power-up does. The last good reading is from before."""
        self.operate_us = -self._period_us  # since the first bad reading
        self.due = False

    def adopt(self, set_points: Mapping[str, int], mode: int) -> None:
        """Work with these raw set-points from the next sample on."""
        self._delay_us = self.calibration.delay.value(set_points, mode)

    def sample(self, reading: int) -> None:
        """Take a reading of the heat sink's temperature."""
        plausible = self.calibration.low <= reading <= self.calibration.high
        if plausible and (self.due or abs(reading - self.trusted) <= self.calibration.step):
            self.trusted = reading
            self.restart()
        else:
            self.operate_us = min(self.operate_us + self._period_us, self._delay_us)
            self.due = self.operate_us >= self._delay_us

    @property
    def present(self) -> bool:
        """The last reading was a bad one."""
        return self.operate_us >= 0

    @property
    def standing(self) -> tuple[int, ...]:
        """All that the next sample adds to: where a sample leaves this as it is, the same one does so again."""
        return self.operate_us, self.due, self.trusted
