"""A unit's diagnostic tables, worked out from its device description, and its identity, drawn from the seed."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from math import lcm
from random import Random
from typing import get_args

from mocks.calibrate import field_scale
from mocks.firmware.calibration import Scale
from mocks.firmware.catalogue import (
    Action,
    Catalogue,
    CodeRow,
    ConstraintRow,
    ControlRow,
    FaultMemoryRow,
    GroupRow,
    NodeRow,
    Number,
    ReadingRow,
    RoutineRow,
    SecurityRow,
    SetPointRow,
    SignalRow,
)
from mocks.image import Image
from protocol.device import Constraint, Control, Device, Field, ReportSource, Routine, SetPoint, SnapshotSource
from protocol.frame import protected_id

_LIVE: dict[str, SnapshotSource] = {name: name for name in get_args(SnapshotSource)}
"""Name of a live value -> what the firmware reports under it."""
_SECOND = 1_000_000_000
_TEXTS = {
    "application_version": "{major}.{minor}.{patch}",
    "bootloader_version": "B{variant}.0.7",
    "hardware_version": "H{variant}-C",
    "serial_number": "{serial:010d}",
    "application_checksum": "{checksum:08X}",
}
_OTHER_TEXT = "{name} {variant}"


def catalogue(device: Device, seed: int, image: Image) -> Catalogue:
    """Tables for the unit that ``seed`` makes of ``device``, with the application of ``image`` in it.

    Raises ValueError for a live value that this firmware does not measure.
    """
    unknown = device.live.keys() - _LIVE.keys()
    if unknown:
        raise ValueError(f"{device.name}: the mock measures no {', '.join(sorted(unknown))}")
    node = _node(device, seed)
    return Catalogue(
        node=node,
        sessions={session.sub_function: session.services for session in device.sessions.values()},
        p2_ns=device.timing.p2_ns,
        p2_star_ns=device.timing.p2_star_ns,
        s3_ns=device.timing.s3_ns,
        n_as_ns=device.timing.n_as_ns,
        set_points={
            point.did: GroupRow(tuple(map(_set_point, device.group(point.did)))) for point in device.set_points.values()
        },
        constraints=tuple(_constraint(device, pair) for pair in device.constraints),
        write_states=frozenset(device.write_states),
        security=_security(device),
        readings={live.did: _reading(device, live.did, _LIVE[name], live.field) for name, live in device.live.items()},
        texts={did: _text(name, node, image) for name, did in device.identity.records.items()},
        controls={control.did: _control(device, control) for control in device.controls.values()},
        routines={routine.identifier: _routine(device, routine) for routine in device.routines.values()},
        codes={code.dtc: CodeRow(name, _priority(device, name)) for name, code in device.fault_codes.items()},
        fault_memory=FaultMemoryRow(**vars(device.fault_memory)),
        first_number=device.snapshot.first,
        latest_number=device.snapshot.latest,
        snapshot=tuple(_reading(device, row.did, row.source, row.field) for row in device.snapshot.fields),
        signals=tuple(_signal(device, source, name) for source, name in device.reports.items()),
    )


def _node(device: Device, seed: int) -> NodeRow:
    identity, node = device.identity, device.node
    return NodeRow(
        supplier=identity.supplier_id,
        function=identity.function_id,
        variant=identity.variant,
        serial=Random(f"serial {seed}").getrandbits(32),
        initial_nad=node.initial_nad,
        configured_nad=node.configured_nad,
        pids=tuple(protected_id(node.frames[name].frame_id) for name in node.configurable_frames),
    )


def _set_point(point: SetPoint) -> SetPointRow:
    low, high = (point.field.to_raw(limit) for limit in (point.minimum, point.maximum))
    return SetPointRow(point.name, _number(point.field), low, high)


def _constraint(device: Device, pair: Constraint) -> ConstraintRow:
    low, high = (device.set_points[name].field for name in (pair.low, pair.high))
    parts = (low.scale, high.scale, low.offset - high.offset)
    whole = lcm(*(part.denominator for part in parts))
    low_factor, high_factor, difference = (int(part * whole) for part in parts)
    return ConstraintRow(pair.low, low_factor, pair.high, high_factor, difference)


def _security(device: Device) -> SecurityRow | None:
    row = device.security
    if row is None:
        return None
    delay_ns = round(row.delay * _SECOND)
    return SecurityRow(row.level, row.services, row.seed_bytes, row.key_bytes, row.attempts, delay_ns)


def _control(device: Device, control: Control) -> ControlRow:
    reading = _reading(device, control.did, control.quantity, control.field)
    there = reading.scale
    low, high = control.field.raw_range
    back = Fraction(there.denominator, there.numerator)
    own = Scale(
        back.numerator,
        back.denominator,
        round(-there.offset * back),
        *(round((raw - there.offset) * back) for raw in (low, high)),
    )
    return ControlRow(control.quantity, reading, own)


def _routine(device: Device, routine: Routine) -> RoutineRow:
    action: Action = "none"
    if device.lockout is not None and device.lockout.routine == routine.identifier:
        action = "release_lockout"
    elif routine.name == "self_test" and routine.result:
        action = "self_test"
    return RoutineRow(action, round(routine.duration * _SECOND), routine.result)


def _priority(device: Device, code: str) -> int:
    """That of the code's most important function; a code that no function sets matters least."""
    return min((function.priority for function in device.functions.values() if function.cause == code), default=1 << 16)


def _reading(device: Device, did: int, source: SnapshotSource, field: Field) -> ReadingRow:
    return ReadingRow(did, source, _number(field), field_scale(device, source, field))


def _signal(device: Device, source: ReportSource, name: str) -> SignalRow:
    (signal,) = (s for frame in device.node.frames.values() for s in frame.signals if s.name == name)
    if source == "software":
        return SignalRow(name, source, Scale(1, 1, 0, 0, signal.mask), signal.mask)
    part = signal.encoding.physical[0]
    unit = Fraction(1, 100) if part.unit == "%" else Fraction(1)
    scale = field_scale(device, source, Field(name, "u32", part.scale * unit, part.offset * unit, part.unit))
    if source == "heat":  # held inside its coding; a time goes round
        scale = replace(scale, low=part.low, high=part.high)
    return SignalRow(name, source, scale, signal.mask)


def _number(field: Field) -> Number:
    return Number(field.size, field.raw_range[0] < 0, field.byte_order)


def _text(name: str, node: NodeRow, image: Image) -> bytes:
    text = _TEXTS.get(name, _OTHER_TEXT)
    return text.format(
        name=name,
        variant=node.variant,
        serial=node.serial,
        major=image.software >> 8,
        minor=image.software >> 4 & 0xF,
        patch=image.software & 0xF,
        checksum=image.checksum,
    ).encode("ascii")
