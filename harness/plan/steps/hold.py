"""Steps that take a quantity away from its healthy value and leave it there for the steps that follow."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, model_validator

from harness.files.scalars import Name
from harness.plan.steps.step import Step
from harness.plan.steps.stimulus import STIMULI
from harness.quantity import AnyQuantity, Quantity, Temperature, Time, Voltage

HELD = ("supply", "bus", "gate_rail", "heat_sink")
"""Keys of STIMULI that can be held: a current is never left flowing."""

Point = Annotated[tuple[AnyQuantity, Time], Field()]


class Hold(Step):
    """Take one quantity to a value, by way of other values and for their times, and leave it there.

    ``function`` is one that only bars closing and is to be present then; no other may operate.
    """

    supply: Voltage | None = None
    bus: Voltage | None = None
    gate_rail: Voltage | None = None
    heat_sink: Temperature | None = None
    through: tuple[Point, ...] = ()
    function: Name | None = None

    @model_validator(mode="after")
    def _one(self) -> Hold:
        keys = [key for key in HELD if getattr(self, key) is not None]
        if len(keys) != 1:
            raise ValueError(f"want exactly one of {', '.join(HELD)}; found {', '.join(keys) or 'none'}")
        wrong = [str(value) for value, _ in self.through if value.base != self.level.base]
        if wrong:
            raise ValueError(f"through: {wrong[0]}: want values in {STIMULI[self.key].unit}")
        return self

    @property
    def key(self) -> str:
        """Which key of STIMULI it holds."""
        return next(key for key in HELD if getattr(self, key) is not None)

    @property
    def level(self) -> Quantity:
        """The value that it is left at."""
        level: Quantity = getattr(self, self.key)
        return level

    @property
    def points(self) -> tuple[tuple[float, float], ...]:
        """Values (in the quantity's unit) and times (s) on the way."""
        return tuple((value.si, time.si) for value, time in self.through)

    @property
    def roles(self) -> frozenset[str]:
        """See Step."""
        return frozenset(STIMULI[self.key].roles)


class LetGo(Step):
    """Take everything that is held back to its healthy value."""
