"""Constants of the protection functions: each of the firmware's kinds from what the device says about it."""

from __future__ import annotations

import math
from collections.abc import Iterable
from fractions import Fraction
from typing import TypedDict

from mocks.firmware.calibration import (
    ComparatorCalibration,
    InverseCalibration,
    JunctionCalibration,
    ProtectionCalibration,
    Scale,
    SensorCalibration,
    Setting,
    SilenceCalibration,
    Source,
    ThermalCalibration,
    ThresholdCalibration,
)
from mocks.firmware.overload import TRIP_LEVEL
from mocks.firmware.states import Event
from protocol.device import Device
from protocol.protection import (
    Condition,
    DefiniteTime,
    Instantaneous,
    InverseTime,
    JunctionTemperature,
    Parameter,
    ProtectionFunction,
    Quantity,
    SensorCheck,
    Silence,
    ThermalMemory,
)

_US = Fraction(1, 1_000_000)
_UNITS: dict[Quantity, Fraction] = {
    "supply_voltage": Fraction(1, 1000),
    "gate_rail_voltage": Fraction(1, 1000),
    "bus_voltage": Fraction(1, 10),
    "heat_sink_temperature": Fraction(1, 10),
}
_ALIVE: dict[Condition, dict[bool, bool]] = {
    "always": {False: True, True: True},
    "closed": {False: False, True: True},
    "commanded_open": {False: True, True: False},
}
_POINTS = 64  # of the inverse-time table in one pickup current
_MOST_POINTS = 1 << 16
_ALL_THE_WAY = 1 << 40
_WIDE = 1 << 62


def current_count(device: Device) -> Fraction:
    """Amperes in one count of the slow channel, which spans full scale in both directions."""
    return 2 * _exact(device.sensing.full_scale) / (1 << device.sensing.slow_bits)


def fast_count(device: Device) -> Fraction:
    """Amperes in one count of the fast channel, which has the same span."""
    return 2 * _exact(device.sensing.full_scale) / (1 << device.sensing.fast_bits)


def tick_us(device: Device) -> tuple[int, int]:
    """Fast and slow period in us. Raises ValueError where the firmware's timer cannot make them."""
    fast_ns, slow_ns = device.sensing.fast_period_ns, device.sensing.slow_period_ns
    if fast_ns % 1000 or slow_ns % 1_000_000 or slow_ns % fast_ns:
        raise ValueError(
            f"{device.name}: the mock wants a fast period of whole microseconds and a slow one of whole milliseconds "
            f"that is a multiple of it, not {fast_ns} ns and {slow_ns} ns"
        )
    return fast_ns // 1000, slow_ns // 1000


def protection(device: Device, junction_gain: float) -> ProtectionCalibration:
    """Constants of every function of ``device``; junctions warm up by ``junction_gain`` times as much as described.

    Raises ValueError for what this firmware cannot do: anything but one overload function (thermal memory or inverse
    time); more than one comparator; a thermistor that is not there; functions whose reaction is not possible.
    """
    functions = list(device.functions.values())
    memories = [each for each in functions if isinstance(each, ThermalMemory | InverseTime)]
    if len(memories) != 1:
        raise ValueError(f"{device.name}: the mock has one thermal memory or inverse time, not {_names(memories)}")
    comparators = [each for each in functions if isinstance(each, Instantaneous)]
    if len(comparators) > 1:
        raise ValueError(f"{device.name}: the mock has one comparator, not {_names(comparators)}")
    for each in functions:
        _check(device, each)
    make = _Maker(device, junction_gain)
    thresholds = [each for each in functions if isinstance(each, DefiniteTime)]
    currents = [each for each in thresholds if each.quantity == "current"]
    return ProtectionCalibration(
        memory=make.memory(memories[0]),
        junctions=tuple(make.junction(each) for each in functions if isinstance(each, JunctionTemperature)),
        silences=tuple(make.silence(each) for each in functions if isinstance(each, Silence)),
        sensors=tuple(make.sensor(each) for each in functions if isinstance(each, SensorCheck)),
        fast=tuple(make.threshold(each, fast_count(device)) for each in currents if _fast(each)),
        slow=tuple(make.threshold(each, current_count(device)) for each in currents if not _fast(each)),
        watched=tuple(make.threshold(each, _UNITS[each.quantity]) for each in thresholds if each.quantity != "current"),
        comparators=tuple(make.comparator(each) for each in comparators),
    )


def _fast(function: DefiniteTime) -> bool:
    """Votes are over fast samples; without one the averaged sample has less noise."""
    return function.samples != (1, 1)


def _names(functions: Iterable[ProtectionFunction]) -> str:
    return ", ".join(each.name for each in functions) or "none"


def _check(device: Device, function: ProtectionFunction) -> None:
    heated = isinstance(function, JunctionTemperature | SensorCheck) or (
        isinstance(function, DefiniteTime) and function.quantity == "heat_sink_temperature"
    )
    where = f"{device.name}: {function.name}"
    if heated and device.thermistor is None:
        raise ValueError(f"{where}: the device has no thermistor to read the heat sink's temperature by")
    if function.cause not in device.fault_codes:
        raise ValueError(f"{where}: no fault code {function.cause}")
    if function.reaction == "block" and not isinstance(function, DefiniteTime):
        raise ValueError(f"{where}: of the mock's functions only definite-time ones can have the reaction block")
    if isinstance(function, DefiniteTime):
        needed, window = function.samples
        if not 1 <= needed <= window:
            raise ValueError(f"{where}: {needed} of {window} samples can never be")
        if function.reaction == "block" and function.condition != "always":
            raise ValueError(f"{where}: with reaction block the mock's condition is always, not {function.condition}")


def _event(function: ProtectionFunction) -> Event:
    if function.reaction == "block":
        return Event.BLOCK
    stuck = isinstance(function, DefiniteTime) and function.condition == "commanded_open"
    return Event.FAULT if stuck or isinstance(function, Instantaneous) else Event.TRIP


def _exact(value: float) -> Fraction:
    return Fraction(str(value))


class _Base(TypedDict):
    cause: str
    priority: int
    event: Event


def _base(function: ProtectionFunction) -> _Base:
    return {"cause": function.cause, "priority": function.priority, "event": _event(function)}


def _resistances(function: JunctionTemperature) -> tuple[tuple[int, int, int], ...]:
    """The table of the on-resistance, hottest line first; one line where there is a temperature coefficient only."""
    one = 1 << 20
    if not function.normalised_resistance:
        return ((25_000, one, round(function.temperature_coefficient * one)),)
    colder, hotter = function.normalised_resistance, function.normalised_resistance[1:]
    rows = [
        (round(1000 * at), round(share * one), round((further - share) / (hot - at) * one))
        for (at, share), (hot, further) in zip(colder, hotter, strict=False)
    ]
    return tuple(reversed(rows))


class _Maker:
    """Makes the constants of one device's functions."""

    def __init__(self, device: Device, junction_gain: float) -> None:
        self._device = device
        self._junction_gain = junction_gain
        self._count = current_count(device)
        self._slow_us = tick_us(device)[1]

    def memory(self, function: ThermalMemory | InverseTime) -> ThermalCalibration | InverseCalibration:
        """Either overload function."""
        self._want_positive(function, function.pickup)
        pickup = self._setting(function.pickup, self._count / 256)
        reset_level = self._setting(function.reset_level, Fraction(1, TRIP_LEVEL))
        if isinstance(function, ThermalMemory):
            self._want_positive(function, function.time_constant, function.cooling_time_constant)
            return ThermalCalibration(
                pickup=pickup,
                heating=self._setting(function.time_constant, _US),
                cooling=self._setting(function.cooling_time_constant, _US),
                reset_level=reset_level,
                kept_without_supply=function.kept_without_supply,
                **_base(function),
            )
        self._want_positive(function, function.multiplier)
        return InverseCalibration(
            pickup=pickup,
            multiplier=self._setting(function.multiplier, Fraction(1, 1 << 16)),
            rates=self._rates(function),
            reset_step=round(_ALL_THE_WAY * self._slow_us * _US / _exact(function.reset_time)),
            reset_level=reset_level,
            minimum_us=round(_exact(function.minimum_time) / _US),
            kept_without_supply=function.kept_without_supply,
            **_base(function),
        )

    def threshold(self, function: DefiniteTime, unit: Fraction) -> ThresholdCalibration:
        """A definite-time function on samples in ``unit``."""
        return ThresholdCalibration(
            quantity=function.quantity,
            sign=1 if function.direction == "over" else -1,
            threshold=self._setting(function.threshold, unit / 256),
            hysteresis=round(_exact(function.hysteresis) * 256 / unit),
            delay=self._setting(function.delay, _US),
            needed=function.samples[0],
            window=function.samples[1],
            alive=_ALIVE[function.condition],
            bars=function.reaction == "block" or function.quantity == "supply_voltage",
            **_base(function),
        )

    def comparator(self, function: Instantaneous) -> ComparatorCalibration:
        """The comparator path."""
        return ComparatorCalibration(threshold=self._setting(function.threshold, Fraction(1, 1000)), **_base(function))

    def junction(self, function: JunctionTemperature) -> JunctionCalibration:
        """A junction estimate, of one switch, by its power at 25 degC when all of them carry one count."""
        share = float(self._count) / function.switches  # of the current, in each switch
        watts = share**2 * function.on_resistance * self._junction_gain
        seconds = self._slow_us * 1e-6
        return JunctionCalibration(
            limit=self._setting(function.limit, Fraction(1, 1000)),
            reset=self._setting(function.reset, Fraction(1, 1000)),
            stages=tuple(
                (round(watts * resistance * 1000 * (1 << 40)), round(-math.expm1(-seconds / tau) * (1 << 32)))
                for resistance, tau in function.network
            ),
            resistances=_resistances(function),
            **_base(function),
        )

    def silence(self, function: Silence) -> SilenceCalibration:
        """The silence function."""
        return SilenceCalibration(timeout=self._setting(function.timeout, _US), **_base(function))

    def sensor(self, function: SensorCheck) -> SensorCalibration:
        """The thermistor's check."""
        low, high = (round(limit * 10) for limit in function.plausible)
        return SensorCalibration(
            low=low,
            high=high,
            step=round(function.step * 10),
            delay=self._setting(function.delay, _US),
            **_base(function),
        )

    def _setting(self, parameter: Parameter, unit: Fraction) -> Setting:
        modes = self._device.command.modes
        fixed = 0 if parameter.fixed is None else round(_exact(parameter.fixed) / unit)
        source = None if parameter.set_point is None else self._source(parameter.set_point, unit)
        return Setting(fixed, source, {modes[mode]: self._source(name, unit) for mode, name in parameter.banks.items()})

    def _source(self, name: str, unit: Fraction) -> Source:
        field = self._device.set_points[name].field
        ratio = field.scale / unit
        return Source(name, Scale(ratio.numerator, ratio.denominator, round(field.offset / unit), -_WIDE, _WIDE))

    def _rates(self, function: InverseTime) -> tuple[int, ...]:
        """Travel of one slow period over current; the last point is one beyond what the converter can read."""
        lowest = min(self._values(function.pickup))
        points = math.ceil(self._device.sensing.full_scale / lowest * _POINTS) + 2
        if points > _MOST_POINTS:
            raise ValueError(f"{self._device.name}: {function.name}: pickup of {lowest:g} A is too small for its table")
        way = _ALL_THE_WAY * self._slow_us * 1e-6
        rates = [0]
        for point in range(1, points):
            growth = math.expm1(function.alpha * math.log1p(point / _POINTS))
            rates.append(round(way * growth / (function.k + function.c * growth)))
        return tuple(rates)

    def _want_positive(self, function: ProtectionFunction, *parameters: Parameter) -> None:
        """The firmware divides by these and has no branch for 0."""
        for parameter in parameters:
            if min(self._values(parameter)) <= 0:
                raise ValueError(f"{self._device.name}: {function.name}: {parameter} must not come to 0 or below")

    def _values(self, parameter: Parameter) -> list[float]:
        """The least that the parameter may be, from wherever it comes."""
        points = self._device.set_points
        return [float(points[name].minimum) for name in parameter.names] or [float(parameter.fixed or 0)]
