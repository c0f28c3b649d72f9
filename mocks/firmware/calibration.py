"""Integer constants that production writes into a unit: scales and codings. mocks/calibrate.py works them out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from mocks.firmware.states import State


@dataclass(frozen=True)
class Scale:
    """A number of one coding turned into another: ``value * numerator / denominator + offset``, rounded and limited."""

    numerator: int
    denominator: int
    offset: int
    low: int
    high: int

    def apply(self, value: int) -> int:
        """``value`` in the other coding."""
        scaled = (value * self.numerator + self.denominator // 2) // self.denominator + self.offset
        return max(self.low, min(self.high, scaled))


@dataclass(frozen=True)
class OverloadCalibration:
    """Constants of the overload function: which set-points it uses, and what one step of each is worth."""

    pickup: str  # names of set-points
    time_constant: str
    cooling_time_constant: str
    reset_level: str
    counts_q16: int  # slow-channel counts in one step of the pickup, times 2**16
    time_constant_us: int  # one step of each, in us
    cooling_time_constant_us: int
    reset_level_q30: int  # one step, in 2**-30 of the trip level
    kept_without_supply: bool
    cause: str  # fault code


@dataclass(frozen=True)
class StatusCalibration:
    """Where the state goes in the status frame: LDF signal names and raw values."""

    state_signal: str
    states: Mapping[State, int]
    switch_signal: str
    switch: Mapping[bool, int]
    cause_signal: str
    causes: Mapping[str, int]  # fault code -> raw
    current_signal: str
    current: Scale  # from slow-channel counts
    bits: Mapping[str, str]  # pickup, tripped, hot -> signal


@dataclass(frozen=True)
class Calibration:
    """Everything that tasks.py needs to know of the device that it runs in."""

    slow_period_us: int
    defaults: Mapping[str, int]  # set-point -> raw
    open_command: int
    close_command: int
    overload: OverloadCalibration
    status: StatusCalibration
