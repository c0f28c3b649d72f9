"""Overload by thermal memory, in fixed point: 2**30 is the trip level.

Each slow sample moves the level by one Euler step of dH/dt = ((I/pickup)² - H)/tau. Steps are 10 ms and time constants
at least 2 s, so that the step's own error stays below a quarter of a per cent of the time constant.
"""

from __future__ import annotations

from collections.abc import Mapping

from mocks.firmware.calibration import ThermalCalibration

TRIP_LEVEL = 1 << 30
"""Level of a memory, thermal or inverse-time, at which it operates."""
DROP_OFF_PERCENT = 95
"""The pickup flag goes out below this share of the pickup current."""


class Overload:
    """Thermal level, pickup flag and operate-time counter. Currents are signed counts of the slow channel."""

    def __init__(self, calibration: ThermalCalibration, period_us: int) -> None:
        self.calibration = calibration
        self._period_us = period_us
        self.level = 0
        self.picked_up = False
        self.due = False  # the level is at or above the trip level
        self.operate_us = 0  # time above pickup without a break, by the unit's own timer

    def adopt(self, set_points: Mapping[str, int], mode: int) -> None:
        """Work with these raw set-points from the next sample on. The level stays."""
        constants = self.calibration
        pickup_q8 = constants.pickup.value(set_points, mode)
        self._pickup = (pickup_q8 + 128) >> 8
        self._drop_off = self._pickup * DROP_OFF_PERCENT // 100
        self._pickup_square_q16 = pickup_q8 * pickup_q8
        self._heating_q32 = (self._period_us << 32) // constants.heating.value(set_points, mode)
        self._cooling_q32 = (self._period_us << 32) // constants.cooling.value(set_points, mode)
        self._reset_level = constants.reset_level.value(set_points, mode)

    def sample(self, current: int, square: int) -> None:
        """Take one averaged sample and the mean of the squares."""
        target = (square << 46) // self._pickup_square_q16
        level = self.level
        if target > level:
            level += (target - level) * self._heating_q32 >> 32
        else:
            level -= (level - target) * self._cooling_q32 >> 32
        self.level = level
        magnitude = abs(current)
        if magnitude >= self._pickup:
            self.picked_up = True
        elif magnitude < self._drop_off:
            self.picked_up = False
        self.operate_us = self.operate_us + self._period_us if self.picked_up else 0
        self.due = level >= TRIP_LEVEL

    @property
    def present(self) -> bool:
        """The level bars closing."""
        return self.level >= self._reset_level

    bars = present

    def restart(self) -> None:
        """What a power-up does: the level is lost unless the device keeps it; the rest always is."""
        if not self.calibration.kept_without_supply:
            self.level = 0
        self.picked_up = False
        self.due = False
        self.operate_us = 0
