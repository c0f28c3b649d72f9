"""One unit out of production: its tolerances, drawn from the seed.

Every draw stays within ``SHARE`` of what the device declares, which leaves the rest to resolution, noise and the
sampled arithmetic of the firmware: a unit from here is a healthy one.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from mocks.noise import Channel, Noise
from protocol.device import Device
from protocol.protection import (
    Declared,
    DefiniteTime,
    Instantaneous,
    InverseTime,
    JunctionTemperature,
    ProtectionFunction,
    Quantity,
    ThermalMemory,
)

SHARE = 0.6
"""Largest part of a declared limit of error that a tolerance uses up."""
_UPTIME_WRAP = 1 << 32  # ms
_CONVERTERS: dict[Quantity, tuple[float, float]] = {
    "supply_voltage": (0.005, 0.05),
    "gate_rail_voltage": (0.005, 0.05),
    "bus_voltage": (0.005, 1.0),
}  # limits of error, gain and offset in V; less where a function declares less


@dataclass(frozen=True)
class Converter:
    """Errors of a converter: value * (1 + gain) + offset."""

    gain: float
    offset: float  # V

    def read(self, value: float) -> float:
        """What it makes of ``value``."""
        return value * (1 + self.gain) + self.offset


@dataclass(frozen=True)
class ComparatorErrors:
    """The comparator path of one unit. It acts where current * (1 + gain) + offset reaches its reference."""

    gain: float
    offset: float  # A
    response_ns: int
    blanking_ns: int


@dataclass(frozen=True)
class Unit:
    """Tolerances of one unit. Errors are relative where no unit is named."""

    current_gain: float
    current_offset: float  # A
    timer: float
    gate_delay_ns: int  # gate signal to current
    on_resistance: float  # ohm
    leakage_resistance: float  # ohm, open
    converters: Mapping[Quantity, Converter]
    uptime_ms: int  # powered time of the unit's life so far; wraps at 32 bits
    thermistor: float  # K
    junction_network: float
    junction_resistance: float
    comparator: ComparatorErrors | None


def draw_unit(device: Device, noise: Noise) -> Unit:
    """The unit of ``device`` that ``noise``'s seed stands for."""
    random = noise.generator(Channel.UNIT)
    accuracy, ratings = device.accuracy, device.ratings
    functions = list(device.functions.values())

    def within(limit: float) -> float:
        return float(random.uniform(-SHARE * limit, SHARE * limit))

    return Unit(
        current_gain=within(min([accuracy.current_gain, *(each.gain for each in _measured(functions))])),
        current_offset=within(min([accuracy.current_offset, *(each.offset for each in _measured(functions))])),
        timer=within(min([accuracy.timer, *(each.declared.timer for each in functions if _timed(each))])),
        gate_delay_ns=int(random.integers(300, 1500)),
        on_resistance=ratings.on_resistance * float(random.uniform(0.85, 1.15)),
        leakage_resistance=ratings.bus_voltage / (ratings.off_state_leakage * float(random.uniform(0.05, SHARE))),
        converters={
            quantity: Converter(*(within(limit) for limit in _converter_limits(quantity, functions)))
            for quantity in _CONVERTERS
        },
        uptime_ms=int(random.integers(_UPTIME_WRAP)),
        thermistor=within(0.0 if device.thermistor is None else device.thermistor.tolerance),
        junction_network=within(min([0.02, *(each.network_tolerance for each in _junctions(functions))])),
        junction_resistance=within(min([0.02, *(each.resistance_tolerance for each in _junctions(functions))])),
        comparator=_comparator(functions, within),
    )


def _timed(function: ProtectionFunction) -> bool:
    """Whether the controller's timer decides when the function operates."""
    return not isinstance(function, Instantaneous)


def _junctions(functions: list[ProtectionFunction]) -> list[JunctionTemperature]:
    return [each for each in functions if isinstance(each, JunctionTemperature)]


def _measured(functions: list[ProtectionFunction]) -> list[Declared]:
    """What is declared by whatever works on the measured current."""
    return [each.declared for each in functions if _on_current(each)]


def _on_current(function: ProtectionFunction) -> bool:
    if isinstance(function, DefiniteTime):
        return function.quantity == "current"
    return isinstance(function, ThermalMemory | InverseTime | JunctionTemperature)


def _converter_limits(quantity: Quantity, functions: list[ProtectionFunction]) -> tuple[float, float]:
    gain, offset = _CONVERTERS[quantity]
    watching = [each.declared for each in functions if isinstance(each, DefiniteTime) and each.quantity == quantity]
    return min([gain, *(each.gain for each in watching)]), min([offset, *(each.offset for each in watching)])


def _comparator(functions: list[ProtectionFunction], within: Callable[[float], float]) -> ComparatorErrors | None:
    for function in functions:
        if isinstance(function, Instantaneous):
            least, most = function.response
            response = (least + most) / 2 + within((most - least) / 2)
            return ComparatorErrors(
                gain=within(function.declared.gain),
                offset=within(function.declared.offset),
                response_ns=round(response * 1e9),
                blanking_ns=round(function.blanking * 1e9),
            )
    return None
