"""Data records of a device, with layouts built from its profile: set-points, live values, snapshots.

Numbers are exact fractions in the field's unit, in the byte order of their field: ISO 14229-1 leaves records to the
maker. Identifiers are most significant byte first. All functions raise LayoutError (a ValueError) for bytes that break
the layout and for values that do not fit it.
"""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction
from typing import Any

from construct import Adapter, Byte, Bytes, BytesInteger, Const, Construct, Int16ub, Struct, Terminated

from protocol.device import Device, Field
from protocol.layout import build, parse


class _Physical(Adapter):  # type: ignore[misc]  # construct ships no types
    """A raw integer in the layout, the exact physical value outside."""

    def __init__(self, field: Field) -> None:
        super().__init__(BytesInteger(field.size, signed=field.type[0] == "s", swapped=field.byte_order == "little"))
        self._field = field

    def _decode(self, obj: Any, context: Any, path: Any) -> Any:
        return self._field.to_physical(obj)

    def _encode(self, obj: Any, context: Any, path: Any) -> Any:
        return self._field.to_raw(obj)


def field_layout(field: Field) -> Construct:
    """The field's bytes; its value is the physical one, rounded to the nearest raw value when built."""
    return _Physical(field)


def encode_field(field: Field, physical: Fraction) -> bytes:
    """Bytes of the raw value nearest to ``physical`` (half to even)."""
    return build(field_layout(field), physical, field.name)


def decode_field(field: Field, data: bytes) -> Fraction:
    """Physical value in ``data``, which must have the field's size."""
    value: Fraction = parse(Struct("value" / field_layout(field), Terminated), data, field.name)["value"]
    return value


def group_layout(device: Device, did: int) -> Construct:
    """The record of the set-points that share ``did``, one after another."""
    return Struct(*(point.name / field_layout(point.field) for point in device.group(did)), Terminated)


def group_size(device: Device, did: int) -> int:
    """Bytes of the record ``did``."""
    return sum(point.field.size for point in device.group(did))


def encode_group(device: Device, did: int, physical: Mapping[str, Fraction]) -> bytes:
    """Bytes of the record ``did`` with a value for every set-point of it, by name."""
    return build(group_layout(device, did), physical, f"record {did:#06x}")


def decode_group(device: Device, did: int, data: bytes) -> dict[str, Fraction]:
    """Value of each set-point of the record ``did`` by name."""
    values = parse(group_layout(device, did), data, f"record {did:#06x}")
    return {point.name: values[point.name] for point in device.group(did)}


def snapshot_layout(device: Device, record: int | None = None) -> Construct:
    """A snapshot as service 19 04 returns it: record number, count, then identifier and data of each.

    ``record`` is Snapshot.first or .latest; None: the one that a single question is about.
    """
    snapshot = device.snapshot
    entries: list[Construct] = []
    for entry in snapshot.fields:
        entries += [Const(entry.did, Int16ub), entry.field.name / field_layout(entry.field)]
    number = snapshot.record_number if record is None else record
    return Struct(Const(number, Byte), Const(len(snapshot.fields), Byte), *entries, Terminated)


def encode_snapshot(device: Device, physical: Mapping[str, Fraction], record: int | None = None) -> bytes:
    """Bytes of a snapshot with a value for every field; what stands behind code and status in the answer."""
    return build(snapshot_layout(device, record), physical, "snapshot")


def decode_snapshot(device: Device, payload_after_dtc_status: bytes, record: int | None = None) -> dict[str, Fraction]:
    """Value of each field of one snapshot by name; {} where the answer holds no record (nothing stored)."""
    if not payload_after_dtc_status:
        return {}
    values = parse(snapshot_layout(device, record), payload_after_dtc_status, "snapshot")
    return {entry.field.name: values[entry.field.name] for entry in device.snapshot.fields}


def decode_snapshots(device: Device, payload_after_dtc_status: bytes) -> dict[int, dict[str, Fraction]]:
    """Every snapshot of an answer, by record number: what a question for ALL_RECORDS brings; {} for none stored."""
    snapshot = device.snapshot
    if not payload_after_dtc_status:
        return {}
    numbers = [number for number in (snapshot.first, snapshot.latest) if number is not None]
    size = 2 + sum(2 + entry.field.size for entry in snapshot.fields)
    whole = Struct(*(f"{number}" / Bytes(size) for number in numbers), Terminated)
    records = parse(whole, payload_after_dtc_status, "snapshots")
    return {number: decode_snapshot(device, records[f"{number}"], number) for number in numbers}
