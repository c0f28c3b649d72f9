"""Steps that make a charged capacitor bank onto the fault loop: measuring the loop, and short-circuit shots."""

from __future__ import annotations

from harness.files.scalars import Flag, Name
from harness.plan.steps.step import Step
from harness.quantity import Ratio, Voltage, parse

_ROLES = frozenset({"bank", "source", "interlock", "voltmeter", "recorder"})


class CalibrateLoop(Step):
    """Measure inductance and resistance of the loop: the breaker bypassed, the bank at a low ``voltage``.

    What the bench file declares for the loop must agree to ``tolerance``; the prospective current is told for the
    bank's greatest voltage.
    """

    voltage: Voltage
    tolerance: Ratio = parse("10 %")

    @property
    def roles(self) -> frozenset[str]:
        """See Step."""
        return _ROLES


class ShortCircuit(Step):
    """Make the bank at ``voltage`` onto the closed breaker, whose comparator ``function`` must clear it.

    ``closing``: the bank is made first, and the breaker is then closed onto the fault.
    """

    voltage: Voltage
    function: Name = "short_circuit"
    closing: Flag = False

    @property
    def roles(self) -> frozenset[str]:
        """See Step."""
        return _ROLES
