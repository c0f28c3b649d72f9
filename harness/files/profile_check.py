"""What makes a profile wrong, beyond its form: cross-references, codings and numbers, against the LDF's node."""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterable, Iterator, Mapping
from fractions import Fraction

from harness.files.ldf import LdfNode
from harness.files.load import Loaded, close_match, one_of
from harness.files.marks import FileError
from harness.files.profile_model import Coding, Profile, SensorCheckSection
from harness.quantity import Quantity
from protocol.signals import FrameLayout, Signal

Place = tuple[str | int, ...]
Faults = Iterator[FileError]


def check(loaded: Loaded[Profile], node: LdfNode | None) -> list[FileError]:
    """Every fault of the profile; what concerns the LDF is left out where ``node`` is None."""
    faults = [fault for rule in _RULES for fault in rule(loaded)]
    if node is not None:
        faults += [fault for node_rule in _NODE_RULES for fault in node_rule(loaded, node)]
    return faults


# Codings


def _codings(profile: Profile) -> Iterator[tuple[Place, str, Coding]]:
    for section, entries in (("set_points", profile.set_points), ("live", profile.live)):
        for name, entry in entries.items():
            yield (section, name), name, entry
    for index, field in enumerate(profile.snapshot.fields):
        yield ("snapshot", "fields", index), field.name, field


def _identifiers(loaded: Loaded[Profile]) -> Faults:
    """One identifier, one meaning; set-points may share one, and are then one record."""
    owners: dict[int, str] = {}
    points = loaded.model.set_points
    entries = [((*place, "did"), name, coding.did) for place, name, coding in _codings(loaded.model)]
    entries += [(("identity", "records", name), name, did) for name, did in loaded.model.identity.records.items()]
    entries += [(("controls", name, "did"), name, control.did) for name, control in loaded.model.controls.items()]
    for place, name, did in entries:
        if did in owners and not (owners[did] in points and place[0] == "set_points"):
            yield loaded.error(place, f"identifier 0x{did:04X} is that of {owners[did]} already")
        owners.setdefault(did, name)


def _units(loaded: Loaded[Profile]) -> Faults:
    """Every figure of a coding is in the dimension of its scale; scales are not 0, accuracies not negative."""
    for place, _, coding in _codings(loaded.model):
        if coding.scale.exact == 0:
            yield loaded.error((*place, "scale"), "the scale is 0")
        for key in ("offset", "minimum", "maximum", "default", "accuracy"):
            value = getattr(coding, key, None)
            if isinstance(value, Quantity) and value.base != coding.scale.base:
                # A bare 0 would be clear, but '0' beside '5 A' is how a unit gets lost.
                yield loaded.error((*place, key), f"{value} is not in the dimension of the scale, {coding.scale}")
            if key == "accuracy" and isinstance(value, Quantity) and value.exact < 0:
                yield loaded.error((*place, key), f"{value} is negative")


def _limits(loaded: Loaded[Profile]) -> Faults:
    for name, point in loaded.model.set_points.items():
        place: Place = ("set_points", name)
        if len({point.scale.base, point.minimum.base, point.maximum.base, point.default.base}) > 1:
            continue  # said by _units
        if point.minimum.exact > point.maximum.exact:
            yield loaded.error((*place, "minimum"), f"{point.minimum} is above the maximum, {point.maximum}")
        elif not point.minimum.exact <= point.default.exact <= point.maximum.exact:
            message = f"{point.default} is outside the limits, {point.minimum} to {point.maximum}"
            yield loaded.error((*place, "default"), message)
        for key in ("minimum", "maximum", "default"):
            if reason := not_representable(point, getattr(point, key).exact):
                yield loaded.error((*place, key), f"{getattr(point, key)} {reason}")


def not_representable(coding: Coding, value: Fraction) -> str | None:
    """Why ``value`` (in the base unit) has no raw value of its own in a record, or None where it has one."""
    field = coding.field("")
    if field.scale == 0:
        return None  # said elsewhere
    raw = (value - field.offset) / field.scale
    low, high = field.raw_range
    if raw.denominator != 1:
        return f"is no multiple of the scale, {coding.scale}"
    return None if low <= raw <= high else f"does not fit {field.type} at a scale of {coding.scale}"


def _constraints(loaded: Loaded[Profile]) -> Faults:
    points = loaded.model.set_points
    for index, pair in enumerate(loaded.model.constraints):
        place: Place = ("constraints", index)
        strange = [(key, name) for key, name in (("below", pair.below), ("above", pair.above)) if name not in points]
        for key, name in strange:
            yield loaded.error((*place, key), unknown("set-point", name, points))
        if strange:
            continue
        low, high = points[pair.below], points[pair.above]
        if low.scale.base != high.scale.base:
            yield loaded.error(place, f"{pair.below} and {pair.above} are not in one dimension")
        elif not low.default.exact < high.default.exact:
            yield loaded.error(place, f"the defaults, {low.default} and {high.default}, break it")


# Names that profile sections have of each other


def _sessions(loaded: Loaded[Profile]) -> Faults:
    diagnostics = loaded.model.diagnostics
    place: Place = ("diagnostics", "sessions")
    yield from _distinct(loaded, place, {n: s.sub_function for n, s in diagnostics.sessions.items()}, ("sub_function",))
    # ISO 14229-1 §10.2: the default session is sub-function 01; every node starts there.
    if not any(session.sub_function == 1 for session in diagnostics.sessions.values()):
        yield loaded.error(place, "no session has sub_function 0x01, the default session", key=True)
    for name, session in diagnostics.sessions.items():
        if 0x10 not in session.services:
            yield loaded.error((*place, name, "services"), f"{name} lacks service 0x10, so there is no way out of it")
    states = loaded.model.status.state.values.model_dump()
    for index, state in enumerate(diagnostics.write_states):
        if state not in states:
            yield loaded.error(("diagnostics", "write_states", index), unknown("state", state, states))
    if diagnostics.write_session not in diagnostics.sessions:
        message = unknown("session", diagnostics.write_session, diagnostics.sessions)
        yield loaded.error(("diagnostics", "write_session"), message)
    elif not {0x22, 0x2E} <= set(diagnostics.sessions[diagnostics.write_session].services):
        message = f"set-points are written in session {diagnostics.write_session}, so it needs services 0x22 and 0x2E"
        yield loaded.error((*place, diagnostics.write_session, "services"), message)


def _fault_codes(loaded: Loaded[Profile]) -> Faults:
    codes = loaded.model.fault_codes
    yield from _distinct(loaded, ("fault_codes",), {name: code.dtc for name, code in codes.items()}, ("dtc",))
    yield from _distinct(loaded, ("fault_codes",), {name: code.cause for name, code in codes.items()}, ("cause",))
    for name, code in codes.items():
        for key, others in (("follow_on", code.follow_on), ("forbidden", code.forbidden)):
            for index, other in enumerate(others):
                if other not in codes or other == name:
                    message = unknown("fault code", other, codes) if other != name else f"{name} names itself"
                    yield loaded.error(("fault_codes", name, key, index), message)
        for other in sorted(set(code.follow_on) & set(code.forbidden)):
            yield loaded.error(("fault_codes", name), f"{other} is both a follow-on code and forbidden", key=True)


def _snapshot(loaded: Loaded[Profile]) -> Faults:
    seen: set[str] = set()
    numbers = (loaded.model.snapshot.first, loaded.model.snapshot.latest)
    if numbers == (None, None) or numbers[0] == numbers[1]:
        yield loaded.error(("snapshot",), "want a record number first or latest, or two different ones", key=True)
    for index, field in enumerate(loaded.model.snapshot.fields):
        place: Place = ("snapshot", "fields", index)
        if field.name in seen:
            yield loaded.error((*place, "name"), f"a second field {field.name!r}")
        seen.add(field.name)
        if field.scale.base != _SOURCE_UNITS[field.source]:
            message = f"{field.scale} does not measure {field.source}, which is in {_SOURCE_UNITS[field.source]}"
            yield loaded.error((*place, "scale"), message)


_SOURCE_UNITS = {
    "current": "A",
    "heat": "1",
    "junction_temperature": "degC",
    "supply_voltage": "V",
    "gate_rail_voltage": "V",
    "bus_voltage": "V",
    "heat_sink_temperature": "degC",
    "uptime": "s",
    "operate_time": "s",
    "trip_count": "1",
    "mode": "1",
}
QUANTITY_UNITS = {
    "current": "A",
    "supply_voltage": "V",
    "gate_rail_voltage": "V",
    "bus_voltage": "V",
    "heat_sink_temperature": "degC",
}
"""Base unit of each quantity that a function may watch."""


def _routines(loaded: Loaded[Profile]) -> Faults:
    profile = loaded.model
    known = {name: routine.identifier for name, routine in profile.routines.items()}
    yield from _distinct(loaded, ("routines",), known, ("identifier",))
    if profile.lockout is not None and profile.lockout.routine not in known.values():
        yield loaded.error(("lockout", "routine"), f"no routine has identifier 0x{profile.lockout.routine:04X}")
    for name, control in profile.controls.items():
        if control.scale.base != QUANTITY_UNITS[control.controls]:
            message = f"{control.scale} does not measure {control.controls}, in {QUANTITY_UNITS[control.controls]}"
            yield loaded.error(("controls", name, "scale"), message)


def _numbers(loaded: Loaded[Profile]) -> Faults:
    profile = loaded.model
    positive: list[tuple[Place, Quantity]] = [
        (("diagnostics", "p2"), profile.diagnostics.p2),
        (("diagnostics", "p2_star"), profile.diagnostics.p2_star),
        (("diagnostics", "s3"), profile.diagnostics.s3),
        (("sensing", "full_scale"), profile.sensing.full_scale),
        (("sensing", "fast", "period"), profile.sensing.fast.period),
        (("sensing", "slow", "period"), profile.sensing.slow.period),
        *((("ratings", key), getattr(profile.ratings, key)) for key in _POSITIVE_RATINGS),
    ]
    for name, function in profile.functions.items():
        if isinstance(function, SensorCheckSection):
            positive.append((("functions", name, "sample"), function.sample))
    for place, value in positive:
        if value.exact <= 0:
            yield loaded.error(place, f"{value}: want more than 0")
    for place, value in (
        (("sensing", "fast", "noise"), profile.sensing.fast.noise),
        (("sensing", "slow", "noise"), profile.sensing.slow.noise),
        (("accuracy", "current_offset"), profile.accuracy.current_offset),
        (("accuracy", "latency", 0), profile.accuracy.latency[0]),
        (("ratings", "off_state_leakage"), profile.ratings.off_state_leakage),
    ):
        if value.exact < 0:
            yield loaded.error(place, f"{value} is negative")
    for key in ("current_gain", "timer"):
        if not 0 <= getattr(profile.accuracy, key).exact < 1:
            yield loaded.error(("accuracy", key), f"{getattr(profile.accuracy, key)}: want 0 % to below 100 %")
    for place, (low, high) in (
        (("accuracy", "latency"), profile.accuracy.latency),
        (("ratings", "supply"), profile.ratings.supply),
    ):
        if low.exact > high.exact:
            yield loaded.error(place, f"{low} is more than {high}; want the least first")
    if (clamp := profile.ratings.clamp) is not None and not profile.ratings.bus_voltage.exact < clamp[0].exact <= clamp[
        1
    ].exact:
        yield loaded.error(
            ("ratings", "clamp"), "want the least first, and above the bus voltage: else it ends no current"
        )


_POSITIVE_RATINGS = (
    "bus_voltage", "current", "peak_current", "peak_time", "on_resistance", "write_time", "start_up",
)  # fmt: skip


# Against the LDF


def _command(loaded: Loaded[Profile], node: LdfNode) -> Faults:
    command = loaded.model.command
    frame = yield from _frame(loaded, node, ("command", "frame"), command.frame, node.description.master)
    if frame is not None and (signal := (yield from _signal(loaded, frame, ("command", "signal"), command.signal))):
        yield from _raw_values(loaded, signal, ("command", "values"), command.values.model_dump())
    if frame is not None and command.mode is not None:
        place = ("command", "mode", "signal")
        if mode := (yield from _signal(loaded, frame, place, command.mode.signal)):
            yield from _raw_values(loaded, mode, ("command", "mode", "values"), command.mode.values)


def _status(loaded: Loaded[Profile], node: LdfNode) -> Faults:
    status = loaded.model.status
    frame = yield from _frame(loaded, node, ("status", "frame"), status.frame, node.description.name)
    if status.response_error != node.response_error:
        message = f"{status.response_error} is not the LDF's response_error, {node.response_error}"
        yield loaded.error(("status", "response_error"), message)
    if frame is None:
        return
    for key, section in (("state", status.state), ("switch", status.switch)):
        if signal := (yield from _signal(loaded, frame, ("status", key, "signal"), section.signal)):
            yield from _raw_values(loaded, signal, ("status", key, "values"), section.values.model_dump())
    if cause := (yield from _signal(loaded, frame, ("status", "cause"), status.cause)):
        for name, code in loaded.model.fault_codes.items():
            if code.cause > cause.mask:
                message = f"{code.cause} does not fit {cause.name}, {cause.width} bits"
                yield loaded.error(("fault_codes", name, "cause"), message)
    current = yield from _signal(loaded, frame, ("status", "current"), status.current)
    if current and not any(part.unit == "A" for part in current.encoding.physical):
        yield loaded.error(("status", "current"), f"{current.name} has no physical values in A in the LDF")
    for name, word in status.bits.items():
        bit = yield from _signal(loaded, frame, ("status", "bits", name), word)
        if bit and bit.width != 1:
            yield loaded.error(("status", "bits", name), f"{word} has {bit.width} bits; a status bit has 1")


def _reports(loaded: Loaded[Profile], node: LdfNode) -> Faults:
    frames = node.description.frames.values()
    signals = {s.name: s for frame in frames if frame.publisher == node.description.name for s in frame.signals}
    for source, word in loaded.model.reports.items():
        if word not in signals:
            yield loaded.error(("reports", source), unknown("signal", word, signals))
        elif source != "software" and not signals[word].encoding.physical:
            yield loaded.error(("reports", source), f"{word} has no physical values in the LDF")


def _schedules(loaded: Loaded[Profile], node: LdfNode) -> Faults:
    tables, profile = node.description.schedules, loaded.model
    for role, table in profile.schedules.model_dump().items():
        if table not in tables:
            # A table with node configuration commands in it is not among those that can be run.
            yield loaded.error(("schedules", role), unknown("schedule table", table, tables))
            continue
        wanted = {profile.command.frame, profile.status.frame} & node.description.frames.keys()
        for frame in sorted(wanted - {name for name, _ in tables[table]}):
            yield loaded.error(("schedules", role), f"{table} does not send {frame}")


def _frame(
    loaded: Loaded[Profile], node: LdfNode, place: Place, name: str, publisher: str
) -> Generator[FileError, None, FrameLayout | None]:
    frames = node.description.frames
    if name not in frames:
        yield loaded.error(place, unknown("frame", name, frames))
        return None
    if frames[name].publisher != publisher:
        yield loaded.error(place, f"{name} is published by {frames[name].publisher}, not by {publisher}")
    return frames[name]


def _signal(
    loaded: Loaded[Profile], frame: FrameLayout, place: Place, name: str
) -> Generator[FileError, None, Signal | None]:
    signals = {signal.name: signal for signal in frame.signals}
    if name not in signals:
        yield loaded.error(place, f"{unknown('signal', name, signals)} in {frame.name}")
        return None
    return signals[name]


def _raw_values(loaded: Loaded[Profile], signal: Signal, place: Place, values: Mapping[str, int]) -> Faults:
    """Raw values fit the signal, differ, and mean something in the LDF where it gives the signal meanings."""
    yield from _distinct(loaded, place, values, ())
    for name, raw in values.items():
        if not 0 <= raw <= signal.mask:
            yield loaded.error((*place, name), f"{raw} does not fit {signal.name}, {signal.width} bits")
        elif signal.encoding.logical and raw not in signal.encoding.logical:
            words = [f"{value} {word!r}" for value, word in signal.encoding.logical.items()]
            yield loaded.error((*place, name), f"{raw} has no meaning in the LDF; {signal.name} has {', '.join(words)}")


def _distinct(loaded: Loaded[Profile], place: Place, values: Mapping[str, int], inner: Place) -> Faults:
    owners: dict[int, str] = {}
    for name, value in values.items():
        if value in owners:
            yield loaded.error((*place, name, *inner), f"0x{value:02X} is that of {owners[value]} already")
        owners.setdefault(value, name)


def unknown(what: str, name: str, known: Iterable[str]) -> str:
    """What to say of a ``name`` that is not ``known``."""
    return f"unknown {what} {name!r}; {one_of(known)}{close_match(name, known)}"


def _branch(loaded: Loaded[Profile]) -> Faults:
    """Cable and switch: figures that a line can be drawn through."""
    for name, section in (("cable", loaded.model.cable), ("withstand", loaded.model.withstand)):
        for place, message in () if section is None else section.faults():
            yield loaded.error((name, *place), message)


_RULES: tuple[Callable[[Loaded[Profile]], Faults], ...] = (
    _identifiers, _units, _limits, _constraints, _sessions, _fault_codes, _snapshot, _routines, _numbers, _branch,
)  # fmt: skip
_NODE_RULES: tuple[Callable[[Loaded[Profile], LdfNode], Faults], ...] = (_command, _status, _reports, _schedules)
