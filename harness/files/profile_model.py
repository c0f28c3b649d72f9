"""A device profile as it is written: one model a section. What it means is harness/files/profile.py's."""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field

from harness.files.load import FileModel, Part
from harness.files.profile_branch import BudgetsSection, CableSection, WithstandSection
from harness.files.scalars import Byte, Flag, Identifier, Name, Text, Whole, Word
from harness.quantity import (
    AnyQuantity,
    Current,
    Kelvin,
    Quantity,
    Ratio,
    Resistance,
    Temperature,
    ThermalResistance,
    Time,
    Voltage,
    parse,
)
from protocol.device import ByteOrder, IntegerType, ReportSource, SnapshotSource
from protocol.device import Field as RecordField
from protocol.protection import Condition, Reaction
from protocol.protection import Quantity as Watched


def _name_or_quantity(value: Any) -> Any:
    return parse(value) if isinstance(value, str) and value[:1] in "+-0123456789" else value


ParameterText = Annotated[
    Quantity | Name, BeforeValidator(_name_or_quantity, json_schema_input_type=Annotated[str, Field(min_length=1)])
]
"""A set-point's name, or a fixed value with its unit."""
BankedText = ParameterText | Mapping[Name, Name]
"""The same, or a set-point for each operating mode; the first is that of a device which was never told its mode."""


class IdentitySection(Part):
    """Identification records, by name."""

    records: Mapping[Name, Identifier]


class FlashSection(Part):
    """What a new image of the application does to the set-points, and how long putting it in may take."""

    set_points: Literal["kept", "reset"]
    longest: Time = parse("10 min")


class SessionSection(Part):
    """One diagnostic session."""

    sub_function: Annotated[Whole, Field(ge=1, le=0x7F)]
    services: tuple[Byte, ...]


class SecuritySection(Part):
    """Seed and key."""

    level: Annotated[Whole, Field(ge=1, le=0x41)]
    services: tuple[Byte, ...]
    seed_bytes: Annotated[Whole, Field(ge=1, le=16)]
    key_bytes: Annotated[Whole, Field(ge=1, le=16)]
    attempts: Annotated[Whole, Field(ge=1)]
    delay: Time


class DiagnosticsSection(Part):
    """Timing, sessions and access of the diagnostic services."""

    p2: Time
    p2_star: Time
    s3: Time
    write_session: Name
    write_states: tuple[Name, ...] = ("off", "on", "tripped", "cooling", "locked_out")
    byte_order: ByteOrder = "big"
    sessions: Mapping[Name, SessionSection]
    security: SecuritySection | None = None


class SchedulesSection(Part):
    """Schedule tables of the LDF, by role."""

    normal: Word
    slow: Word


class CommandValues(Part):
    """Raw values of the command signal."""

    none: Whole
    open: Whole
    close: Whole


class ModeSection(Part):
    """Signal of the command frame that tells the operating mode."""

    signal: Word
    values: Mapping[Name, Whole]


class CommandSection(Part):
    """Frame and signal that command the switch."""

    frame: Word
    signal: Word
    values: CommandValues
    mode: ModeSection | None = None


class StateValues(Part):
    """Raw values of the state signal."""

    off: Whole
    on: Whole
    tripped: Whole
    cooling: Whole
    locked_out: Whole


class SwitchValues(Part):
    """Raw values of the switch signal."""

    open: Whole
    closed: Whole


class StateSection(Part):
    """The state signal."""

    signal: Word
    values: StateValues


class SwitchSection(Part):
    """The switch signal."""

    signal: Word
    values: SwitchValues


class StatusSection(Part):
    """Frame and signals that carry the breaker's state."""

    frame: Word
    state: StateSection
    switch: SwitchSection
    cause: Word
    current: Word
    bits: Mapping[Name, Word]
    response_error: Word


class Coding(Part):
    """How a value stands in a record."""

    did: Identifier
    type: IntegerType
    scale: AnyQuantity
    offset: AnyQuantity | None = None

    def field(self, name: str, byte_order: ByteOrder = "big") -> RecordField:
        """The record's field that this describes."""
        offset = self.offset.exact if self.offset is not None else Fraction(0)
        return RecordField(name, self.type, self.scale.exact, offset, self.scale.base, byte_order)


class SetPointSection(Coding):
    """A value that the bus may write."""

    title: Text
    minimum: AnyQuantity
    maximum: AnyQuantity
    default: AnyQuantity


class LiveSection(Coding):
    """A value that the device reports."""

    title: Text
    accuracy: AnyQuantity


class FaultCodeSection(Part):
    """A fault code and what may stand beside it."""

    meaning: Text
    dtc: Annotated[Whole, Field(ge=1, le=0xFFFFFE)]
    cause: Annotated[Whole, Field(ge=1)]
    follow_on: tuple[Name, ...] = ()
    forbidden: tuple[Name, ...] = ()


class SnapshotFieldSection(Coding):
    """One entry of the snapshot."""

    name: Name
    source: SnapshotSource
    accuracy: AnyQuantity


class FaultMemorySection(Part):
    """Size of the fault memory and the life of a code."""

    entries: Annotated[Whole, Field(ge=1, le=100)]
    confirm_cycles: Annotated[Whole, Field(ge=1)]
    ageing_cycles: Annotated[Whole, Field(ge=1)]
    displaces: Flag


class ConstraintSection(Part):
    """One set-point must stay below another."""

    below: Name
    above: Name


class LockoutSection(Part):
    """When too many trips bar closing."""

    trips: Annotated[Whole, Field(ge=1)]
    window: Time
    routine: Identifier


class ControlSection(Part):
    """What service 2F can take over."""

    did: Identifier
    controls: Watched
    type: IntegerType
    scale: AnyQuantity
    offset: AnyQuantity | None = None


class RoutineSection(Part):
    """What service 31 can start; the result in hexadecimal."""

    identifier: Identifier
    duration: Time
    result: Annotated[str, Field(pattern=r"^([0-9A-F]{2}( [0-9A-F]{2})*)?$")] = ""


class ThermistorSection(Part):
    """The NTC on the heat sink and its divider."""

    resistance: Resistance
    beta: Kelvin
    pull_up: Resistance
    bits: Annotated[Whole, Field(ge=8, le=16)]
    tolerance: Kelvin


class SnapshotSection(Part):
    """The records stored with a fault code."""

    first: Annotated[Whole, Field(ge=1, le=0xFE)] | None = None
    latest: Annotated[Whole, Field(ge=1, le=0xFE)] | None = None
    fields: Annotated[tuple[SnapshotFieldSection, ...], Field(min_length=1)]


class DeclaredSection(Part):
    """Limits of error of one function."""

    gain: Ratio
    offset: AnyQuantity
    timer: Ratio
    latency: tuple[Time, Time]


class FunctionSection(Part):
    """What every protection function has."""

    cause: Name
    priority: Annotated[Whole, Field(ge=1)]
    reaction: Reaction = "trip"
    accuracy: DeclaredSection | None = None


class ThermalMemorySection(FunctionSection):
    """Overload by thermal memory."""

    kind: Literal["thermal_memory"]
    pickup: BankedText
    time_constant: BankedText
    cooling_time_constant: BankedText
    reset_level: BankedText
    kept_without_supply: Flag


class InverseTimeSection(FunctionSection):
    """Overload by an inverse-time characteristic: t = multiplier * (k / ((I/pickup)**alpha - 1) + c)."""

    kind: Literal["inverse_time"]
    pickup: BankedText
    multiplier: BankedText
    k: Time
    alpha: Ratio
    c: Time
    minimum_time: Time
    reset_time: Time
    reset_level: BankedText
    kept_without_supply: Flag


class DefiniteTimeSection(FunctionSection):
    """A quantity beyond a threshold for a delay."""

    kind: Literal["definite_time"]
    watches: Watched
    direction: Literal["over", "under"]
    threshold: BankedText
    hysteresis: AnyQuantity
    delay: BankedText
    condition: Condition = "always"
    samples: tuple[Whole, Whole] = (1, 1)


class InstantaneousSection(FunctionSection):
    """Short circuit by comparator."""

    kind: Literal["instantaneous"]
    threshold: BankedText
    blanking: Time
    response: tuple[Time, Time]


class ResistanceStage(Part):
    """One stage of a Foster network."""

    resistance: ThermalResistance
    time_constant: Time


class JunctionTemperatureSection(FunctionSection):
    """Estimated junction temperature."""

    kind: Literal["junction_temperature"]
    limit: BankedText
    reset: BankedText
    network: Annotated[tuple[ResistanceStage, ...], Field(min_length=1)]
    on_resistance: Resistance
    temperature_coefficient: Ratio | None = None  # per kelvin
    normalised_resistance: tuple[tuple[Temperature, Ratio], ...] | None = None  # in its place: of the value at 25 degC
    switches: Annotated[Whole, Field(ge=1)]
    network_tolerance: Ratio
    resistance_tolerance: Ratio


class SilenceSection(FunctionSection):
    """No valid frame of the master for a time."""

    kind: Literal["silence"]
    timeout: BankedText


class SensorCheckSection(FunctionSection):
    """The thermistor open, short, or jumping."""

    kind: Literal["sensor_check"]
    plausible: tuple[Temperature, Temperature]
    step: Kelvin
    sample: Time
    delay: BankedText


AnyFunctionSection = Annotated[
    ThermalMemorySection
    | InverseTimeSection
    | DefiniteTimeSection
    | InstantaneousSection
    | JunctionTemperatureSection
    | SilenceSection
    | SensorCheckSection,
    Field(discriminator="kind"),
]


class FastChannel(Part):
    """One measuring channel of the breaker."""

    bits: Annotated[Whole, Field(ge=8, le=24)]
    period: Time
    noise: Current


class SensingSection(Part):
    """The current measuring chain."""

    full_scale: Current
    fast: FastChannel
    slow: FastChannel


class AccuracySection(Part):
    """Declared limits of error."""

    current_gain: Ratio
    current_offset: Current
    timer: Ratio
    latency: tuple[Time, Time]


class RatingsSection(Part):
    """Limits of the hardware."""

    bus_voltage: Voltage
    current: Current
    peak_current: Current
    peak_time: Time
    off_state_leakage: Current
    supply: tuple[Voltage, Voltage]
    on_resistance: Resistance
    write_cycles: Annotated[Whole, Field(ge=1)]
    write_time: Time
    start_up: Time
    clamp: tuple[Voltage, Voltage] | None = None


class Profile(FileModel):
    """A device profile, whole."""

    name: Name
    title: Text
    ldf: Text
    node: Word
    identity: IdentitySection
    diagnostics: DiagnosticsSection
    schedules: SchedulesSection
    command: CommandSection
    status: StatusSection
    reports: Mapping[ReportSource, Word] = Field(default_factory=dict)
    set_points: Mapping[Name, SetPointSection]
    constraints: tuple[ConstraintSection, ...] = ()
    live: Mapping[Name, LiveSection]
    fault_codes: Mapping[Name, FaultCodeSection]
    fault_memory: FaultMemorySection
    snapshot: SnapshotSection
    lockout: LockoutSection | None = None
    controls: Mapping[Name, ControlSection] = Field(default_factory=dict)
    routines: Mapping[Name, RoutineSection] = Field(default_factory=dict)
    thermistor: ThermistorSection | None = None
    functions: Mapping[Name, AnyFunctionSection]
    sensing: SensingSection
    accuracy: AccuracySection
    ratings: RatingsSection
    budgets: BudgetsSection | None = None
    cable: CableSection | None = None
    withstand: WithstandSection | None = None
    flash: FlashSection | None = None
