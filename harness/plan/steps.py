"""The steps of a test plan, as data: one model a step kind, one key a step.

A model says what the step needs and nothing about how it is done; harness/run holds a runner for each.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

from pydantic import Field, model_validator

from harness.files.load import Part
from harness.files.scalars import Flag, Name, Text
from harness.quantity import AnyQuantity, Current, Ratio, SlewRate, Time, Voltage


class Step(Part):
    """What every step has: it is frozen, refuses unknown keys, and may carry a name and a note for the report."""

    name: Name | None = None
    note: Text | None = None

    @property
    def roles(self) -> frozenset[str]:
        """Roles of the bench that the step uses beside the LIN port, which every step does."""
        return frozenset()


# Set-points


class WriteSetPoints(Step):
    """Write each set-point and read it back; with ``refused``, expect that negative answer and the old value."""

    values: Mapping[Name, AnyQuantity] = Field(min_length=1)
    refused: Name | None = None


class ReadSetPoints(Step):
    """Read set-points and compare: with ``values`` those, else every one that the plan has asked for so far."""

    values: Mapping[Name, AnyQuantity] | None = None


# The switch


class CloseSwitch(Step):
    """Command closed and expect it; with ``refused``, expect the switch to stay open."""

    refused: Flag = False


class OpenSwitch(Step):
    """Command open and expect it."""


# Stimuli

Start = Literal["cold", "from_history"]
COLD_AT_MOST = 0.02
"""Thermal level up to which a start counts as cold: a band knows the level, this only keeps a plan honest."""


class Stimulus(Step):
    """A current: ``inject`` through the sensing input (secondary), or ``draw`` through the switch (primary)."""

    inject: Current | None = None
    draw: Current | None = None
    voltage: Voltage | None = None  # of the source, with draw
    slew: SlewRate | None = None  # the instrument's fastest where absent

    @model_validator(mode="after")
    def _one_way(self) -> Stimulus:
        if (self.inject is None) == (self.draw is None):
            raise ValueError("want either inject (secondary) or draw (primary)")
        if (self.draw is None) != (self.voltage is None):
            raise ValueError("voltage goes with draw, and only with it")
        return self

    @property
    def roles(self) -> frozenset[str]:
        """See Step."""
        return frozenset({"injector", "recorder"} if self.inject is not None else {"source", "load", "recorder"})

    @property
    def current(self) -> float:
        """The commanded current in A."""
        quantity = self.inject if self.inject is not None else self.draw
        assert quantity is not None
        return quantity.si


class ExpectTrip(Stimulus):
    """Apply the current and time the trip against the band of ``function``; the cut-off is computed, not typed."""

    function: Name
    start: Start = "from_history"


class ExpectNoTrip(Stimulus):
    """Apply the current for ``duration``; no function may operate."""

    duration: Time


# What the breaker says


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

    A code's follow-on codes (device profile) are allowed beside it; its forbidden ones are a fail.
    """

    codes: Mapping[Name, tuple[Name, ...]]  # code -> names of ISO 14229-1 status bits that must be 1


class CheckSnapshot(Step):
    """Read the snapshot of ``code`` and compare it with what the instruments and the harness know of the last trip.

    Every field with a known counterpart is compared within declared accuracies; ``values`` adds expectations.
    """

    code: Name
    values: Mapping[Name, AnyQuantity] = Field(default_factory=dict)


class ClearCodes(Step):
    """Clear the fault memory and read it back empty."""


class ReadLive(Step):
    """Read live values and compare each with an instrument or with ``between``."""

    values: Mapping[Name, tuple[AnyQuantity, AnyQuantity]] = Field(min_length=1)


class Identify(Step):
    """Read product identification (LIN read by identifier 0) and identification records; compare with the profile."""


# Time and supply


class Wait(Step):
    """Let the bus run for ``duration``."""

    duration: Time


class WaitUntilCool(Step):
    """Wait until the thermal level, as the harness computes it, is below ``level``; the breaker's own must agree."""

    level: Ratio
    at_most: Time


class PowerCycle(Step):
    """Take the 12 V supply away for ``duration`` and bring it back; wait for the node to answer."""

    duration: Time

    @property
    def roles(self) -> frozenset[str]:
        """See Step."""
        return frozenset({"supply_12v"})


STEP_KINDS: dict[str, type[Step]] = {
    "write_set_points": WriteSetPoints,
    "read_set_points": ReadSetPoints,
    "close": CloseSwitch,
    "open": OpenSwitch,
    "expect_trip": ExpectTrip,
    "expect_no_trip": ExpectNoTrip,
    "check_status": CheckStatus,
    "check_codes": CheckCodes,
    "check_snapshot": CheckSnapshot,
    "clear_codes": ClearCodes,
    "read_live": ReadLive,
    "identify": Identify,
    "wait": Wait,
    "wait_until_cool": WaitUntilCool,
    "power_cycle": PowerCycle,
}
"""Key in a plan -> model. Total over the step kinds: run/steps.py has a runner for each, and a test says so."""
