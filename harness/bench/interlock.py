"""The bench's eyes and hands beside the currents: interlock inputs, relays, and the voltmeter on both sides.

Unlike other instruments these are not reset on opening: a reset would take the discharge resistors away from a side
that may still be charged. Every relay is commanded by name and read back.
"""

from __future__ import annotations

from dataclasses import dataclass

from harness.bench.gate import Interlock
from harness.bench.instrument import Instrument, InstrumentError, Link
from harness.bench.safety_spec import InterlockSpec, VoltmeterSpec


@dataclass(frozen=True)
class Inputs:
    """What the inputs say at one moment."""

    interlock: Interlock
    arm_button: bool  # pressed
    contactor: bool  # closed, by its auxiliary contact
    discharge: bool


class InterlockUnit(Instrument):
    """Digital inputs and relays; SCPI-99 ROUTe:CLOSe and ROUTe:OPEN with channel lists, SENSe:DATA? for inputs."""

    def __init__(self, link: Link, spec: InterlockSpec) -> None:
        super().__init__("interlock", link, reset=False)
        self._spec = spec

    def inputs(self) -> Inputs:
        """Every input, read at once."""
        read = self.channels()
        return Inputs(Interlock(_both(*read[0:2]), _both(*read[2:4])), *read[4:])

    def channels(self) -> list[bool]:
        """Every input by itself: two of the doors, two of the emergency stop, arm button, both feedbacks."""
        spec = self._spec
        lines = (*spec.doors, *spec.emergency_stop, spec.arm_button, spec.contactor_feedback, spec.discharge_feedback)
        return [value != 0 for value in self._numbers(f"SENS:DATA? (@{','.join(map(str, lines))})", len(lines))]

    def feed(self, on: bool) -> None:
        """Feed the hardware watchdog line once, which then holds for its time, or let it go at once.

        Only an inspection at low voltage does this; else the watchdog does, over links of its own.
        """
        if self._spec.watchdog_relay is None:
            raise InstrumentError("the interlock has no hardware watchdog line")
        self._command(f"ROUT:{'CLOS' if on else 'OPEN'} (@{self._spec.watchdog_relay})")

    def relay(self, name: str, closed: bool) -> None:
        """Close or open the relay called ``name`` and read it back. Raises InstrumentError where it did not follow."""
        line = self._spec.relays[name]
        self._command(f"ROUT:{'CLOS' if closed else 'OPEN'} (@{line})")
        if (self._number(f"ROUT:CLOS? (@{line})") != 0) is not closed:
            raise InstrumentError(f"interlock: the relay {name} did not {'close' if closed else 'open'}")

    def has(self, name: str) -> bool:
        """Whether the bench has a relay of this name."""
        return name in self._spec.relays


class Voltmeter(Instrument):
    """Reads both sides of the breaker."""

    def __init__(self, link: Link, spec: VoltmeterSpec) -> None:
        super().__init__("voltmeter", link, reset=False)
        self._channels = f"(@{spec.source_side},{spec.load_side})"

    def both(self) -> tuple[float, float]:
        """Voltage on the source side and on the load side, V."""
        source_side, load_side = self._numbers(f"MEAS:VOLT? {self._channels}", 2)
        return source_side, load_side


def _both(first: bool, second: bool) -> bool | None:
    return first if first == second else None
