"""What a current through the switch may become, at most, before a good breaker has broken it; for check and run alike.

Where the load fails, the loop alone limits the current until a comparator opens the switch. It may have failed before
the switch closes, so a comparator's blanking counts.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping

from harness.bench.safety_spec import LoopSpec
from harness.trip.corner import pickup_zone
from harness.trip.fault_current import Loop
from protocol.device import Device
from protocol.protection import Instantaneous, ProtectionFunction


def let_through(
    functions: Iterable[ProtectionFunction],
    loop: Loop,
    device: Device,
    set_points: Mapping[str, float],
    mode: str | None = None,
) -> float:
    """A of a short circuit by the comparator among ``functions`` that ends it first, at most.

    All that ``loop`` carries where that is too little for every one; 0 without one, as the backup alone ends it then.
    ``mode`` None: in the mode in which that is most.
    """
    modes = [mode] if mode is not None else device.command.modes or [None]
    comparators = [function for function in functions if isinstance(function, Instantaneous)]
    ends = [max(_opens(each, loop, set_points, one) for one in modes) for each in comparators]
    return loop.current(min(ends, default=0.0))


def _opens(function: Instantaneous, loop: Loop, set_points: Mapping[str, float], mode: str | None) -> float:
    """Seconds from the closing to when the slowest good breaker has opened; inf: the loop does not carry enough."""
    reached = loop.time_to(pickup_zone(function, set_points, mode).high)
    if reached is None:
        return math.inf
    return max(reached, function.blanking * (1 + function.declared.timer)) + function.response[1]


def into_clamp(amperes: float, loop: Loop, device: Device) -> float:
    """J that the clamp takes when ``amperes`` are broken, at most; inf where no clamp ends them."""
    clamp = device.ratings.clamp
    return math.inf if clamp is None or clamp[0] <= loop.voltage else loop.clamp_energy(amperes, clamp[0])


def loop_at(volts: float, loop: LoopSpec) -> Loop:
    """The bench's ``loop`` behind a source of ``volts``. Raises ValueError for one that is not above 0."""
    return Loop(volts, loop.inductance, loop.resistance)
