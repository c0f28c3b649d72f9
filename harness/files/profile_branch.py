"""A profile's sections about the branch: the cable that the breaker protects, what the breaker itself stands."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import Annotated

from pydantic import Field

from harness.files.load import Part
from harness.files.scalars import Whole
from harness.quantity import Area, Current, Energy, Time
from protocol.branch import Cable, Insulation, Metal, Withstand
from protocol.budgets import Budgets


class CableSection(Part):
    """Conductor and insulation; what it stands follows from them."""

    metal: Metal
    insulation: Insulation
    area: Area

    def build(self) -> Cable:
        """The value of it."""
        return Cable(self.metal, self.insulation, self.area.si)

    def faults(self) -> Iterator[tuple[tuple[str | int, ...], str]]:
        """Where and why it is none."""
        if self.area.exact <= 0:
            yield ("area",), f"{self.area}: want more than 0 mm2"


class WithstandSection(Part):
    """Currents and times that the closed switch stands, and the energy of its clamp."""

    points: Annotated[tuple[tuple[Current, Time], ...], Field(min_length=2)]
    clamp_energy: Energy

    def build(self) -> Withstand:
        """The value of it."""
        return Withstand(tuple((current.si, time.si) for current, time in self.points), self.clamp_energy.si)

    def faults(self) -> Iterator[tuple[tuple[str | int, ...], str]]:
        """Where and why it is none."""
        for number, ((low, long), (high, short)) in enumerate(pairwise(self.points)):
            if not (0 < low.exact < high.exact and long.exact > short.exact > 0):
                yield ("points", number + 1), f"want more than {low}, for less than {long} and more than 0 s"
        if self.clamp_energy.exact <= 0:
            yield ("clamp_energy",), f"{self.clamp_energy}: want more than 0 J"


class BudgetsSection(Part):
    """How much testing may use a unit up, in its whole life."""

    short_circuits: Annotated[Whole, Field(ge=0)]
    clamp_energy: Energy
    non_volatile_writes: Annotated[Whole, Field(ge=0)]
    key_attempts: Annotated[Whole, Field(ge=0)]

    def build(self) -> Budgets:
        """The value of it."""
        return Budgets(self.short_circuits, self.clamp_energy.si, self.non_volatile_writes, self.key_attempts)
