"""Tables that production writes into a unit for its diagnostic server. See mocks/catalogue.py, which works them out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from mocks.firmware.calibration import Scale
from protocol.protection import Quantity


@dataclass(frozen=True)
class Number:
    """An integer of a record."""

    size: int
    signed: bool
    order: Literal["big", "little"] = "big"

    def encode(self, raw: int) -> bytes:
        """Bytes of ``raw``."""
        return raw.to_bytes(self.size, self.order, signed=self.signed)

    def decode(self, data: bytes) -> int:
        """Raw value of ``data``."""
        return int.from_bytes(data, self.order, signed=self.signed)


@dataclass(frozen=True)
class SetPointRow:
    """A set-point: its raw limits are both allowed."""

    name: str
    number: Number
    low: int
    high: int


@dataclass(frozen=True)
class GroupRow:
    """The set-points of one data identifier: its record holds them one after another."""

    rows: tuple[SetPointRow, ...]

    @property
    def size(self) -> int:
        """Bytes of the record."""
        return sum(row.number.size for row in self.rows)

    def decode(self, data: bytes) -> dict[str, int]:
        """Raw values by name."""
        raw = {}
        for row in self.rows:
            raw[row.name] = row.number.decode(data[: row.number.size])
            data = data[row.number.size :]
        return raw

    def encode(self, raw: Mapping[str, int]) -> bytes:
        """The record."""
        return b"".join(row.number.encode(raw[row.name]) for row in self.rows)


@dataclass(frozen=True)
class ConstraintRow:
    """``low`` has to stay below ``high``: raw values times a factor each, and a difference between their offsets."""

    low: str
    low_factor: int
    high: str
    high_factor: int
    difference: int

    def holds(self, raw: Mapping[str, int]) -> bool:
        """Whether these raw values keep it."""
        return raw[self.low] * self.low_factor + self.difference < raw[self.high] * self.high_factor


@dataclass(frozen=True)
class ReadingRow:
    """A number that the firmware reports: which of its own, and the coding in the record."""

    did: int
    source: str
    number: Number
    scale: Scale

    def encode(self, value: int) -> bytes:
        """Bytes of the firmware's own ``value``."""
        return self.number.encode(self.scale.apply(value))


@dataclass(frozen=True)
class SignalRow:
    """A number that the firmware reports in a published frame. What does not fit the signal loses its upper bits."""

    signal: str
    source: str
    scale: Scale
    mask: int

    def raw(self, value: int) -> int:
        """Raw value of the signal for the firmware's own ``value``."""
        return self.scale.apply(value) & self.mask


@dataclass(frozen=True)
class ControlRow:
    """A quantity that service 2F can take over: how it is reported, and the way back into the firmware's own number."""

    quantity: Quantity
    reading: ReadingRow
    own: Scale


Action = Literal["self_test", "release_lockout", "none"]


@dataclass(frozen=True)
class RoutineRow:
    """What service 31 can start: what it does, how long that takes, and what it answers where nothing was found."""

    action: Action
    duration_ns: int
    result: bytes


@dataclass(frozen=True)
class SecurityRow:
    """Seed and key: ``level`` opens ``services``; ``attempts`` wrong keys cost ``delay_ns``."""

    level: int
    services: frozenset[int]
    seed_bytes: int
    key_bytes: int
    attempts: int
    delay_ns: int


@dataclass(frozen=True)
class CodeRow:
    """A fault code: its name, and its priority in the memory (the smaller the more it matters)."""

    name: str
    priority: int


@dataclass(frozen=True)
class FaultMemoryRow:
    """Room and life of the fault memory's entries, in operation cycles."""

    entries: int
    confirm_cycles: int
    ageing_cycles: int
    displaces: bool


@dataclass(frozen=True)
class NodeRow:
    """LIN product identification, addresses and the protected identifiers of the configurable frames."""

    supplier: int
    function: int
    variant: int
    serial: int  # 32 bits
    initial_nad: int
    configured_nad: int
    pids: tuple[int, ...]


@dataclass(frozen=True)
class Catalogue:
    """Everything that the diagnostic side needs to know of the device that it runs in. Times in ns."""

    node: NodeRow
    sessions: Mapping[int, frozenset[int]]  # sub-function -> services
    p2_ns: int
    p2_star_ns: int
    s3_ns: int
    n_as_ns: int
    set_points: Mapping[int, GroupRow]  # data identifier ->
    constraints: tuple[ConstraintRow, ...]
    write_states: frozenset[str]
    security: SecurityRow | None
    readings: Mapping[int, ReadingRow]
    controls: Mapping[int, ControlRow]
    routines: Mapping[int, RoutineRow]  # routine identifier ->
    texts: Mapping[int, bytes]
    codes: Mapping[int, CodeRow]  # fault code number ->
    fault_memory: FaultMemoryRow
    first_number: int | None  # record number of the first occurrence's snapshot
    latest_number: int | None  # of the last one's
    snapshot: tuple[ReadingRow, ...]
    signals: tuple[SignalRow, ...]
