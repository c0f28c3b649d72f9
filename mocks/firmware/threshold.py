"""A quantity beyond a threshold for a delay: one counter for all definite-time functions, on whatever samples."""

from __future__ import annotations

from collections.abc import Mapping

from mocks.firmware.calibration import ThresholdCalibration

_NO_LIMIT = 1 << 30


class Threshold:
    """One definite-time function. It starts when enough of the last samples are beyond the threshold, and comes back
    when as many are short of it by more than the hysteresis."""

    def __init__(self, calibration: ThresholdCalibration, period_us: int) -> None:
        self.calibration = calibration
        self._period_us = period_us
        self._mask = (1 << calibration.window) - 1
        self.begin()

    def begin(self) -> None:
        """Know of no sample."""
        self._history = 0  # of the last samples, those that speak for a change
        self._started = False
        self.operate_us = 0  # since it started, as far as the delay
        self.due = False

    restart = begin

    def adopt(self, set_points: Mapping[str, int], mode: int) -> None:
        """Work with these raw set-points from the next sample on."""
        constants = self.calibration
        threshold_q8 = constants.sign * constants.threshold.value(set_points, mode)
        self._start = threshold_q8 >> 8
        self._back = -((constants.hysteresis - threshold_q8) >> 8)
        self._delay_us = constants.delay.value(set_points, mode)

    def sample(self, value: int) -> None:
        """Take one sample of the quantity."""
        value *= self.calibration.sign
        changes = value < self._back if self._started else value > self._start
        self._history = (self._history << 1 | changes) & self._mask
        if self._history.bit_count() >= self.calibration.needed:
            self._history = 0
            self._started = not self._started
            self.operate_us = 0
        elif self._started:
            self.operate_us = min(self.operate_us + self._period_us, self._delay_us)
        self.due = self._started and self.operate_us >= self._delay_us

    @property
    def present(self) -> bool:
        """The quantity is beyond the threshold, whether or not the delay is over."""
        return self._started

    @property
    def bars(self) -> bool:
        """Closing is refused."""
        return self._started and self.calibration.bars

    @property
    def standing(self) -> tuple[int, ...]:
        """All that the next sample adds to: where a sample leaves this as it is, the same one does so again."""
        return self._history, self._started, self.operate_us

    @property
    def idle_range(self) -> tuple[int, int]:
        """Samples from the first to the second leave ``standing`` as it is; none do where the second is smaller."""
        if self._history or (self._started and not self.due):
            return 1, 0
        return (self._back, _NO_LIMIT) if self._started else (0, self._start)
