"""Steps that let time pass, with and without the 12 V supply."""

from __future__ import annotations

from harness.plan.steps.step import Step
from harness.quantity import Ratio, Time


class Wait(Step):
    """Let the bus run for ``duration``."""

    duration: Time


class WaitUntilCool(Step):
    """Wait until every level, as the harness computes it, is below ``level``; the breaker's own must agree.

    A level is a share of the trip level; a junction's is its rise above the heat sink as a share of the one that trips.
    """

    level: Ratio
    at_most: Time


class PowerCycle(Step):
    """Take the 12 V supply away for ``duration`` and bring it back; wait for the node to answer."""

    duration: Time

    @property
    def roles(self) -> frozenset[str]:
        """See Step."""
        return frozenset({"supply_12v"})


class Flash(Step):
    """Put the run's build in (`run --build`), and see that set-points are kept or reset as the profile says."""

    @property
    def roles(self) -> frozenset[str]:
        """See Step."""
        return frozenset({"supply_12v"})
