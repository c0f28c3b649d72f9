"""A LIN description file to what the project needs of it: the grammar is ldfparser's, the judgement is ours.

ldfparser stops at its first complaint, gives few of them a line, and lets pass what no cluster survives (two frames
with one id, a signal frame on a diagnostic id, no response_error). So only its syntax tree is used; everything that it
means is checked here, all faults at once. Its import and a parse cost 100 ms: results are kept by digest, as JSON.
"""

from __future__ import annotations

import functools
import hashlib
import os
import tempfile
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from importlib.metadata import version
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter, ValidationError

from harness.files import ldf_check
from harness.files.ldf_check import check, frame_length, signals_of
from harness.files.ldf_text import LdfText
from harness.files.load import close_match, one_of
from harness.files.marks import FileError, FileErrors, Mark, read
from protocol import device, signals
from protocol.device import NodeDescription
from protocol.signals import FrameLayout, PhysicalRange, Signal, SignalEncoding


@dataclass(frozen=True)
class LdfNode:
    """One slave of an LDF: its description, and of its Node_attributes what goes elsewhere in a Device."""

    digest: str  # SHA-256 of the LDF
    description: NodeDescription
    supplier_id: int
    function_id: int
    variant: int
    response_error: str
    st_min_ns: int
    n_as_ns: int
    n_cr_ns: int


class UnknownSlave(LookupError):
    """The LDF is in order and has no such slave; ``known`` are those that it has."""

    def __init__(self, name: str, known: Sequence[str]) -> None:
        self.known = known
        super().__init__(f"no slave {name!r}; {one_of(known)}{close_match(name, known)}")


def load_node(path: Path | str, node_name: str) -> LdfNode:
    """The slave ``node_name`` of an LDF. Raises FileErrors with all that is wrong with the file, and UnknownSlave.

    Schedule tables with entries other than unconditional frames and the two diagnostic frames are left out.
    """
    text, digest = read(Path(path))
    return _cached(Path(path), text, digest, node_name)


@functools.lru_cache(maxsize=32)
def _cached(path: Path, text: str, digest: str, node_name: str) -> LdfNode:
    stored = _cache_file(digest, node_name)
    if stored is not None:
        try:
            return _ADAPTER().validate_json(stored.read_bytes())
        except (OSError, ValidationError):
            pass  # not there yet, or not what it should be: made anew below
    node = _fresh(path, LdfText(path, text), digest, node_name)
    if stored is not None:
        _store(stored, _ADAPTER().dump_json(node))
    return node


def _fresh(path: Path, text: LdfText, digest: str, node_name: str) -> LdfNode:
    tree = _parse(path)
    if faults := check(tree, text):
        raise FileErrors(faults)
    slaves = [str(name) for name in tree["nodes"]["slaves"]]
    if node_name not in slaves:
        raise UnknownSlave(node_name, slaves)
    return _build(tree, digest, node_name)


@functools.cache
def _ADAPTER() -> TypeAdapter[LdfNode]:  # noqa: N802 (a constant that costs some ms to make)
    return TypeAdapter(LdfNode)


def _cache_file(digest: str, node_name: str) -> Path | None:
    """Named after all that the content depends on, this source included, so that no old entry is ever believed."""
    try:
        root = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")
    except RuntimeError:  # a user without a home: nothing is kept
        return None
    folder = root / "breakerbench" / "ldf"
    return folder / f"{hashlib.sha256(f'{digest} {node_name} {_rules_digest()}'.encode()).hexdigest()}.json"


@functools.cache
def _rules_digest() -> str:
    """Of everything that turns an LDF's bytes into an LdfNode."""
    sources = (__file__, ldf_check.__file__, device.__file__, signals.__file__)
    digest = hashlib.sha256(version("ldfparser").encode())
    for source in sources:
        digest.update(Path(source).read_bytes())
    return digest.hexdigest()


def _store(file: Path, content: bytes) -> None:
    """Write beside and rename, so that a reader sees all or nothing. A cache that cannot be written is no error."""
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.NamedTemporaryFile(dir=file.parent, delete=False) as stream:
            stream.write(content)
        os.replace(stream.name, file)
    except OSError:
        pass


def _parse(path: Path) -> Mapping[str, Any]:
    from lark.exceptions import LarkError, UnexpectedInput
    from ldfparser.parser import parse_ldf_to_dict

    try:
        tree: Mapping[str, Any] = parse_ldf_to_dict(str(path), encoding="utf-8-sig")
    except UnexpectedInput as error:
        line, column = max(error.line, 1), max(error.column, 1)
        raise FileErrors([FileError(Mark(str(path), line, column), f"not LDF: {_unexpected(error)}")]) from None
    except (LarkError, ValueError, ArithmeticError, LookupError, TypeError) as error:
        raise FileErrors([FileError(Mark(str(path), 1, 1), f"not LDF: {error}")]) from None
    return tree


def _unexpected(error: Any) -> str:
    """What the parser found, and the mark it wanted where it wanted one of few."""
    token = getattr(error, "token", None) or getattr(error, "char", "")
    found = "the end of the file" if getattr(token, "type", "") == "$END" or not token else repr(str(token))
    wanted = (
        getattr(error, "accepts", None) or getattr(error, "expected", None) or getattr(error, "allowed", None) or ()
    )
    marks = [_PUNCTUATION[name] for name in sorted(wanted) if name in _PUNCTUATION]
    return f"{found} is not expected here" + (f"; want {' or '.join(marks)}" if marks else "")


_PUNCTUATION = {"SEMICOLON": "';'", "COMMA": "','", "COLON": "':'", "LBRACE": "'{'", "RBRACE": "'}'", "EQUAL": "'='"}


def _build(tree: Mapping[str, Any], digest: str, node_name: str) -> LdfNode:
    attributes = next(node for node in tree["node_attributes"] if node["name"] == node_name)
    product, configured = attributes["product_id"], attributes["configured_nad"]
    encodings = {name: _encoding(tree, line["encoding"]) for line in tree.get("signal_representations") or []
                 for name in line["signals"]}  # fmt: skip
    frames = {str(frame["name"]): _frame(tree, frame, encodings) for frame in tree["frames"]}
    description = NodeDescription(
        name=node_name,
        bit_rate=tree["speed"],
        configured_nad=configured,
        initial_nad=attributes.get("initial_nad", configured),
        frames=frames,
        configurable_frames=tuple(str(name) for name in attributes.get("configurable_frames") or ()),
        schedules=dict(_schedules(tree, frames.keys())),
        master=str(tree["nodes"]["master"]["name"]),
    )
    return LdfNode(
        digest=digest,
        description=description,
        supplier_id=product["supplier_id"],
        function_id=product["function_id"],
        variant=product["variant"],
        response_error=str(attributes["response_error"]),
        # Where an attribute is left out: LIN 2.1 §9.2.2.2, 0 ms and 1000 ms.
        st_min_ns=_ns(attributes.get("ST_min", 0)),
        n_as_ns=_ns(attributes.get("N_As_timeout", 1)),
        n_cr_ns=_ns(attributes.get("N_Cr_timeout", 1)),
    )


def _frame(tree: Mapping[str, Any], frame: Mapping[str, Any], encodings: Mapping[str, SignalEncoding]) -> FrameLayout:
    known = signals_of(tree)
    return FrameLayout(
        name=str(frame["name"]),
        frame_id=frame["frame_id"],
        length=frame_length(frame),
        publisher=str(frame["publisher"]),
        signals=tuple(
            Signal(
                name=str(entry["signal"]),
                offset=entry["offset"],
                width=known[entry["signal"]]["width"],
                initial=_initial(known[entry["signal"]]["init_value"]),
                encoding=encodings.get(entry["signal"], SignalEncoding()),
            )
            for entry in sorted(frame["signals"], key=lambda entry: int(entry["offset"]))
        ),
    )


def _initial(value: int | list[int]) -> int:
    """An array's first item is the lowest byte, as ldfparser has it."""
    return int.from_bytes(value, "little") if isinstance(value, list) else value


def _encoding(tree: Mapping[str, Any], name: str) -> SignalEncoding:
    """Physical and logical values; bcd and ascii ones have no meaning here."""
    values = next(kind["values"] for kind in tree["signal_encoding_types"] if kind["name"] == name)
    return SignalEncoding(
        physical=tuple(
            # repr: the shortest decimal, which is what the file says; the binary value is not.
            PhysicalRange(part["min"], part["max"], Fraction(repr(part["scale"])), Fraction(repr(part["offset"])),
                          str(part["unit"] or ""))
            for part in values if part["type"] == "physical"
        ),
        logical={part["value"]: str(part["text"] or "") for part in values if part["type"] == "logical"},
    )  # fmt: skip


def _schedules(tree: Mapping[str, Any], frames: Collection[str]) -> Iterator[tuple[str, tuple[tuple[str, int], ...]]]:
    names = {"master_request": "MasterReq", "slave_response": "SlaveResp"}
    for table in tree["schedule_tables"]:
        entries = [
            (names.get(entry["command"]["type"]) or str(entry["command"].get("frame")), _ns(entry["delay"]))
            for entry in table["schedule"]
        ]
        if all(name in frames or name in names.values() for name, _ in entries):
            yield str(table["name"]), tuple(entries)


def _ns(seconds: float) -> int:
    return round(seconds * 1e9)
