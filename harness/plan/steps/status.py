"""Steps about what the breaker says of itself: status, fault memory, live values, identity."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

from pydantic import Field, model_validator

from harness.files.scalars import Flag, Name
from harness.plan.steps.step import Step
from harness.quantity import AnyQuantity


class CheckStatus(Step):
    """Compare the status frame: state, switch, cause (a fault code's name or none), status bits."""

    state: Name | None = None
    switch: Literal["open", "closed"] | None = None
    cause: Name | None = None
    bits: Mapping[Name, Flag] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _something(self) -> CheckStatus:
        if self.state is None and self.switch is None and self.cause is None and not self.bits:
            raise ValueError("nothing to check: want state, switch, cause or bits")
        return self


class CheckCodes(Step):
    """Read the fault memory; exactly these codes must be there, with at least these status bits set.

    ``without`` names bits that must be clear. A code's follow-on codes (device profile) are allowed beside it; its
    forbidden ones are a fail.
    """

    codes: Mapping[Name, tuple[Name, ...]]  # code -> names of ISO 14229-1 status bits that must be 1
    without: Mapping[Name, tuple[Name, ...]] = Field(default_factory=dict)  # code -> bits that must be 0


class CheckSnapshot(Step):
    """Read the snapshot of ``code`` and compare it with what the instruments and the harness know of the last trip.

    Every field with a known counterpart is compared within declared accuracies; ``values`` adds expectations.
    ``record`` is the one that is compared with the last trip where the device keeps several, else the latest.
    """

    code: Name
    record: Literal["first", "latest"] | None = None
    values: Mapping[Name, AnyQuantity] = Field(default_factory=dict)


class ClearCodes(Step):
    """Clear the fault memory and read it back empty."""


class ReadLive(Step):
    """Read live values and compare each with an instrument or with ``between``."""

    values: Mapping[Name, tuple[AnyQuantity, AnyQuantity]] = Field(min_length=1)


class Identify(Step):
    """Read product identification (LIN read by identifier 0) and identification records; compare with the profile.

    ``same``: and with what was read at the start of the run, so that a swapped unit is found.
    """

    same: Flag = False
