"""How much a unit may be used up by testing, in its whole life. Figures only."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

Wear = Literal["short_circuits", "clamp_energy", "non_volatile_writes", "key_attempts"]
WEAR: tuple[Wear, ...] = get_args(Wear)
"""What uses a unit up: shots through its comparator, energy in J into its clamp, saved records, keys sent."""


@dataclass(frozen=True)
class Budgets:
    """The most of each kind of wear."""

    short_circuits: int
    clamp_energy: float  # J
    non_volatile_writes: int
    key_attempts: int

    def of(self, kind: Wear) -> float:
        """The budget of one kind."""
        return float(getattr(self, kind))
