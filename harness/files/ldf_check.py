"""What makes an LDF wrong, beyond its grammar: every rule over ldfparser's plain tree, all faults at once.

Clauses are LIN 2.1's, from memory where a line says so; ids, id ranges and frame times are those of the facts that the
tests of protocol/frame.py check.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import Any

from harness.files.ldf_text import LdfText
from harness.files.load import close_match, one_of
from harness.files.marks import FileError

Tree = Mapping[str, Any]
"""What ldfparser's parse_ldf_to_dict returns."""

_VERSIONS = ("2.0", "2.1", "2.2", "ISO17987:2015")
_MASTER_REQUEST, _SLAVE_RESPONSE = 0x3C, 0x3D
_FIRST_RESERVED = 0x3C  # LIN 2.1 §2.8.2 table 2.4: 3C, 3D diagnostic; 3E, 3F reserved
_IMPLICIT_LENGTH = (2, 2, 4, 8)  # LIN 1.3: by bits 4 and 5 of the id


def check(tree: Tree, text: LdfText) -> list[FileError]:
    """Every fault of the file. A section that is missing is the only fault then: the rest would follow from it."""
    missing = [
        text.error(f"missing section {section}")
        for key, section in _SECTIONS.items()
        if not tree.get(key) or (key == "nodes" and not ({"master", "slaves"} <= tree[key].keys()))
    ]
    return missing or [fault for rule in _RULES for fault in rule(tree, text)]


_SECTIONS = {
    "protocol_version": "LIN_protocol_version",
    "language_version": "LIN_language_version",
    "speed": "LIN_speed",
    "nodes": "Nodes with Master and Slaves",
    "signals": "Signals",
    "frames": "Frames",
    "node_attributes": "Node_attributes",
    "schedule_tables": "Schedule_tables",
}


def frame_length(frame: Mapping[str, Any]) -> int:
    """Payload bytes of a frame; up to LIN 2.0 the length may be left out and follows from the id."""
    return int(frame["length"]) if frame["length"] is not None else _IMPLICIT_LENGTH[(frame["frame_id"] >> 4) & 3]


def signals_of(tree: Tree) -> dict[str, Mapping[str, Any]]:
    """Signals by name, the first of each name."""
    return {signal["name"]: signal for signal in reversed(tree["signals"])}


def _header(tree: Tree, text: LdfText) -> Iterator[FileError]:
    for key in ("protocol_version", "language_version"):
        if tree[key] not in _VERSIONS:
            yield text.error(f"LIN version {str(tree[key])!r} is not supported; {one_of(_VERSIONS)}", f"LIN_{key}")
    if not 1000 <= tree["speed"] <= 20000:  # LIN 2.1 §6
        yield text.error(f"{tree['speed']} bit/s; LIN has 1 to 20 kbit/s", "LIN_speed")
    if tree.get("endianness") == "big":
        yield text.error("big-endian signals are not supported", "LIN_sig_byte_order_big_endian")
    nodes = _nodes(tree)
    yield from _unique(nodes, "node", text, "Nodes")


def _once(tree: Tree, text: LdfText) -> Iterator[FileError]:
    """Of two sections or attributes of one name, the parser would take the later and forget the other."""
    for word, count in Counter(text.sections()).items():
        if word in _ONCE and count > 1:
            yield text.error(f"{word} is there {count} times", word, nth=1)
    for node in tree["node_attributes"]:
        for word in _ATTRIBUTES:
            if text.count("Node_attributes", node["name"], word) > 1:
                yield text.error(f"a second {word}", "Node_attributes", node["name"], word, nth=1)


_ONCE = (
    "LIN_protocol_version", "LIN_language_version", "LIN_speed", "Channel_name", "Nodes", "Signals",
    "Diagnostic_signals", "Frames", "Sporadic_frames", "Event_triggered_frames", "Diagnostic_frames", "Node_attributes",
    "Schedule_tables", "Signal_groups", "Signal_encoding_types", "Signal_representation",
)  # fmt: skip
_ATTRIBUTES = (
    "LIN_protocol", "configured_NAD", "initial_NAD", "product_id", "response_error", "P2_min", "ST_min", "N_As_timeout",
    "N_Cr_timeout", "configurable_frames",
)  # fmt: skip


def _nodes(tree: Tree) -> list[str]:
    return [tree["nodes"]["master"]["name"], *tree["nodes"]["slaves"]]


def _signals(tree: Tree, text: LdfText) -> Iterator[FileError]:
    nodes = _nodes(tree)
    yield from _unique([signal["name"] for signal in tree["signals"]], "signal", text, "Signals")
    for signal in tree["signals"]:
        name, width, initial = signal["name"], signal["width"], signal["init_value"]
        is_array = isinstance(initial, list)
        # LIN 2.1 §2.2.1 (from memory): scalars of 1 to 16 bits, byte arrays of 1 to 8 bytes.
        if is_array and width != 8 * len(initial):
            yield text.error(f"{name}: {len(initial)} initial bytes for {width} bits", "Signals", name)
        elif is_array and not 1 <= len(initial) <= 8:
            yield text.error(f"{name}: {len(initial)} bytes; a byte array has 1 to 8", "Signals", name)
        elif not is_array and not 1 <= width <= 16:
            yield text.error(f"{name}: {width} bits; a scalar signal has 1 to 16", "Signals", name)
        elif any(not 0 <= value < 1 << (8 if is_array else width) for value in (initial if is_array else [initial])):
            yield text.error(f"{name}: the initial value does not fit", "Signals", name)
        for node in (signal["publisher"], *signal["subscribers"]):
            if node not in nodes:
                yield text.error(f"{name}: {_unknown('node', node, nodes)}", "Signals", name)


def _frames(tree: Tree, text: LdfText) -> Iterator[FileError]:
    frames, signals = tree["frames"], signals_of(tree)
    yield from _unique([frame["name"] for frame in frames], "frame", text, "Frames")
    yield from _frame_ids(tree, text)
    for frame in frames:
        name, length = frame["name"], frame_length(frame)
        if frame["length"] is None and tree["language_version"] != "2.0":
            yield text.error(f"{name}: no length; only LIN 2.0 and older leave it out", "Frames", name)
        if not 1 <= length <= 8:
            yield text.error(f"{name}: {length} bytes; a frame has 1 to 8", "Frames", name)
        if frame["publisher"] not in _nodes(tree):
            yield text.error(f"{name}: {_unknown('node', frame['publisher'], _nodes(tree))}", "Frames", name)
        taken: dict[int, str] = {}
        for entry in frame["signals"]:
            if (signal := signals.get(entry["signal"])) is None:
                yield text.error(_unknown("signal", entry["signal"], signals), "Frames", name, entry["signal"])
                continue
            yield from _placing(frame, entry["offset"], signal, taken, text)


def _placing(
    frame: Mapping[str, Any], offset: int, signal: Mapping[str, Any], taken: dict[int, str], text: LdfText
) -> Iterator[FileError]:
    """One signal in one frame; ``taken`` says which bits earlier signals have, and is brought up to date."""
    place = ("Frames", frame["name"], signal["name"])
    bits = range(offset, offset + signal["width"])
    if offset < 0 or bits.stop > 8 * frame_length(frame):
        yield text.error(f"{signal['name']}: bits {offset} to {bits.stop - 1} are not all in the frame", *place)
        return
    if signal["name"] in taken.values():
        yield text.error(f"{signal['name']} is there twice", *place, nth=1)
    elif overlapped := sorted({taken[bit] for bit in bits if bit in taken}):
        yield text.error(f"{signal['name']} overlaps {', '.join(overlapped)}", *place)
    taken.update(dict.fromkeys(bits, signal["name"]))
    if signal["publisher"] != frame["publisher"]:
        message = f"{signal['name']} is published by {signal['publisher']}, the frame by {frame['publisher']}"
        yield text.error(message, *place)


def _frame_ids(tree: Tree, text: LdfText) -> Iterator[FileError]:
    events = tree.get("event_triggered_frames") or []
    owners: dict[int, str] = {}
    for section, frames in (("Frames", tree["frames"]), ("Event_triggered_frames", events)):
        for frame in frames:
            name, number = frame["name"], frame["frame_id"]
            if not 0 <= number < 0x40:
                yield text.error(f"{name}: id {number:#x} is no 6-bit id", section, name)
            elif number >= _FIRST_RESERVED:
                message = f"{name}: id 0x{number:02X} is reserved; signal frames have 0x00 to 0x3B"
                yield text.error(message, section, name)
            elif number in owners:
                yield text.error(f"{name}: id 0x{number:02X} is that of {owners[number]} already", section, name)
            owners.setdefault(number, name)
    wanted = {"MasterReq": _MASTER_REQUEST, "SlaveResp": _SLAVE_RESPONSE}
    for frame in tree.get("diagnostic_frames") or []:
        name, number = frame["name"], frame["frame_id"]
        if wanted.get(name) != number:
            message = f"{name} with id 0x{number:02X}; the diagnostic frames are MasterReq 0x3C and SlaveResp 0x3D"
            yield text.error(message, "Diagnostic_frames", name)


def _groups(tree: Tree, text: LdfText) -> Iterator[FileError]:
    """Sporadic and event-triggered frames name unconditional ones."""
    frames = {frame["name"] for frame in tree["frames"]}
    for key in ("sporadic_frames", "event_triggered_frames"):
        for group in tree.get(key) or []:
            for name in group["frames"]:
                if name not in frames:
                    yield text.error(_unknown("frame", name, frames), key.capitalize(), group["name"])


def _attributes(tree: Tree, text: LdfText) -> Iterator[FileError]:
    slaves = tree["nodes"]["slaves"]
    described = [node["name"] for node in tree["node_attributes"]]
    yield from _unique(described, "node", text, "Node_attributes")
    for name in sorted(set(slaves) - set(described)):
        yield text.error(f"slave {name} has no Node_attributes", "Nodes", name)
    for node in tree["node_attributes"]:
        if node["name"] not in slaves:
            yield text.error(_unknown("slave", node["name"], slaves), "Node_attributes", node["name"])
            continue
        yield from _node_numbers(node, text)
        yield from _response_error(node, tree, text)
        frames = _frame_names(tree)
        for name in node.get("configurable_frames") or []:
            if name not in frames:
                message = _unknown("frame", name, frames)
                yield text.error(message, "Node_attributes", node["name"], "configurable_frames", name)


def _node_numbers(node: Mapping[str, Any], text: LdfText) -> Iterator[FileError]:
    place = ("Node_attributes", node["name"])
    if node.get("lin_protocol") not in _VERSIONS:  # a LIN 1.x node takes the classic checksum and has no diagnostics
        message = f"LIN_protocol {str(node.get('lin_protocol'))!r} is not supported; {one_of(_VERSIONS)}"
        yield text.error(message, *place, "LIN_protocol")
    if node.get("configured_nad") is None:
        yield text.error(f"{node['name']} has no configured_NAD", *place)
    for key, word in (("configured_nad", "configured_NAD"), ("initial_nad", "initial_NAD")):
        if node.get(key) is not None and not 1 <= node[key] <= 0x7D:  # LIN 2.1 §4.2.3.2
            yield text.error(f"{word} 0x{node[key]:02X}; a slave has 0x01 to 0x7D", *place, word)
    if (product := node.get("product_id")) is None:
        yield text.error(f"{node['name']} has no product_id", *place)
    # LIN 2.1 §4.2: 0x7FFF and 0xFFFF are wildcards of requests, so no node has them.
    elif not (
        0 <= product["supplier_id"] < 0x7FFF
        and 0 <= product["function_id"] < 0xFFFF
        and 0 <= product["variant"] <= 0xFF
    ):
        message = "product_id out of range: supplier 0 to 0x7FFE, function 0 to 0xFFFE, variant 0 to 0xFF"
        yield text.error(message, *place, "product_id")
    for key in ("P2_min", "ST_min", "N_As_timeout", "N_Cr_timeout"):
        if node.get(key, 0) < 0:
            yield text.error(f"{key} is negative", *place, key)


def _response_error(node: Mapping[str, Any], tree: Tree, text: LdfText) -> Iterator[FileError]:
    """LIN 2.1 §2.7.3: each slave publishes a one-bit response_error in an unconditional frame."""
    place, signals = ("Node_attributes", node["name"]), signals_of(tree)
    if (name := node.get("response_error")) is None:
        yield text.error(f"{node['name']} has no response_error", *place)
    elif name not in signals:
        yield text.error(_unknown("signal", name, signals), *place, "response_error")
    elif signals[name]["width"] != 1:
        yield text.error(f"response_error {name} has {signals[name]['width']} bits, not 1", *place, "response_error")
    elif not any(
        frame["publisher"] == node["name"] and any(entry["signal"] == name for entry in frame["signals"])
        for frame in tree["frames"]
    ):
        message = f"response_error {name} is in no unconditional frame that {node['name']} publishes"
        yield text.error(message, *place, "response_error")


def _schedules(tree: Tree, text: LdfText) -> Iterator[FileError]:
    tables, names, lengths = tree["schedule_tables"], _frame_names(tree), _slot_lengths(tree)
    jitter = tree["nodes"]["master"]["jitter"]
    yield from _unique([table["name"] for table in tables], "schedule table", text, "Schedule_tables")
    for table in tables:
        seen: Counter[str] = Counter()
        for entry in table["schedule"]:
            word = _ENTRY_WORDS.get(entry["command"]["type"]) or entry["command"]["frame"]
            place, nth = ("Schedule_tables", table["name"], word), seen[word]
            seen[word] += 1
            if word not in names and entry["command"]["type"] == "frame":
                yield text.error(_unknown("frame", word, names), *place, nth=nth)
                continue
            # LIN 2.1 §2.4.2: a slot is longer than jitter and longest frame; 1.4 * (34 + 10 * (N + 1)) bits, §2.3.2.
            least = jitter + 1.4 * (34 + 10 * (lengths.get(word, 8) + 1)) / tree["speed"]
            if entry["delay"] < least:
                message = (
                    f"{word}: {entry['delay'] * 1e3:g} ms is too short; the frame takes up to {least * 1e3:.2f} ms"
                )
                yield text.error(message, *place, nth=nth)


_ENTRY_WORDS = {
    "master_request": "MasterReq",
    "slave_response": "SlaveResp",
    "assign_nad": "AssignNAD",
    "conditional_change_nad": "ConditionalChangeNAD",
    "data_dump": "DataDump",
    "save_configuration": "SaveConfiguration",
    "assign_frame_id": "AssignFrameId",
    "unassign_frame_id": "UnassignFrameId",
    "assign_frame_id_range": "AssignFrameIdRange",
    "free_format": "FreeFormat",
}


def _slot_lengths(tree: Tree) -> dict[str, int]:
    lengths = {frame["name"]: frame_length(frame) for frame in tree["frames"]}
    for key in ("sporadic_frames", "event_triggered_frames"):
        for group in tree.get(key) or []:
            lengths[group["name"]] = max((lengths.get(name, 8) for name in group["frames"]), default=8)
    return lengths


def _frame_names(tree: Tree) -> set[str]:
    return set(_slot_lengths(tree)) | {frame["name"] for frame in tree.get("diagnostic_frames") or []}


def _encodings(tree: Tree, text: LdfText) -> Iterator[FileError]:
    types = tree.get("signal_encoding_types") or []
    yield from _unique([kind["name"] for kind in types], "encoding", text, "Signal_encoding_types")
    for kind in types:
        for part in (part for part in kind["values"] if part["type"] == "physical"):
            if part["min"] > part["max"] or part["scale"] == 0:
                message = (
                    f"{kind['name']}: physical values from {part['min']} to {part['max']}, scale {part['scale']:g}"
                )
                yield text.error(message, "Signal_encoding_types", kind["name"])
        logical = [str(part["value"]) for part in kind["values"] if part["type"] == "logical"]
        for value in (value for value, count in Counter(logical).items() if count > 1):
            yield text.error(f"{kind['name']}: two meanings of {value}", "Signal_encoding_types", kind["name"])


def _representations(tree: Tree, text: LdfText) -> Iterator[FileError]:
    types = {kind["name"]: kind["values"] for kind in tree.get("signal_encoding_types") or []}
    signals, seen = signals_of(tree), set[str]()
    for line in tree.get("signal_representations") or []:
        place = ("Signal_representation", line["encoding"])
        if line["encoding"] not in types:
            yield text.error(_unknown("encoding", line["encoding"], types), *place)
            continue
        highest = max((part["max" if part["type"] == "physical" else "value"] for part in types[line["encoding"]]
                       if part["type"] in ("physical", "logical")), default=0)  # fmt: skip
        for name in line["signals"]:
            if name not in signals:
                yield text.error(_unknown("signal", name, signals), *place[:1], name)
            elif name in seen:
                yield text.error(f"{name} has an encoding already", *place[:1], name, nth=1)
            elif highest >= 1 << signals[name]["width"]:
                message = f"{line['encoding']} goes to {highest}, {name} has {signals[name]['width']} bits"
                yield text.error(message, *place[:1], name)
            seen.add(name)


def _unique(names: Iterable[str], what: str, text: LdfText, section: str) -> Iterator[FileError]:
    for name, count in Counter(names).items():
        if count > 1:
            yield text.error(f"{what} {name} is defined {count} times", section, name, nth=1)


def _unknown(what: str, name: str, known: Iterable[str]) -> str:
    return f"unknown {what} {str(name)!r}{close_match(name, known)}"


_RULES: tuple[Callable[[Tree, LdfText], Iterator[FileError]], ...] = (
    _header, _once, _signals, _frames, _groups, _attributes, _schedules, _encodings, _representations,
)  # fmt: skip
