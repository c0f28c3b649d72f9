"""One unit out of production: its tolerances, drawn from the seed.

Every draw stays within ``SHARE`` of what the device declares, which leaves the rest to resolution, noise and the
sampled arithmetic of the firmware: a unit from here is a healthy one.
"""

from __future__ import annotations

from dataclasses import dataclass

from mocks.noise import Channel, Noise
from protocol.device import Device

SHARE = 0.6
"""Largest part of a declared limit of error that a tolerance uses up."""
_UPTIME_WRAP = 1 << 32  # ms


@dataclass(frozen=True)
class Unit:
    """Tolerances of one unit. Errors are relative where no unit is named."""

    current_gain: float
    current_offset: float  # A
    timer: float
    gate_delay_ns: int  # gate signal to current
    on_resistance: float  # ohm
    leakage_resistance: float  # ohm, open
    supply_gain: float
    supply_offset: float  # V
    uptime_ms: int  # powered time of the unit's life so far; wraps at 32 bits


def draw_unit(device: Device, noise: Noise) -> Unit:
    """The unit of ``device`` that ``noise``'s seed stands for."""
    random = noise.generator(Channel.UNIT)
    accuracy, ratings = device.accuracy, device.ratings

    def within(limit: float) -> float:
        return float(random.uniform(-SHARE * limit, SHARE * limit))

    return Unit(
        current_gain=within(accuracy.current_gain),
        current_offset=within(accuracy.current_offset),
        timer=within(accuracy.timer),
        gate_delay_ns=int(random.integers(300, 1500)),
        on_resistance=ratings.on_resistance * float(random.uniform(0.85, 1.15)),
        leakage_resistance=ratings.bus_voltage / (ratings.off_state_leakage * float(random.uniform(0.05, SHARE))),
        supply_gain=within(0.005),
        supply_offset=within(0.05),
        uptime_ms=int(random.integers(_UPTIME_WRAP)),
    )
