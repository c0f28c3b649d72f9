"""Estimate of the junction temperature in mdegC: heat sink plus stages of a Foster network, each in 2**-16 mK.

A stage comes nearer to its long-run rise by 1 - exp(-period/tau) in every slow period. The on-resistance is taken at
the temperature that the middle of the period is expected to have: the last one, and half the last change.
"""

from __future__ import annotations

from collections.abc import Mapping

from mocks.firmware.calibration import JunctionCalibration

_REFERENCE = 25_000  # mdegC that it wakes up with
_HOTTEST = 1_500_000  # mdegC, the on-resistance grows no further: keeps the numbers bounded after a runaway


class Junction:
    """One junction estimate; all of ``switches`` are alike, so that it is that of each."""

    def __init__(self, calibration: JunctionCalibration) -> None:
        self.calibration = calibration
        self.restart()
        self.temperature = _REFERENCE

    def restart(self) -> None:
        """What a power-up does: in equilibrium with the heat sink."""
        self._rises = [0] * len(self.calibration.stages)
        self._rise = 0  # mK, of all stages
        self._change = 0
        self.due = False
        self.operate_us = 0  # time above the overload's pickup, which tasks.py counts

    def adopt(self, set_points: Mapping[str, int], mode: int) -> None:
        """Work with these raw set-points from the next sample on."""
        self._limit = self.calibration.limit.value(set_points, mode)
        self._reset = self.calibration.reset.value(set_points, mode)

    def sample(self, square: int, heat_sink: int) -> None:
        """Take the mean of the squared current and the heat sink's temperature (0.1 degC)."""
        sink = heat_sink * 100
        middle = min(sink + self._rise + self._change // 2, _HOTTEST)
        for begin, share, slope in self.calibration.resistances:  # noqa: B007 (the last one goes on below its begin)
            if middle >= begin:
                break
        heating = square * (share + (middle - begin) * slope // 1000) >> 20
        self._rises = rises = [
            rise + (((heating * gain >> 24) - rise) * approach >> 32)
            for rise, (gain, approach) in zip(self._rises, self.calibration.stages, strict=True)
        ]
        total = sum(rises) >> 16
        self._change = total - self._rise
        self._rise = total
        self.temperature = sink + total
        self.due = self.temperature >= self._limit

    @property
    def present(self) -> bool:
        """The temperature bars closing."""
        return self.temperature >= self._reset

    bars = present
