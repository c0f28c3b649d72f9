"""Overload by an inverse-time characteristic: how far one slow period travels, out of a table over multiples of pickup.

The table has 64 points to one pickup current, with straight lines between them.
"""

from __future__ import annotations

from collections.abc import Mapping

from mocks.firmware.calibration import InverseCalibration
from mocks.firmware.overload import DROP_OFF_PERCENT

_ALL_THE_WAY = 1 << 40


class Inverse:
    """Travel towards the trip, pickup flag and operate-time counter. Currents are signed counts of the slow channel."""

    def __init__(self, calibration: InverseCalibration, period_us: int) -> None:
        self.calibration = calibration
        self._period_us = period_us
        self._travel = 0
        self.picked_up = False
        self.due = False
        self.operate_us = 0  # time above pickup without a break, by the unit's own timer

    def adopt(self, set_points: Mapping[str, int], mode: int) -> None:
        """Work with these raw set-points from the next sample on. The travel stays."""
        constants = self.calibration
        self._pickup_q8 = constants.pickup.value(set_points, mode)
        self._drop_off = (self._pickup_q8 * DROP_OFF_PERCENT // 100) >> 8
        self._multiplier_q16 = constants.multiplier.value(set_points, mode)
        self._reset_level = constants.reset_level.value(set_points, mode)

    def sample(self, current: int, square: int) -> None:
        """Take one averaged sample; the mean of the squares is not used."""
        magnitude = abs(current)
        above_q16 = (magnitude << 24) // self._pickup_q8 - (1 << 16)
        if above_q16 > 0:
            self.picked_up = True
            point, part = above_q16 >> 10, above_q16 & 0x3FF
            rates = self.calibration.rates
            rate = rates[point] + ((rates[point + 1] - rates[point]) * part >> 10)
            self._travel = min(_ALL_THE_WAY, self._travel + (rate << 16) // self._multiplier_q16)
        else:
            if magnitude < self._drop_off:
                self.picked_up = False
            self._travel = max(0, self._travel - self.calibration.reset_step)
        self.operate_us = self.operate_us + self._period_us if self.picked_up else 0
        self.due = self._travel == _ALL_THE_WAY and self.operate_us > self.calibration.minimum_us

    @property
    def level(self) -> int:
        """The travel as a thermal memory's level is counted: 2**30 is the trip level."""
        return self._travel >> 10

    @property
    def present(self) -> bool:
        """The travel bars closing."""
        return self.level >= self._reset_level

    bars = present

    def restart(self) -> None:
        """What a power-up does: the travel is lost unless the device keeps it; the rest always is."""
        if not self.calibration.kept_without_supply:
            self._travel = 0
        self.picked_up = False
        self.due = False
        self.operate_us = 0
