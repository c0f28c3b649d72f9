"""What a good breaker may let through of a fault: least and greatest over all that its profile allows.

The corners of comparator threshold, response, clamp voltage, and of what the loop may be (with the breaker's own
resistance or without it, the bank at its first voltage or at its last), each by the closed forms of fault_current.py.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from dataclasses import dataclass

from harness.trip.corner import pickup_zone
from harness.trip.fault_current import Loop
from harness.trip.loop import MeasuredLoop
from protocol.device import Device
from protocol.protection import Instantaneous

_HOT = 2.0  # on-resistance of a hot silicon-carbide switch over that at 25 degC; common practice, no source
FIGURES = ("let-through peak", "let-through I2t", "clearing time", "commutation over-voltage", "clamp energy")
"""What is judged, in A, A²s, s, V, J."""
UNITS = dict(zip(FIGURES, ("A", "A2s", "s", "V", "J"), strict=True))


@dataclass(frozen=True)
class Fault:
    """The loop and what drives it: bank before and after the shot (V), loop in H and ohm."""

    volts: tuple[float, float]
    inductance: float
    resistance: float


@dataclass(frozen=True)
class Limits:
    """Least and greatest of one figure, and what the loop's own uncertainty makes of them (standard)."""

    low: float
    high: float
    uncertainty: float = 0.0


def clearing_limits(
    function: Instantaneous,
    device: Device,
    set_points: Mapping[str, float],
    mode: str | None,
    fault: Fault,
    onset: float,
    closing: bool = False,
) -> dict[str, Limits]:
    """Limits of each of FIGURES; ``onset`` is the current in A that the clearing time counts from.

    ``closing``: the fault begins with the closing, and the comparator is deaf for its blanking. Raises ValueError where
    the loop does not carry the threshold, or the profile declares no clamp above the fault's voltage.
    """
    if device.ratings.clamp is None:
        raise ValueError(f"the profile of {device.name} declares no clamp voltage")
    zone = pickup_zone(function, set_points, mode)
    blanking = function.blanking if closing else 0.0
    found: list[tuple[float, ...]] = []
    for volts, extra, threshold, response, clamp in itertools.product(
        fault.volts,
        (0.0, _HOT * device.ratings.on_resistance),
        (zone.low, zone.high),
        function.response,
        device.ratings.clamp,
    ):
        loop = Loop(volts, fault.inductance, fault.resistance + extra)
        reached, begun = loop.time_to(threshold), loop.time_to(onset)
        if reached is None or begun is None:
            raise ValueError(f"{volts:g} V drive no more than {volts / loop.resistance:.4g} A through this loop")
        seconds = max(reached, blanking) + response
        peak = loop.current(seconds)
        squares = loop.rise_i2t(seconds) + loop.fall_i2t(peak, clamp)
        cleared = seconds - begun + loop.fall_time(peak, clamp)
        found.append((peak, squares, cleared, clamp, loop.clamp_energy(peak, clamp)))
    columns = zip(FIGURES, zip(*found, strict=True), strict=True)
    return {name: Limits(min(values), max(values)) for name, values in columns}


def uncertain_limits(
    function: Instantaneous,
    device: Device,
    set_points: Mapping[str, float],
    mode: str | None,
    volts: tuple[float, float],
    volts_uncertainty: float,
    loop: MeasuredLoop,
    onset: float,
    closing: bool = False,
) -> dict[str, Limits]:
    """The same for a loop and a voltage that are known with an uncertainty, carried through (JCGM 100, 5.1.2)."""

    def at(more_volts: float = 0.0, more_henry: float = 0.0, more_ohm: float = 0.0) -> dict[str, Limits]:
        fault = Fault(
            (volts[0] + more_volts, volts[1] + more_volts),
            loop.inductance.value + more_henry,
            loop.resistance.value + more_ohm,
        )
        return clearing_limits(function, device, set_points, mode, fault, onset, closing)

    middle = at()
    moved = [
        at(more_volts=volts_uncertainty),
        at(more_henry=loop.inductance.uncertainty),
        at(more_ohm=loop.resistance.uncertainty),
    ]
    found = {}
    for name, limits in middle.items():
        shifts = (max(abs(m[name].low - limits.low), abs(m[name].high - limits.high)) for m in moved)
        found[name] = Limits(limits.low, limits.high, math.hypot(*shifts))
    return found
