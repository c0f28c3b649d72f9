"""A device profile and its LDF to a Device: all that does not fit together is found here, all at once."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path

from harness.clock import S
from harness.files.ldf import LdfNode, UnknownSlave, load_node
from harness.files.load import Loaded, load
from harness.files.marks import FileError, FileErrors
from harness.files.profile_check import check
from harness.files.profile_function_check import check_functions
from harness.files.profile_functions import functions
from harness.files.profile_model import ControlSection, Profile
from harness.quantity import Quantity
from protocol.device import (
    Accuracy,
    ByteOrder,
    CommandFrame,
    Constraint,
    Control,
    Device,
    FaultCode,
    FaultMemory,
    Field,
    Identity,
    LiveValue,
    Lockout,
    Programming,
    Ratings,
    Routine,
    Security,
    Sensing,
    Session,
    SetPoint,
    Snapshot,
    SnapshotField,
    StatusFrame,
    Thermistor,
    Timing,
)

_PLANS = Path(__file__).resolve().parents[2] / "testplans"
_DEVICES = _PLANS / "devices"


def shipped_plans() -> Path:
    """Folder of the plans that come with this package."""
    return _PLANS


def shipped_device(name: str) -> Path:
    """Path of the profile ``name`` that comes with this package. Raises KeyError with the names there are."""
    known = sorted(path.stem for path in _DEVICES.glob("*.yaml"))
    if name not in known:
        raise KeyError(f"no device {name!r}; there are {', '.join(known)}")
    return _DEVICES / f"{name}.yaml"


def device_files(path: Path | str) -> tuple[Path, Path]:
    """What a device is built from: its profile and its LDF. Raises FileErrors where the profile cannot be read."""
    return Path(path), Path(path).parent / load(path, Profile).model.ldf


def load_device(path: Path | str) -> Device:
    """The device of a profile. Raises FileErrors with everything that is wrong with the profile and its LDF."""
    loaded = load(path, Profile)
    errors: list[FileError] = []
    node, ldf = None, Path(path).parent / loaded.model.ldf
    try:
        node = load_node(ldf, loaded.model.node)
    except FileErrors as found:
        errors += found.errors if ldf.exists() else [loaded.error(("ldf",), f"no such file: {ldf}")]
    except UnknownSlave as unknown:
        errors.append(loaded.error(("node",), f"{unknown} (in {ldf.name})"))
    errors += [*check(loaded, node), *check_functions(loaded)]
    if errors or node is None:
        raise FileErrors(errors)
    return _device(loaded, node)


def _device(loaded: Loaded[Profile], node: LdfNode) -> Device:
    profile = loaded.model
    order = profile.diagnostics.byte_order
    return Device(
        name=profile.name,
        title=profile.title,
        digest=hashlib.sha256(f"{loaded.document.digest} {node.digest}".encode()).hexdigest(),
        node=node.description,
        identity=Identity(node.supplier_id, node.function_id, node.variant, dict(profile.identity.records)),
        timing=_timing(profile, node),
        sessions={
            name: Session(name, session.sub_function, frozenset(session.services))
            for name, session in profile.diagnostics.sessions.items()
        },
        write_session=profile.diagnostics.write_session,
        status=_status(profile),
        command=_command(profile),
        schedules=profile.schedules.model_dump(),
        set_points=dict(_set_points(profile)),
        live={
            name: LiveValue(name, live.title, live.did, live.field(name, order), live.accuracy.si)
            for name, live in profile.live.items()
        },
        fault_codes={
            name: FaultCode(name, code.meaning, code.dtc, code.cause, code.follow_on, code.forbidden)
            for name, code in profile.fault_codes.items()
        },
        constraints=tuple(Constraint(pair.below, pair.above) for pair in profile.constraints),
        write_states=profile.diagnostics.write_states,
        fault_memory=FaultMemory(**profile.fault_memory.model_dump()),
        snapshot=Snapshot(
            profile.snapshot.first,
            profile.snapshot.latest,
            tuple(
                SnapshotField(entry.did, entry.field(entry.name, order), entry.source, entry.accuracy.si)
                for entry in profile.snapshot.fields
            ),
        ),
        lockout=_lockout(profile),
        security=_security(profile),
        controls={
            name: Control(name, control.did, control.controls, _control_field(name, control, order))
            for name, control in profile.controls.items()
        },
        routines={
            name: Routine(name, routine.identifier, routine.duration.si, bytes.fromhex(routine.result))
            for name, routine in profile.routines.items()
        },
        thermistor=_thermistor(profile),
        functions=functions(profile),
        sensing=_sensing(profile),
        accuracy=_accuracy(profile),
        ratings=_ratings(profile),
        reports=dict(profile.reports),
        programming=_programming(profile),
        budgets=None if profile.budgets is None else profile.budgets.build(),
        cable=None if profile.cable is None else profile.cable.build(),
        withstand=None if profile.withstand is None else profile.withstand.build(),
    )


def _programming(profile: Profile) -> Programming | None:
    section = profile.flash
    return None if section is None else Programming(section.set_points, _nanoseconds(section.longest))


def _timing(profile: Profile, node: LdfNode) -> Timing:
    diagnostics = profile.diagnostics
    return Timing(
        p2_ns=_nanoseconds(diagnostics.p2),
        p2_star_ns=_nanoseconds(diagnostics.p2_star),
        st_min_ns=node.st_min_ns,
        n_as_ns=node.n_as_ns,
        n_cr_ns=node.n_cr_ns,
        s3_ns=_nanoseconds(diagnostics.s3),
    )


def _status(profile: Profile) -> StatusFrame:
    status = profile.status
    return StatusFrame(
        frame=status.frame,
        state_signal=status.state.signal,
        states=status.state.values.model_dump(),
        switch_signal=status.switch.signal,
        switch=status.switch.values.model_dump(),
        cause_signal=status.cause,
        current_signal=status.current,
        bits=dict(status.bits),
        response_error_signal=status.response_error,
    )


def _set_points(profile: Profile) -> Iterator[tuple[str, SetPoint]]:
    for name, point in profile.set_points.items():
        yield (
            name,
            SetPoint(
                name=name,
                title=point.title,
                did=point.did,
                field=point.field(name, profile.diagnostics.byte_order),
                minimum=point.minimum.exact,
                maximum=point.maximum.exact,
                default=point.default.exact,
            ),
        )


def _command(profile: Profile) -> CommandFrame:
    command = profile.command
    modes = {} if command.mode is None else dict(command.mode.values)
    signal = None if command.mode is None else command.mode.signal
    return CommandFrame(command.frame, command.signal, command.values.model_dump(), signal, modes)


def _lockout(profile: Profile) -> Lockout | None:
    section = profile.lockout
    return None if section is None else Lockout(section.trips, section.window.si, section.routine)


def _security(profile: Profile) -> Security | None:
    section = profile.diagnostics.security
    if section is None:
        return None
    return Security(
        section.level,
        frozenset(section.services),
        section.seed_bytes,
        section.key_bytes,
        section.attempts,
        section.delay.si,
    )


def _thermistor(profile: Profile) -> Thermistor | None:
    section = profile.thermistor
    if section is None:
        return None
    return Thermistor(section.resistance.si, section.beta.si, section.pull_up.si, section.bits, section.tolerance.si)


def _control_field(name: str, control: ControlSection, order: ByteOrder) -> Field:
    offset = control.offset.exact if control.offset is not None else Fraction(0)
    return Field(name, control.type, control.scale.exact, offset, control.scale.base, order)


def _sensing(profile: Profile) -> Sensing:
    sensing = profile.sensing
    return Sensing(
        full_scale=sensing.full_scale.si,
        fast_bits=sensing.fast.bits,
        fast_period_ns=_nanoseconds(sensing.fast.period),
        fast_noise=sensing.fast.noise.si,
        slow_bits=sensing.slow.bits,
        slow_period_ns=_nanoseconds(sensing.slow.period),
        slow_noise=sensing.slow.noise.si,
    )


def _accuracy(profile: Profile) -> Accuracy:
    accuracy = profile.accuracy
    return Accuracy(
        current_gain=accuracy.current_gain.si,
        current_offset=accuracy.current_offset.si,
        timer=accuracy.timer.si,
        latency=(accuracy.latency[0].si, accuracy.latency[1].si),
    )


def _ratings(profile: Profile) -> Ratings:
    ratings = profile.ratings
    return Ratings(
        bus_voltage=ratings.bus_voltage.si,
        current=ratings.current.si,
        peak_current=ratings.peak_current.si,
        peak_time=ratings.peak_time.si,
        off_state_leakage=ratings.off_state_leakage.si,
        supply=(ratings.supply[0].si, ratings.supply[1].si),
        on_resistance=ratings.on_resistance.si,
        write_cycles=ratings.write_cycles,
        write_time_ns=_nanoseconds(ratings.write_time),
        start_up_ns=_nanoseconds(ratings.start_up),
        clamp=None if ratings.clamp is None else (ratings.clamp[0].si, ratings.clamp[1].si),
    )


def _nanoseconds(time: Quantity) -> int:
    """A time in whole nanoseconds."""
    return round(time.exact * S)
