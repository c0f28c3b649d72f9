"""A device profile as it is written: one model a section. What it means is harness/files/profile.py's."""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field

from harness.files.load import FileModel, Part
from harness.files.scalars import Byte, Flag, Identifier, Name, Text, Whole, Word
from harness.quantity import AnyQuantity, Current, Quantity, Ratio, Resistance, Time, Voltage, parse
from protocol.device import Field as RecordField
from protocol.device import IntegerType, ReportSource, SnapshotSource


def _name_or_quantity(value: Any) -> Any:
    return parse(value) if isinstance(value, str) and value[:1] in "+-0123456789" else value


ParameterText = Annotated[
    Quantity | Name, BeforeValidator(_name_or_quantity, json_schema_input_type=Annotated[str, Field(min_length=1)])
]
"""A set-point's name, or a fixed value with its unit."""


class IdentitySection(Part):
    """Identification records, by name."""

    records: Mapping[Name, Identifier]


class SessionSection(Part):
    """One diagnostic session."""

    sub_function: Annotated[Whole, Field(ge=1, le=0x7F)]
    services: tuple[Byte, ...]


class DiagnosticsSection(Part):
    """Timing and sessions of the diagnostic services."""

    p2: Time
    p2_star: Time
    s3: Time
    write_session: Name
    sessions: Mapping[Name, SessionSection]


class SchedulesSection(Part):
    """Schedule tables of the LDF, by role."""

    normal: Word
    slow: Word


class CommandValues(Part):
    """Raw values of the command signal."""

    none: Whole
    open: Whole
    close: Whole


class CommandSection(Part):
    """Frame and signal that command the switch."""

    frame: Word
    signal: Word
    values: CommandValues


class StateValues(Part):
    """Raw values of the state signal."""

    off: Whole
    on: Whole
    tripped: Whole


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

    def field(self, name: str) -> RecordField:
        """The record's field that this describes."""
        offset = self.offset.exact if self.offset is not None else Fraction(0)
        return RecordField(name, self.type, self.scale.exact, offset, self.scale.base)


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


class SnapshotSection(Part):
    """The record stored with a fault code."""

    record: Annotated[Whole, Field(ge=1, le=0xFE)]
    fields: Annotated[tuple[SnapshotFieldSection, ...], Field(min_length=1)]


class ThermalMemorySection(Part):
    """Overload by thermal memory."""

    kind: Literal["thermal_memory"]
    pickup: ParameterText
    time_constant: ParameterText
    cooling_time_constant: ParameterText
    reset_level: ParameterText
    cause: Name
    kept_without_supply: Flag


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
    live: Mapping[Name, LiveSection]
    fault_codes: Mapping[Name, FaultCodeSection]
    snapshot: SnapshotSection
    functions: Mapping[Name, ThermalMemorySection]
    sensing: SensingSection
    accuracy: AccuracySection
    ratings: RatingsSection
