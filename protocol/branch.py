"""What a breaker protects and what it stands itself: its branch's cable, its switch. Figures only, no formula."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Metal = Literal["copper", "aluminium", "steel"]
Insulation = Literal["pvc_70", "pvc_90", "xlpe_90", "rubber_60", "rubber_85", "silicone_180"]
"""Insulation, and what its conductor may have in service, degC; after IEC 60364-5-54, Annex A."""


@dataclass(frozen=True)
class Cable:
    """The cable of the branch: conductor, insulation, cross-section in mm2."""

    metal: Metal
    insulation: Insulation
    area: float


@dataclass(frozen=True)
class Withstand:
    """What the switch stands, closed: currents (A) and for how long (s), falling; clamp energy in J of one shot."""

    points: tuple[tuple[float, float], ...]
    clamp_energy: float
