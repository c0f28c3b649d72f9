"""The form of a bench file: one model a section. What the sections mean together is harness/bench/spec.py's."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Literal

from pydantic import Field

from harness.bench.instrument_file import InstrumentSection
from harness.bench.resource import SIMULATED, Resource
from harness.bench.safety_file import (
    BackupSection,
    BankSection,
    ChamberSection,
    ContactorSection,
    DischargeSection,
    InterlockSection,
    IsolationSection,
    LimitsSection,
    LoopSection,
    PrechargeSection,
    VoltmeterSection,
    WatchdogSection,
)
from harness.files.load import FileModel, Part
from harness.files.scalars import Flag, Name, Text, Whole
from harness.quantity import (
    Current,
    Frequency,
    Kelvin,
    Ratio,
    SlewRate,
    Temperature,
    TemperatureRate,
    Time,
    Voltage,
    VoltageRate,
    parse,
)

CHANNELS = ("injected", "gate", "current", "switch_voltage", "supply", "bus", "gate_rail", "heat_sink", "bank")
"""What a recorder's channels may be connected to."""

BreakMethod = Literal["break_condition", "slow_bit_rate"]


class AccuracySection(Part):
    """Limits of error: relative to the value, and fixed."""

    gain: Ratio
    offset: Current


class VoltageAccuracySection(Part):
    """Limits of error of a voltage reading."""

    gain: Ratio
    offset: Voltage


class LinSection(Part):
    """The LIN master's port."""

    port: Text
    break_method: BreakMethod = Field("break_condition", alias="break")


class Supply12vSection(InstrumentSection):
    """The breaker's 12 V supply."""

    voltage: Voltage
    current_limit: Current
    # Where the file says nothing, worse than the read-back of any bench supply.
    accuracy: VoltageAccuracySection = VoltageAccuracySection(gain=parse("1 %"), offset=parse("100 mV"))
    highest: Voltage | None = None  # the healthy voltage where absent


class SourceSection(InstrumentSection):
    """The high-voltage source."""

    voltage: Voltage
    current: Current


class StimulusSection(InstrumentSection):
    """Injector or load."""

    current: Current
    slew: SlewRate
    accuracy: AccuracySection = AccuracySection(gain=parse("1 %"), offset=parse("100 mA"))
    timed: Flag | None = None  # it ends its current by itself; where absent, only a simulated one does


class InjectorSection(StimulusSection):
    """The injector; with ``stop_input`` its output ends at once when the gate falls."""

    stop_input: Flag = False
    isolated_for: Voltage | None = None  # declared isolation between its output and its own side


class ConnectedSection(Part):
    """What stays connected to the breaker from the start of a run to its end, high voltage or not."""

    isolated_for: Voltage | None = None  # declared isolation between its connection and its own side; absent: none


class GateSupplySection(ConnectedSection, InstrumentSection):
    """An external supply into the test pins of the gate driver's isolated rail."""

    voltage: Voltage
    highest: Voltage
    accuracy: VoltageAccuracySection


class BusSignalSection(ConnectedSection, InstrumentSection):
    """A signal into the bus-voltage sensing input, in equivalent volts; 0 V is its rest."""

    voltage: Voltage
    highest: Voltage
    slew: VoltageRate
    accuracy: VoltageAccuracySection


class TemperatureAccuracySection(Part):
    """Limits of error of a simulated temperature."""

    gain: Ratio = parse("0 %")
    offset: Kelvin


class NtcSection(ConnectedSection, InstrumentSection):
    """A thermistor simulator in place of the one on the heat sink."""

    temperature: Temperature = parse("25 degC")
    lowest: Temperature
    highest: Temperature
    slew: TemperatureRate  # where a plan names none
    fastest: TemperatureRate | None = None  # that a plan may ask for; the slew where absent
    accuracy: TemperatureAccuracySection


class CurrentChannelSection(Part):
    """A channel that measures a current. Its limits of error are asked for: without them there is no verdict."""

    number: Annotated[Whole, Field(ge=1)]
    gain: Ratio
    offset: Current
    range: Current | None = None  # either way; beyond it the record is clipped


class VoltageChannelSection(Part):
    """A channel that shows when a voltage changes; its own errors hardly matter for that."""

    number: Annotated[Whole, Field(ge=1)]
    gain: Ratio = parse("0 %")
    offset: Voltage = parse("0 V")
    range: Voltage | None = None


class TemperatureChannelSection(Part):
    """A channel that follows the simulated temperature."""

    number: Annotated[Whole, Field(ge=1)]
    gain: Ratio = parse("0 %")
    offset: Kelvin


class ChannelsSection(Part):
    """What the recorder's channels are connected to."""

    injected: CurrentChannelSection | None = None
    gate: VoltageChannelSection | None = None
    current: CurrentChannelSection | None = None
    switch_voltage: VoltageChannelSection | None = None
    supply: VoltageChannelSection | None = None
    bus: VoltageChannelSection | None = None
    gate_rail: VoltageChannelSection | None = None
    heat_sink: TemperatureChannelSection | None = None
    bank: VoltageChannelSection | None = None


class RecorderSection(InstrumentSection):
    """The recorder."""

    shortest_interval: Time
    points: Annotated[Whole, Field(ge=2)]
    clock: Ratio
    bandwidth: Frequency | None = None  # of its channels, with what is in front of them
    skew: Time = parse("0 s")  # of one channel against another, at most
    channels: ChannelsSection


class ProgrammingSection(ConnectedSection):
    """The programming connector: what `commands: {flash: ...}` is told for `{programming}`; nothing else uses it.

    Its adapter stays plugged in: a run that puts a build in goes on to high voltage with nobody to pull it out.
    """

    resource: Resource = SIMULATED


class RolesSection(Part):
    """The bench's roles; without supply_12v there is no bench."""

    supply_12v: Supply12vSection
    source: SourceSection | None = None
    load: StimulusSection | None = None
    injector: InjectorSection | None = None
    recorder: RecorderSection | None = None
    gate_supply: GateSupplySection | None = None
    bus_signal: BusSignalSection | None = None
    ntc: NtcSection | None = None
    programming: ProgrammingSection | None = None
    interlock: InterlockSection | None = None
    voltmeter: VoltmeterSection | None = None
    bank: BankSection | None = None
    isolation: IsolationSection | None = None
    chamber: ChamberSection | None = None


class SimulatedSection(Part):
    """The world that lives in this process."""

    seed: Annotated[Whole, Field(ge=0)] = 1  # which unit and which instruments
    noise: Annotated[Whole, Field(ge=0)] | None = None  # which run of them; see mocks/world.py


class ServedSection(Part):
    """Who serves this bench; written by ``breakerbench serve`` and read by nobody but people and scripts."""

    pid: Annotated[Whole, Field(ge=1)]
    pty: Text  # the LIN line once more, as a pseudo-terminal: for `lin: {port: ..., break: slow_bit_rate}`
    panel: Text | None = None  # host:port of the operator's panel, which no real bench has


class BenchFile(FileModel):
    """A bench as it is written: with `simulated`, all of it in this process; else each role names its resource."""

    name: Name
    title: Text
    simulated: SimulatedSection | None = None
    served: ServedSection | None = None
    lin: LinSection | None = None
    roles: RolesSection
    contactor: ContactorSection | None = None
    discharge: DischargeSection | None = None
    precharge: PrechargeSection | None = None
    watchdog: WatchdogSection | None = None
    loop: LoopSection | None = None
    backup: BackupSection | None = None
    limits: LimitsSection | None = None
    commands: Mapping[Literal["key", "flash"], Annotated[tuple[Text, ...], Field(min_length=1)]] = Field(
        default_factory=dict
    )
