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

from protocol.branch import Cable, Withstand
from protocol.budgets import Budgets
from protocol.protection import ProtectionFunction, Quantity
from protocol.signals import FrameLayout

IntegerType = Literal["u8", "u16", "u24", "u32", "s8", "s16", "s32"]
ByteOrder = Literal["big", "little"]


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
    byte_order: ByteOrder = "big"

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
    """A value that the bus may write: data identifier, coding, limits (both included), default.

    Set-points with the same ``did`` are one group: its record holds them in the order of Device.set_points, and is read
    and written as a whole.
    """

    name: str
    title: str
    did: int
    field: Field
    minimum: Fraction
    maximum: Fraction
    default: Fraction


@dataclass(frozen=True)
class Constraint:
    """A write that would break ``low`` < ``high`` (two set-points of one unit) is refused."""

    low: str
    high: str


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
    "current",
    "heat",
    "junction_temperature",
    "supply_voltage",
    "gate_rail_voltage",
    "bus_voltage",
    "heat_sink_temperature",
    "uptime",
    "operate_time",
    "trip_count",
    "mode",
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
    """The records that service 19 04 returns for a fault code: numbers and entries in order.

    ``first`` keeps the values of the first occurrence since clearing, ``latest`` those of the last one; a device has
    one of the two, or both. A value that its field cannot hold stands at the nearest limit.
    """

    first: int | None  # record number
    latest: int | None
    fields: tuple[SnapshotField, ...]

    @property
    def record_number(self) -> int:
        """The record that a single question is about: the latest where there is one."""
        number = self.first if self.latest is None else self.latest
        assert number is not None
        return number


@dataclass(frozen=True)
class FaultMemory:
    """How many codes are kept, and the life of their status bits (ISO 14229-1 annex D).

    A code is confirmed in the ``confirm_cycles``-th operation cycle in a row in which its test failed, and forgotten
    after ``ageing_cycles`` cycles in a row without failing. A code that comes when all ``entries`` are taken displaces
    the oldest of lowest priority, or is lost. An operation cycle lasts from one power-up or reset to the next.
    """

    entries: int
    confirm_cycles: int
    ageing_cycles: int
    displaces: bool


@dataclass(frozen=True)
class Lockout:
    """After ``trips`` trips, each within ``window`` s of operation of the one before, the breaker will not close.

    The count and the lock survive loss of the supply. ``routine`` (identifier of service 31) releases them.
    """

    trips: int
    window: float  # s
    routine: int


@dataclass(frozen=True)
class Security:
    """Seed and key (service 27): ``level`` opens ``services``; too many wrong keys cost ``delay`` s."""

    level: int
    services: frozenset[int]
    seed_bytes: int
    key_bytes: int
    attempts: int
    delay: float  # s


@dataclass(frozen=True)
class Thermistor:
    """The NTC on the heat sink, on a ratiometric divider: code = (2**bits - 1) * R / (R + pull_up)."""

    resistance: float  # ohm at 25 degC
    beta: float  # K, IEC 60539-1
    pull_up: float  # ohm
    bits: int
    tolerance: float  # K, limit of error of the temperature read


@dataclass(frozen=True)
class Control:
    """What service 2F can take over: a ``quantity`` as the firmware reads it, until control is returned."""

    name: str
    did: int
    quantity: Quantity
    field: Field


@dataclass(frozen=True)
class Routine:
    """What service 31 can start: ``duration`` s of work, then ``result`` bytes."""

    name: str
    identifier: int
    duration: float  # s
    result: bytes


@dataclass(frozen=True)
class StatusFrame:
    """Which frame and signals of the LDF carry the breaker's state. Raw values are those of the LDF's encoding."""

    frame: str
    state_signal: str
    states: Mapping[str, int]  # off, on, tripped, cooling, locked_out -> raw
    switch_signal: str
    switch: Mapping[str, int]  # open, closed -> raw
    cause_signal: str  # 0: none, else FaultCode.cause_value
    current_signal: str
    bits: Mapping[str, str]  # name used in plans -> one-bit signal
    response_error_signal: str


@dataclass(frozen=True)
class CommandFrame:
    """Which frame and signal command the switch: none, open, close -> raw value. A command acts on its change.

    ``modes`` are the operating modes by which set-point banks are chosen, in signal ``mode_signal`` of the same frame;
    empty where the device has none.
    """

    frame: str
    signal: str
    commands: Mapping[str, int]
    mode_signal: str | None = None
    modes: Mapping[str, int] = dataclasses.field(default_factory=dict)


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
    clamp: tuple[float, float] | None = None  # V across the switch while it breaks a fault, least and most


@dataclass(frozen=True)
class Identity:
    """LIN product identification (read by identifier 0 and 1) and diagnostic identification records."""

    supplier_id: int
    function_id: int
    variant: int
    records: Mapping[str, int]  # name -> data identifier of an ASCII record, e.g. application_version -> 0xF189


@dataclass(frozen=True)
class Programming:
    """What a new image of the application does to the set-points, and how long putting it in may take."""

    set_points: Literal["kept", "reset"]  # reset: to their defaults
    longest_ns: int


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
    constraints: tuple[Constraint, ...]
    write_states: tuple[str, ...]  # states of the status frame in which set-points may be written
    fault_codes: Mapping[str, FaultCode]
    fault_memory: FaultMemory
    snapshot: Snapshot
    lockout: Lockout | None
    security: Security | None  # what it opens, beside the session
    controls: Mapping[str, Control]
    routines: Mapping[str, Routine]
    thermistor: Thermistor | None
    functions: Mapping[str, ProtectionFunction]
    sensing: Sensing
    accuracy: Accuracy
    ratings: Ratings
    reports: Mapping[ReportSource, str] = dataclasses.field(default_factory=dict)  # what else it says -> signal
    programming: Programming | None = None
    budgets: Budgets | None = None
    cable: Cable | None = None
    withstand: Withstand | None = None

    def group(self, did: int) -> tuple[SetPoint, ...]:
        """The set-points that share a record, in its order."""
        return tuple(point for point in self.set_points.values() if point.did == did)

    def function(self, name: str) -> ProtectionFunction:
        """The protection function called ``name``. Raises KeyError."""
        return self.functions[name]

    def defaults(self) -> dict[str, float]:
        """Every set-point at its default, SI units."""
        return {name: float(point.default) for name, point in self.set_points.items()}
