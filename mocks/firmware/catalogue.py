"""Tables that production writes into a unit for its diagnostic server. See mocks/catalogue.py, which works them out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from mocks.firmware.calibration import Scale


@dataclass(frozen=True)
class Number:
    """A big-endian integer of a record."""

    size: int
    signed: bool

    def encode(self, raw: int) -> bytes:
        """Bytes of ``raw``."""
        return raw.to_bytes(self.size, "big", signed=self.signed)

    def decode(self, data: bytes) -> int:
        """Raw value of ``data``."""
        return int.from_bytes(data, "big", signed=self.signed)


@dataclass(frozen=True)
class SetPointRow:
    """A set-point: its raw limits are both allowed."""

    name: str
    number: Number
    low: int
    high: int


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
    set_points: Mapping[int, SetPointRow]  # data identifier ->
    readings: Mapping[int, ReadingRow]
    texts: Mapping[int, bytes]
    codes: Mapping[int, str]  # fault code number -> name
    snapshot_number: int
    snapshot: tuple[ReadingRow, ...]
    signals: tuple[SignalRow, ...]
