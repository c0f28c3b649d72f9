"""How far one healthy unit's values scatter from repeat to repeat: where its samples lie in time, noise, resolution.

Standard deviations. What a profile declares as limits of error differs from unit to unit and stays with one; what its
section `sensing` declares differs each time. A sampling period is a rectangular distribution (JCGM 100, 4.3.7).
"""

from __future__ import annotations

import math

from harness.run.instants import Instants, Look
from harness.trip.band import Band
from protocol.device import Device
from protocol.protection import DefiniteTime, Instantaneous, ProtectionFunction

_ROOT12 = math.sqrt(12)
_OF_CURRENT = ("injected", "current")


def of_operate_time(function: ProtectionFunction, device: Device, look: Look, found: Instants, band: Band) -> float:
    """Of a recorded operate time in s: the instant of the sample that decides, and what noise makes of when it does."""
    return math.hypot(of_decision(function, device), _of_noise(function, device, look, found, band))


def of_decision(function: ProtectionFunction, device: Device) -> float:
    """Of the instant of the decision in s, were there no noise.

    A comparator has no samples; all that its response may differ by counts.
    """
    if isinstance(function, Instantaneous):
        return of_range(*function.response)
    sensing = device.sensing
    return (sensing.fast_period_ns if _votes(function) else sensing.slow_period_ns) / 1e9 / _ROOT12


def of_reading(resolution: float, noise: float = 0.0) -> float:
    """Of a value that the breaker reports in steps of ``resolution``."""
    return math.hypot(resolution / _ROOT12, noise)


def of_range(low: float, high: float) -> float:
    """Of a value that is known to lie anywhere between the two."""
    return (high - low) / _ROOT12


def _votes(function: ProtectionFunction) -> bool:
    """Whether fast samples decide."""
    return isinstance(function, DefiniteTime) and function.quantity == "current" and function.samples != (1, 1)


def _of_noise(function: ProtectionFunction, device: Device, look: Look, found: Instants, band: Band) -> float:
    """On a way up noise moves the crossing; where current is summed up, it counts as the mean of all its samples."""
    sensing = device.sensing
    if look.channel not in _OF_CURRENT or isinstance(function, Instantaneous):
        return 0.0
    if isinstance(function, DefiniteTime):
        return (sensing.fast_noise if _votes(function) else sensing.slow_noise) / look.course.rate
    assert found.decision is not None
    samples = max((found.decision - found.onset) * 1e9 / sensing.slow_period_ns, 1.0)
    slopes = (slope for slope in (band.early_slope, band.late_slope) if slope is not None)
    return max((slope.uncertainty(0.0, sensing.slow_noise / math.sqrt(samples)) for slope in slopes), default=0.0)
