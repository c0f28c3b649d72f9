"""What a breaker stands between: the cable that it protects, and what its own switch withstands."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Metal = Literal["copper", "aluminium", "steel"]
Insulation = Literal["pvc_70", "pvc_90", "xlpe", "rubber_60", "rubber_85", "silicone"]
"""By material and, where there are several, by the highest temperature in service (degC)."""


@dataclass(frozen=True)
class Cable:
    """The branch's cable. Its adiabatic constant k follows from metal and insulation."""

    metal: Metal
    insulation: Insulation
    cross_section: float  # mm²
    rating: float | None = None  # A, continuous, as it is laid


@dataclass(frozen=True)
class Withstand:
    """What the switch stands: current (A) and for how long (s), currents rising; most energy of its clamp in J."""

    points: tuple[tuple[float, float], ...]
    clamp_energy: float | None = None
