"""The form of what a bench file says about safety: interlock, contactor, discharge, watchdog, backup, limits.

What the sections mean together is harness/bench/spec.py's; the values are harness/bench/safety_spec.py's.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from harness.bench.instrument_file import InstrumentSection
from harness.bench.resource import SIMULATED, Resource
from harness.files.load import Part
from harness.files.scalars import Whole
from harness.quantity import Capacitance, Current, Energy, Inductance, Ratio, Resistance, Time, Voltage

Line = Annotated[Whole, Field(ge=1, le=64)]
"""The number of an input or a relay."""
TwoLines = Annotated[tuple[Line, ...], Field(min_length=2, max_length=2)]
"""Two channels for one thing, which must agree."""


class InputsSection(Part):
    """What the interlock's inputs are connected to; 1 is closed, not pressed (emergency stop), pressed (arm button)."""

    doors: TwoLines
    emergency_stop: TwoLines
    arm_button: Line
    contactor: Line
    discharge: Line


class RelaysSection(Part):
    """What the interlock's relays switch."""

    contactor: Line
    discharge: Line
    precharge: Line | None = None
    bypass: Line | None = None
    pulse: Line | None = None  # the making switch of the capacitor bank
    bank_discharge: Line | None = None  # the resistor across the bank


class WatchdogLineSection(Part):
    """The hardware line that removes source enable: its relay falls off ``hold`` after it was last fed."""

    relay: Line
    hold: Time


class InterlockSection(InstrumentSection):
    """Digital inputs and relays."""

    inputs: InputsSection
    relays: RelaysSection
    watchdog: WatchdogLineSection | None = None


class ReadingAccuracySection(Part):
    """Limits of error of a voltage reading."""

    gain: Ratio
    offset: Voltage


class VoltmeterSection(InstrumentSection):
    """Reads the voltage on both sides of the breaker, by channel."""

    source_side: Line
    load_side: Line
    accuracy: ReadingAccuracySection


class BankDischargeSection(Part):
    """The resistor across the bank, and how long the bank takes to be dead."""

    resistance: Resistance
    within: Time


class BankSection(InstrumentSection):
    """A capacitor bank for short-circuit shots, and the supply that charges it and reads its voltage."""

    capacitance: Capacitance
    voltage: Voltage
    current: Current  # that charges it
    discharge: BankDischargeSection
    accuracy: ReadingAccuracySection


class IsolationSection(InstrumentSection):
    """An isolation monitor: resistance of the bus to earth."""

    at_least: Resistance


class ChamberSection(InstrumentSection):
    """A climatic chamber."""


class ContactorSection(Part):
    """The contactor between source and breaker."""

    breaking_current: Current
    maximum_wait: Time


class DischargeSection(Part):
    """Resistors across both sides of the breaker, and how long both take to be dead."""

    resistance: Resistance
    source_side: Capacitance
    load_side: Capacitance
    within: Time


class PrechargeSection(Part):
    """A resistor and relay across the contactor."""

    resistance: Resistance
    within: Time


class WatchdogSection(Part):
    """The watchdog process: links of its own, and its times."""

    interlock: Resource = SIMULATED
    source: Resource = SIMULATED
    bank: Resource | None = None  # of the bank's charger, where there is a bank
    heartbeat: Time
    silence: Time
    stop_within: Time


class LoopSection(Part):
    """The main loop: what limits a fault current."""

    inductance: Inductance
    resistance: Resistance


class BackupSection(Part):
    """The fuse or breaker that clears what the breaker under test does not."""

    kind: Literal["fuse", "breaker"]
    current: Current
    breaking_current: Current
    voltage: Voltage
    curve: Annotated[tuple[tuple[Current, Time], ...], Field(min_length=2)]


class LimitsSection(Part):
    """What the enclosure and the breaker's clamp may be asked to take in one shot, and the load in one stimulus."""

    energy: Energy
    clamp_energy: Energy
    drawn: Energy | None = None
