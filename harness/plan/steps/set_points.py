"""Steps about what the device holds: set-points, and whether a write survives the loss of the supply."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated

from pydantic import Field

from harness.files.scalars import Name, Whole
from harness.plan.steps.step import Step
from harness.quantity import AnyQuantity, Time, parse


class WriteSetPoints(Step):
    """Write each set-point and read it back; with ``refused``, expect that negative answer and the old value.

    Set-points that share a record are written together, the ones not named with the values that they have.
    """

    values: Mapping[Name, AnyQuantity] = Field(min_length=1)
    refused: Name | None = None


class ReadSetPoints(Step):
    """Read set-points and compare: with ``values`` those, else every one that the plan has asked for so far."""

    values: Mapping[Name, AnyQuantity] | None = None


class PowerCut(Step):
    """Write ``values`` again and again, each time with the supply cut at another instant of the write.

    ``instants`` of them are spread evenly over ``within``, from the end of the request on. After each, a record must
    hold its old or its new values as a whole.
    """

    values: Mapping[Name, AnyQuantity] = Field(min_length=1)
    instants: Annotated[Whole, Field(ge=1, le=1000)] = 50
    within: Time = parse("60 ms")

    @property
    def roles(self) -> frozenset[str]:
        """See Step."""
        return frozenset({"supply_12v"})
