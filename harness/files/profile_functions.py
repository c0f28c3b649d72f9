"""Protection functions of a profile: one builder a kind, each from its section to its frozen definition."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from harness.files.profile_model import (
    DeclaredSection,
    DefiniteTimeSection,
    FunctionSection,
    InstantaneousSection,
    InverseTimeSection,
    JunctionTemperatureSection,
    Profile,
    SensorCheckSection,
    SilenceSection,
    ThermalMemorySection,
)
from harness.quantity import Quantity
from protocol.protection import (
    Declared,
    DefiniteTime,
    Instantaneous,
    InverseTime,
    JunctionTemperature,
    Parameter,
    ProtectionFunction,
    SensorCheck,
    Silence,
    ThermalMemory,
)

Head = dict[str, Any]
"""What every function has: the keyword arguments of protocol.protection.Function."""


def functions(profile: Profile) -> dict[str, ProtectionFunction]:
    """Every protection function by name; those without limits of error of their own have the device's."""
    return {
        name: BUILDERS[type(section)](section, _head(name, section, profile))
        for name, section in profile.functions.items()
    }


def parameter(value: Quantity | str | Mapping[str, str]) -> Parameter:
    """A fixed value, a set-point, or a set-point for each mode."""
    if isinstance(value, Quantity):
        return Parameter(None, value.si)
    if isinstance(value, str):
        return Parameter(value)
    return Parameter(next(iter(value.values())), None, dict(value))


def _head(name: str, section: FunctionSection, profile: Profile) -> Head:
    return {
        "name": name,
        "cause": section.cause,
        "priority": section.priority,
        "reaction": section.reaction,
        "declared": _declared(section.accuracy, profile),
    }


def _declared(own: DeclaredSection | None, profile: Profile) -> Declared:
    if own is not None:
        return Declared(own.gain.si, own.offset.si, own.timer.si, (own.latency[0].si, own.latency[1].si))
    device = profile.accuracy
    latency = device.latency[0].si, device.latency[1].si
    return Declared(device.current_gain.si, device.current_offset.si, device.timer.si, latency)


def _thermal_memory(section: ThermalMemorySection, head: Head) -> ProtectionFunction:
    return ThermalMemory(
        pickup=parameter(section.pickup),
        time_constant=parameter(section.time_constant),
        cooling_time_constant=parameter(section.cooling_time_constant),
        reset_level=parameter(section.reset_level),
        kept_without_supply=section.kept_without_supply,
        **head,
    )


def _inverse_time(section: InverseTimeSection, head: Head) -> ProtectionFunction:
    return InverseTime(
        pickup=parameter(section.pickup),
        multiplier=parameter(section.multiplier),
        k=section.k.si,
        alpha=section.alpha.si,
        c=section.c.si,
        minimum_time=section.minimum_time.si,
        reset_time=section.reset_time.si,
        reset_level=parameter(section.reset_level),
        kept_without_supply=section.kept_without_supply,
        **head,
    )


def _definite_time(section: DefiniteTimeSection, head: Head) -> ProtectionFunction:
    return DefiniteTime(
        quantity=section.watches,
        direction=section.direction,
        threshold=parameter(section.threshold),
        hysteresis=section.hysteresis.si,
        delay=parameter(section.delay),
        condition=section.condition,
        samples=section.samples,
        **head,
    )


def _instantaneous(section: InstantaneousSection, head: Head) -> ProtectionFunction:
    return Instantaneous(
        threshold=parameter(section.threshold),
        blanking=section.blanking.si,
        response=(section.response[0].si, section.response[1].si),
        **head,
    )


def _junction_temperature(section: JunctionTemperatureSection, head: Head) -> ProtectionFunction:
    return JunctionTemperature(
        limit=parameter(section.limit),
        reset=parameter(section.reset),
        network=tuple((stage.resistance.si, stage.time_constant.si) for stage in section.network),
        on_resistance=section.on_resistance.si,
        temperature_coefficient=0.0 if section.temperature_coefficient is None else section.temperature_coefficient.si,
        normalised_resistance=tuple((at.si, share.si) for at, share in section.normalised_resistance or ()),
        switches=section.switches,
        network_tolerance=section.network_tolerance.si,
        resistance_tolerance=section.resistance_tolerance.si,
        **head,
    )


def _silence(section: SilenceSection, head: Head) -> ProtectionFunction:
    return Silence(timeout=parameter(section.timeout), **head)


def _sensor_check(section: SensorCheckSection, head: Head) -> ProtectionFunction:
    low, high = section.plausible
    return SensorCheck(
        plausible=(low.si, high.si),
        step=section.step.si,
        sample=section.sample.si,
        delay=parameter(section.delay),
        **head,
    )


BUILDERS: Mapping[type[FunctionSection], Callable[[Any, Head], ProtectionFunction]] = {
    ThermalMemorySection: _thermal_memory,
    InverseTimeSection: _inverse_time,
    DefiniteTimeSection: _definite_time,
    InstantaneousSection: _instantaneous,
    JunctionTemperatureSection: _junction_temperature,
    SilenceSection: _silence,
    SensorCheckSection: _sensor_check,
}
"""Section -> builder. Total over the kinds of section, and a test says so."""
