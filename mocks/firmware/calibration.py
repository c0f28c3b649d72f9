"""Integer constants that production writes into a unit: scales and codings. mocks/calibrate.py works them out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from mocks.firmware.states import Event, State
from protocol.protection import Quantity


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
class Source:
    """A set-point, and how its raw value becomes a parameter in the firmware's own unit."""

    name: str
    scale: Scale


@dataclass(frozen=True)
class Setting:
    """A parameter of a function: out of a set-point, which may be another one in each mode; else ``fixed``."""

    fixed: int
    source: Source | None
    banks: Mapping[int, Source]  # raw value of the mode signal ->

    def value(self, set_points: Mapping[str, int], mode: int) -> int:
        """The parameter in the firmware's own unit."""
        source = self.banks.get(mode, self.source)
        return self.fixed if source is None else source.scale.apply(set_points[source.name])


@dataclass(frozen=True, kw_only=True)
class FunctionCalibration:
    """What every function has. Of two that are due at once, the smaller ``priority`` gives the cause."""

    cause: str  # fault code
    priority: int
    event: Event  # what the state machine hears when it operates


@dataclass(frozen=True, kw_only=True)
class ThermalCalibration(FunctionCalibration):
    """Constants of a thermal memory."""

    pickup: Setting  # 1/256 of a slow-channel count
    heating: Setting  # us
    cooling: Setting  # us
    reset_level: Setting  # 2**-30 of the trip level
    kept_without_supply: bool


@dataclass(frozen=True, kw_only=True)
class InverseCalibration(FunctionCalibration):
    """Constants of an inverse-time function.

    ``rates`` holds how far the function travels in one slow period at time multiplier 1, in 2**-40 of the way to its
    trip, for currents of 1, 1 + 1/64, 1 + 2/64 ... times the pickup.
    """

    pickup: Setting  # 1/256 of a slow-channel count
    multiplier: Setting  # 1/65536
    rates: tuple[int, ...]
    reset_step: int  # 2**-40, in one slow period
    reset_level: Setting  # 2**-30 of the trip level
    minimum_us: int
    kept_without_supply: bool


@dataclass(frozen=True, kw_only=True)
class ThresholdCalibration(FunctionCalibration):
    """Constants of a definite-time function. A current is a magnitude in counts of the channel that it is read on."""

    quantity: Quantity
    sign: int  # 1: beyond is above, -1: beyond is below
    threshold: Setting  # 1/256 of the quantity's unit
    hysteresis: int  # 1/256 of the quantity's unit
    delay: Setting  # us
    needed: int  # samples beyond, of the last ``window``
    window: int
    alive: Mapping[bool, bool]  # gate on or off -> the function counts
    bars: bool  # closing is refused while it lasts


@dataclass(frozen=True, kw_only=True)
class ComparatorCalibration(FunctionCalibration):
    """Constants of the comparator path."""

    threshold: Setting  # mA


@dataclass(frozen=True, kw_only=True)
class JunctionCalibration(FunctionCalibration):
    """Constants of a junction estimate.

    A stage rises, in the long run, by ``gain`` for each squared slow-channel count at 25 degC, and comes nearer by
    ``approach`` in one slow period.
    """

    limit: Setting  # mdegC
    reset: Setting  # mdegC
    stages: tuple[tuple[int, int], ...]  # gain in 2**-40 mK, approach in 2**-32
    resistances: tuple[tuple[int, int, int], ...]  # from mdegC on, hottest first: 2**-20 of the value at 25 degC, per K


@dataclass(frozen=True, kw_only=True)
class SilenceCalibration(FunctionCalibration):
    """Constants of the silence function."""

    timeout: Setting  # us


@dataclass(frozen=True, kw_only=True)
class SensorCalibration(FunctionCalibration):
    """Constants of the thermistor's check; temperatures in 0.1 degC."""

    low: int
    high: int
    step: int
    delay: Setting  # us


@dataclass(frozen=True)
class ProtectionCalibration:
    """The functions of a device by where they are worked off: by which task, on which samples."""

    memory: ThermalCalibration | InverseCalibration  # the one overload function, whose level is reported as heat
    junctions: tuple[JunctionCalibration, ...]
    silences: tuple[SilenceCalibration, ...]
    sensors: tuple[SensorCalibration, ...]
    fast: tuple[ThresholdCalibration, ...]  # current, every fast sample
    slow: tuple[ThresholdCalibration, ...]  # current, averaged
    watched: tuple[ThresholdCalibration, ...]  # every other quantity
    comparators: tuple[ComparatorCalibration, ...]


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

    fast_period_us: int
    slow_period_us: int
    defaults: Mapping[str, int]  # set-point -> raw
    open_command: int
    close_command: int
    temperatures: tuple[int, ...]  # code of the thermistor's divider -> 0.1 degC
    lockout_trips: int
    lockout_window_ms: int
    protection: ProtectionCalibration
    status: StatusCalibration
