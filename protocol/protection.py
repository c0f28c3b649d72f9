"""What a breaker's protection functions are: names and parameters, and nothing about how a trip is computed.

harness/trip answers in closed form, mocks/firmware in sampled integer arithmetic; both start from the definitions
here and share nothing else. A parameter is either a set-point of the device or a fixed value of its profile.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True)
class Parameter:
    """One parameter of a function: the value of set-point ``set_point``, or ``fixed`` (SI units) where that is None."""

    set_point: str | None
    fixed: float | None = None

    def value(self, set_points: Mapping[str, float]) -> float:
        """The value in SI units, with ``set_points`` as the device holds them. Raises KeyError for a missing one."""
        if self.set_point is not None:
            return set_points[self.set_point]
        assert self.fixed is not None
        return self.fixed


@dataclass(frozen=True)
class ThermalMemory:
    """Overload by thermal memory, in the form of IEC 60255-149.

    The thermal level H follows dH/dt = ((I/pickup)² - H)/tau and trips at H >= 1. tau is ``time_constant`` while H
    rises and ``cooling_time_constant`` while it falls. Re-closing is refused until H is below ``reset_level``.
    """

    name: str
    pickup: Parameter  # A
    time_constant: Parameter  # s
    cooling_time_constant: Parameter  # s
    reset_level: Parameter  # 1, a share of the trip level
    cause: str  # fault code that a trip sets
    kept_without_supply: bool  # the thermal level survives loss of the 12 V supply, and does not cool meanwhile


ProtectionFunction = ThermalMemory
"""Every kind of protection function there is: a union, so that a type checker finds who forgot one."""
