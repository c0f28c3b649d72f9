"""The capacitor bank of short-circuit shots: charged, made onto the breaker, discharged, seen to be dead.

    charger -> bank -> making switch (relay `pulse`) -> loop R and L -> source side -> breaker or bypass -> back
               resistor across the bank: relay `bank_discharge`

The making switch has two poles: it connects the bank to the source side, and the load side to the bank's return. The
bank is a second source of energy, so a shot is taken with the main source parted, and the bank is charged for one shot
at a time. The gate decides; harness/bench/high_voltage.py owns this and is alone in calling it.
"""

from __future__ import annotations

from collections.abc import Callable

from harness.bench.gate import Outputs
from harness.bench.instrument import InstrumentError, PowerSupply
from harness.bench.interlock import InterlockUnit
from harness.bench.proof import dead_limit
from harness.bench.safety_spec import BankSpec
from harness.clock import Clock, S

RELAYS = ("pulse", "bank_discharge")
"""What a bench with a bank has to have beside the relays of every high-voltage bench."""
_CHARGED = 0.98  # of what the charger was told
_BEYOND = 1.02
_SLOWER = 2.0  # than capacitance and charging current say
_SETTLE_S = 0.2
_SEEN_V = 3.0  # times the dead limit: charged to so much, a bank that a shot has emptied is seen to fall


class Bank:
    """Charger, making switch and discharge resistor of one bank."""

    def __init__(
        self,
        charger: PowerSupply,
        interlock: InterlockUnit,
        spec: BankSpec,
        clock: Clock,
        outputs: Callable[[], Outputs],
    ) -> None:
        """``outputs`` is the gate's word."""
        self._charger = charger
        self._interlock = interlock
        self.spec = spec
        self._clock = clock
        self._outputs = outputs
        self.charged = 0.0  # V, what it was last charged to since it was proved dead

    @property
    def limit(self) -> float:
        """Voltage below which the bank is dead, V: by touch and by stored energy."""
        return dead_limit(self.spec.capacitance)

    def live(self, volts: float) -> str | None:
        """Of a bank that nobody has charged in this run, and that reads ``volts``: None where it is dead."""
        return f"the bank reads {volts:.0f} V" if abs(volts) + self.error >= self.limit else None

    @property
    def visible(self) -> float:
        """What it has to be charged to before its fall can be seen, V."""
        return min(_SEEN_V * self.limit, self.spec.voltage)

    def volts(self) -> float:
        """The bank's voltage as the charger reads it."""
        return self._charger.voltage()

    @property
    def error(self) -> float:
        """Limit of error of that reading, V."""
        return self.spec.gain * self.charged + self.spec.offset

    def charge(self, volts: float, look: Callable[[], object]) -> None:
        """Charge it to ``volts``, and take the charger away again; ``look`` is called all the while.

        Raises InstrumentError, and what ``look`` raises.
        """
        if not self._outputs().charger:
            raise InstrumentError("bank: the gate lets nothing charge it")
        if volts > self.spec.voltage:
            raise InstrumentError(f"bank: {volts:g} V is more than its {self.spec.voltage:g} V")
        self.charged = max(self.charged, volts)
        self._interlock.relay("bank_discharge", False)
        self._charger.configure(volts, self.spec.current)
        self._charger.output(True)
        seconds = _SLOWER * self.spec.capacitance * volts / self.spec.current + _SETTLE_S
        deadline_ns, look_ns = self._clock.now_ns() + round(seconds * S), round(seconds / 50 * S)
        full_ns: int | None = None
        while full_ns is None or self._clock.now_ns() < full_ns + _SETTLE_S * S:
            if full_ns is None and self._clock.now_ns() >= deadline_ns:
                raise InstrumentError(f"bank: does not come to {volts:g} V within {seconds:.2g} s")
            self._clock.sleep_until(self._clock.now_ns() + look_ns)
            look()
            held = self.volts()
            if held > _BEYOND * volts + self.error:
                raise InstrumentError(f"bank: charged to {held:.4g} V, and {volts:g} V were asked for")
            if full_ns is None and held >= _CHARGED * volts:
                full_ns = self._clock.now_ns()
        self._charger.off()

    def make(self) -> None:
        """Close the making switch. Raises InstrumentError where the gate forbids it."""
        if not self._outputs().making:
            raise InstrumentError("bank: the gate lets nothing be made onto the breaker")
        self._interlock.relay("pulse", True)

    def stop(self) -> None:
        """Charger off. Raises InstrumentError."""
        self._charger.off()

    def part(self) -> None:
        """Open the making switch. Raises InstrumentError."""
        self._interlock.relay("pulse", False)

    def discharge(self) -> None:
        """Connect the resistor. Raises InstrumentError."""
        self._interlock.relay("bank_discharge", True)
