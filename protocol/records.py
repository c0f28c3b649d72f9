"""Data records of a device, with layouts built from its profile: set-points, live values, snapshots.

Numbers are exact fractions in the field's unit. Most significant byte first, as ISO 14229-1 has it. All functions raise
LayoutError (a ValueError) for bytes that break the layout and for values that do not fit it.
"""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction
from typing import Any

from construct import Adapter, Byte, BytesInteger, Const, Construct, Int16ub, Struct, Terminated

from protocol.device import Device, Field
from protocol.layout import build, parse


class _Physical(Adapter):  # type: ignore[misc]  # construct ships no types
    """A raw integer in the layout, the exact physical value outside."""

    def __init__(self, field: Field) -> None:
        super().__init__(BytesInteger(field.size, signed=field.type[0] == "s"))
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


def snapshot_layout(device: Device) -> Construct:
    """The device's snapshot as service 19 04 returns it: record number, count, then identifier and data of each."""
    snapshot = device.snapshot
    entries: list[Construct] = []
    for entry in snapshot.fields:
        entries += [Const(entry.did, Int16ub), entry.field.name / field_layout(entry.field)]
    return Struct(Const(snapshot.record_number, Byte), Const(len(snapshot.fields), Byte), *entries, Terminated)


def encode_snapshot(device: Device, physical: Mapping[str, Fraction]) -> bytes:
    """Bytes of a snapshot with a value for every field; what stands behind code and status in the answer."""
    return build(snapshot_layout(device), physical, "snapshot")


def decode_snapshot(device: Device, payload_after_dtc_status: bytes) -> dict[str, Fraction]:
    """Value of each field by name; {} where the answer holds no record (nothing stored)."""
    if not payload_after_dtc_status:
        return {}
    values = parse(snapshot_layout(device), payload_after_dtc_status, "snapshot")
    return {entry.field.name: values[entry.field.name] for entry in device.snapshot.fields}
