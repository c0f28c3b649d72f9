"""What a breaker is: one frozen value that the harness and the mock are both built from.

A device comes from a profile (YAML) and its LDF; harness/files/profile.py builds it. Quantities are SI floats unless a
field says otherwise; scales and limits of set-points are exact fractions, so that no limit moves by a rounding.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from protocol.protection import ProtectionFunction
from protocol.signals import FrameLayout

IntegerType = Literal["u8", "u16", "u24", "u32", "s8", "s16", "s32"]


@dataclass(frozen=True)
class Field:
    """A number as it stands in a diagnostic record: physical value = raw * scale + offset, in ``unit``.

    ``unit`` is a base unit of harness.quantity (A, V, s, degC, 1 ...); "1" is a bare number.
    """

    name: str
    type: IntegerType
    scale: Fraction
    offset: Fraction
    unit: str

    @property
    def size(self) -> int:
        """Bytes that the field takes."""
        return int(self.type[1:]) // 8

    @property
    def raw_range(self) -> tuple[int, int]:
        """Smallest and largest raw value of the type."""
        bits = 8 * self.size
        return (-(1 << bits - 1), (1 << bits - 1) - 1) if self.type[0] == "s" else (0, (1 << bits) - 1)

    def to_physical(self, raw: int) -> Fraction:
        """Raw to physical, exactly."""
        return raw * self.scale + self.offset

    def to_raw(self, physical: Fraction) -> int:
        """Physical to the nearest raw value (half to even). The range of the type is not checked here."""
        return round((physical - self.offset) / self.scale)


@dataclass(frozen=True)
class SetPoint:
    """A value that the bus may write: data identifier, coding, limits (both included), default."""

    name: str
    title: str
    did: int
    field: Field
    minimum: Fraction
    maximum: Fraction
    default: Fraction


@dataclass(frozen=True)
class LiveValue:
    """A value that the device reports by data identifier and nobody writes."""

    name: str
    title: str
    did: int
    field: Field
    accuracy: float  # half-width of the declared error, in the field's unit


@dataclass(frozen=True)
class FaultCode:
    """A diagnostic trouble code (ISO 14229-1) and what may stand beside it."""

    name: str
    meaning: str
    dtc: int  # 24 bits
    cause_value: int  # raw value of the status frame's cause signal
    follow_on: tuple[str, ...]  # codes that may be set as a consequence
    forbidden: tuple[str, ...]  # codes whose presence beside this one is a fault of the breaker


ReportSource = Literal["heat", "uptime", "software"]
SnapshotSource = Literal[
    "current", "heat", "supply_voltage", "heat_sink_temperature", "uptime", "operate_time", "trip_count"
]


@dataclass(frozen=True)
class SnapshotField:
    """One entry of the snapshot stored with a fault code: its own data identifier, what it holds, how well."""

    did: int
    field: Field
    source: SnapshotSource
    accuracy: float  # half-width of the declared error, in the field's unit


@dataclass(frozen=True)
class Snapshot:
    """The record that service 19 04 returns for a fault code: record number and entries in order."""

    record_number: int
    fields: tuple[SnapshotField, ...]


@dataclass(frozen=True)
class StatusFrame:
    """Which frame and signals of the LDF carry the breaker's state. Raw values are those of the LDF's encoding."""

    frame: str
    state_signal: str
    states: Mapping[str, int]  # off, on, tripped -> raw
    switch_signal: str
    switch: Mapping[str, int]  # open, closed -> raw
    cause_signal: str  # 0: none, else FaultCode.cause_value
    current_signal: str
    bits: Mapping[str, str]  # name used in plans -> one-bit signal
    response_error_signal: str


@dataclass(frozen=True)
class CommandFrame:
    """Which frame and signal command the switch: none, open, close -> raw value. A command acts on its change."""

    frame: str
    signal: str
    commands: Mapping[str, int]


@dataclass(frozen=True)
class Timing:
    """Diagnostic timing in ns: of the LDF's Node_attributes, and ISO 14229-2 session timing from the profile."""

    p2_ns: int  # the answer, or 'response pending', is ready by then
    p2_star_ns: int  # the same after 'response pending'
    st_min_ns: int
    n_as_ns: int
    n_cr_ns: int
    s3_ns: int  # a session ends after this long without a request


@dataclass(frozen=True)
class Session:
    """A diagnostic session (service 10) and which services are allowed in it."""

    name: str
    sub_function: int
    services: frozenset[int]


@dataclass(frozen=True)
class Sensing:
    """The current measuring chain: range, resolution and noise. The mock is built from it; the band is not."""

    full_scale: float  # A, both directions
    fast_bits: int
    fast_period_ns: int
    fast_noise: float  # A, one standard deviation
    slow_bits: int
    slow_period_ns: int
    slow_noise: float  # A, one standard deviation of the averaged channel


@dataclass(frozen=True)
class Accuracy:
    """Declared limits of error of the breaker: the only device figures that widen a tolerance band.

    A measured current is I * (1 ± current_gain) ± current_offset; a time measured by the breaker's own clock is
    t * (1 ± timer); the trip output follows the computed instant by ``latency`` (least, most).
    """

    current_gain: float  # 1
    current_offset: float  # A
    timer: float  # 1
    latency: tuple[float, float]  # s


@dataclass(frozen=True)
class Ratings:
    """Limits of the hardware; what a bench must not exceed."""

    bus_voltage: float  # V, rated
    current: float  # A, continuous
    peak_current: float  # A, the switch survives it for ``peak_time``
    peak_time: float  # s
    off_state_leakage: float  # A, at rated voltage
    supply: tuple[float, float]  # V, range of full function
    on_resistance: float  # ohm, at 25 degC
    write_cycles: int  # non-volatile writes a unit may spend on tests
    write_time_ns: int  # longest time of one non-volatile write
    start_up_ns: int  # from supply on to first answer on the bus


@dataclass(frozen=True)
class Identity:
    """LIN product identification (read by identifier 0 and 1) and diagnostic identification records."""

    supplier_id: int
    function_id: int
    variant: int
    records: Mapping[str, int]  # name -> data identifier of an ASCII record, e.g. application_version -> 0xF189


@dataclass(frozen=True)
class NodeDescription:
    """The node as its LDF describes it. Frames are the unconditional ones; schedules are (frame name, delay in ns)."""

    name: str
    bit_rate: int  # bit/s
    configured_nad: int
    initial_nad: int
    frames: Mapping[str, FrameLayout]
    configurable_frames: tuple[str, ...]
    schedules: Mapping[str, tuple[tuple[str, int], ...]]
    master: str


@dataclass(frozen=True)
class Device:
    """A breaker, whole. ``digest`` is the SHA-256 of the profile and LDF that it was built from."""

    name: str
    title: str
    digest: str
    node: NodeDescription
    identity: Identity
    timing: Timing
    sessions: Mapping[str, Session]
    write_session: str  # session in which set-points may be written
    status: StatusFrame
    command: CommandFrame
    schedules: Mapping[str, str]  # role (normal, slow) -> schedule table of the LDF
    set_points: Mapping[str, SetPoint]
    live: Mapping[str, LiveValue]
    fault_codes: Mapping[str, FaultCode]
    snapshot: Snapshot
    functions: Mapping[str, ProtectionFunction]
    sensing: Sensing
    accuracy: Accuracy
    ratings: Ratings
    reports: Mapping[ReportSource, str] = dataclasses.field(default_factory=dict)  # what else it says -> signal

    def function(self, name: str) -> ProtectionFunction:
        """The protection function called ``name``. Raises KeyError."""
        return self.functions[name]

    def defaults(self) -> dict[str, float]:
        """Every set-point at its default, SI units."""
        return {name: float(point.default) for name, point in self.set_points.items()}
