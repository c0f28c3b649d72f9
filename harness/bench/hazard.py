"""How dangerous a step is, computed from the roles that it uses, never declared."""

from __future__ import annotations

from collections.abc import Iterable
from enum import Enum

from harness.plan.steps import CalibrateLoop, CheckHealth, ShortCircuit, Step, Stimulus


class Hazard(Enum):
    """Hazard class of a step; weakest first."""

    NONE = "none"
    LOW_VOLTAGE = "low voltage"
    HIGH_VOLTAGE = "high voltage"


HAZARD_OF_ROLE: dict[str, Hazard] = {
    "lin": Hazard.NONE,
    "recorder": Hazard.NONE,
    "supply_12v": Hazard.LOW_VOLTAGE,
    "injector": Hazard.LOW_VOLTAGE,
    "gate_supply": Hazard.LOW_VOLTAGE,
    "bus_signal": Hazard.LOW_VOLTAGE,
    "ntc": Hazard.LOW_VOLTAGE,
    "source": Hazard.HIGH_VOLTAGE,
    "load": Hazard.HIGH_VOLTAGE,
    "bank": Hazard.HIGH_VOLTAGE,
    "interlock": Hazard.LOW_VOLTAGE,
    "voltmeter": Hazard.NONE,
    "isolation": Hazard.NONE,
    "chamber": Hazard.LOW_VOLTAGE,
}
"""Hazard that each role brings."""


def hazard_of(roles: Iterable[str]) -> Hazard:
    """The strongest hazard that any of ``roles`` brings."""
    order = list(Hazard)
    return max((HAZARD_OF_ROLE[role] for role in roles), key=order.index, default=Hazard.NONE)


def volts_of(step: Step) -> float:
    """The highest voltage that ``step`` puts on the breaker, V."""
    match step:
        case Stimulus(voltage=voltage) if voltage is not None:
            return voltage.si
        case CheckHealth(voltage_drop=drop, leakage=leakage):
            return max((part.voltage.si for part in (drop, leakage) if part is not None), default=0.0)
        case ShortCircuit() | CalibrateLoop():
            return step.voltage.si
        case _:
            return 0.0
