"""YAML text to plain nodes that know where they stand, so that every complaint names file, line and column.

YAML is read as data and nothing else: every scalar stays text (no implicit types, so `no`, `010` and `1:30` mean what
they say), and what could make a file mean something else than it shows is refused: duplicate keys, tags, anchors,
aliases (with them the expansion bombs), merge keys, a second document, deep nesting, large files.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import yaml

SIZE_LIMIT = 1_000_000
"""Bytes of one file; the largest plan a person writes is a hundredth of it."""
_FORBIDDEN = re.compile("[^\t\n\r\x20-\x7e\x85\xa0-\ud7ff\ue000-\ufefe\uff00-\ufffd\U00010000-\U0010ffff]")
"""What YAML 1.1 §5.1 does not call printable, and the byte order mark anywhere but at the start."""
_DEPTH_LIMIT = 30  # no model nests deeper than ten; libyaml itself would go on until the stack ends
_ERROR_LIMIT = 50  # a thousand lines help nobody


@dataclass(frozen=True, order=True)
class Mark:
    """A place in a file; line and column count from 1."""

    path: str
    line: int
    column: int

    def __str__(self) -> str:
        return f"{_printable(self.path)}:{self.line}:{self.column}"


@dataclass(frozen=True, order=True)
class FileError:
    """One thing that is wrong in a file, where it is, in plain words."""

    mark: Mark
    message: str

    def __str__(self) -> str:
        return f"{self.mark}: {_printable(self.message)}"


class FileErrors(Exception):
    """Everything that is wrong with a file and the files it names: sorted, one line each.

    Example scenarios: no such file; not YAML; an unknown key; a value outside its limits.
    """

    def __init__(self, errors: Iterable[FileError]) -> None:
        self.errors = tuple(sorted(set(errors)))
        super().__init__(self.errors)

    def __str__(self) -> str:
        lines = [str(error) for error in self.errors[:_ERROR_LIMIT]]
        if len(self.errors) > _ERROR_LIMIT:
            lines.append(f"... and {len(self.errors) - _ERROR_LIMIT} more")
        return "\n".join(lines)


@dataclass(frozen=True)
class Scalar:
    """A text. ``quoted`` tells '' from a value left out; ``given`` is where a parameter used at ``mark`` got it."""

    mark: Mark
    text: str
    quoted: bool
    given: Mark | None = None


@dataclass(frozen=True)
class ListNode:
    """A list of nodes."""

    mark: Mark
    items: list[Node] = field(default_factory=list)


@dataclass(frozen=True)
class MapNode:
    """Keys with their nodes, in order; a duplicate key is reported and its first value kept."""

    mark: Mark
    items: dict[str, tuple[Scalar, Node]] = field(default_factory=dict)


Node = Scalar | ListNode | MapNode


@dataclass(frozen=True)
class Document:
    """One YAML file: its text, its root node, the SHA-256 of its bytes, and what its form already got wrong."""

    path: Path
    text: str
    root: Node
    digest: str
    errors: tuple[FileError, ...]

    def mark(self, location: Sequence[str | int], key: bool = False) -> Mark:
        """Where the value at ``location`` stands, or its key; the deepest place known where the rest is missing.

        A part of ``location`` that the document does not have is passed over: models name things that files do not.
        """
        return self._at(location, key).mark

    def given(self, location: Sequence[str | int], key: bool = False) -> Mark | None:
        """Where the value (or key) at ``location`` was given, if it is that of a parameter."""
        node = self._at(location, key)
        return node.given if isinstance(node, Scalar) else None

    def _at(self, location: Sequence[str | int], key: bool) -> Node:
        key_node = node = self.root
        for part in location:
            if isinstance(node, MapNode) and isinstance(part, str) and part in node.items:
                key_node, node = node.items[part]
            elif isinstance(node, ListNode) and isinstance(part, int) and 0 <= part < len(node.items):
                key_node = node = node.items[part]
        return key_node if key else node

    def data(self) -> Any:
        """The document as dict, list, str and None (a value left out)."""
        return _data(self.root)


def read(path: Path) -> tuple[str, str]:
    """Text of a file and SHA-256 of its bytes. Raises FileErrors: missing, unreadable, too large, not UTF-8."""
    here = Mark(str(path), 1, 1)
    try:
        if path.exists() and not path.is_file():
            raise FileErrors([FileError(here, "not a file")])
        with path.open("rb") as stream:
            content = stream.read(SIZE_LIMIT + 1)
    except FileNotFoundError:
        raise FileErrors([FileError(here, "no such file")]) from None
    except OSError as error:
        raise FileErrors([FileError(here, f"cannot be read: {error.strerror}")]) from None
    if len(content) > SIZE_LIMIT:
        raise FileErrors([FileError(here, f"larger than {SIZE_LIMIT} bytes")])
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        mark = mark_at(path, content[: error.start].decode("utf-8", "replace"), error.start)
        raise FileErrors([FileError(mark, f"byte 0x{content[error.start]:02X} is not UTF-8")]) from None
    return text, hashlib.sha256(content).hexdigest()


def mark_at(path: Path, text: str, index: int) -> Mark:
    """The place of character ``index`` of ``text``."""
    before = text[:index]
    return Mark(str(path), before.count("\n") + 1, len(before) - before.rfind("\n"))


def compose(path: Path) -> Document:
    """Read a YAML file. Raises FileErrors where there is no document to speak of; lesser faults are in ``errors``."""
    text, digest = read(path)
    if forbidden := _FORBIDDEN.search(text):  # libyaml would refuse it without saying where
        mark = mark_at(path, text, forbidden.start())
        raise FileErrors([FileError(mark, f"character U+{ord(forbidden[0]):04X} is not allowed in YAML")])
    composer = _Composer(str(path))
    try:
        root = composer.document(yaml.parse(text, Loader=yaml.CSafeLoader))
    except yaml.MarkedYAMLError as error:
        at = error.problem_mark or error.context_mark
        mark = Mark(str(path), at.line + 1, at.column + 1) if at else Mark(str(path), 1, 1)
        raise FileErrors([*composer.errors, FileError(mark, f"not YAML: {error.problem}")]) from None
    return Document(path, text, root, digest, tuple(composer.errors))


class _Composer:
    """Events to nodes, without recursion: libyaml's own composer follows a deep file until the stack ends."""

    def __init__(self, path: str) -> None:
        self._path = path
        self.errors: list[FileError] = []

    def document(self, events: Iterator[yaml.Event]) -> Node:
        """The only document's root. Raises FileErrors for none or several, and for too deep nesting."""
        root: Node | None = None
        open_nodes: list[ListNode | MapNode] = []
        keys: list[Scalar | None] = []  # one an open node: the key that waits for its value
        for event in events:
            if isinstance(event, yaml.DocumentStartEvent) and root is not None:
                raise FileErrors([*self.errors, FileError(self._mark(event), "a second document; want one a file")])
            if isinstance(event, yaml.CollectionEndEvent):
                open_nodes.pop()
                keys.pop()
            if not isinstance(event, yaml.NodeEvent):
                continue
            node = self._node(event)
            if open_nodes:
                keys[-1] = self._place(node, open_nodes[-1], keys[-1])
            elif root is None:
                root = node
            if not isinstance(node, Scalar):
                open_nodes.append(node)
                keys.append(None)
            if len(open_nodes) > _DEPTH_LIMIT:
                raise FileErrors([*self.errors, FileError(node.mark, f"nested deeper than {_DEPTH_LIMIT} levels")])
        if root is None:
            raise FileErrors([FileError(Mark(self._path, 1, 1), "the file is empty")])
        return root

    def _node(self, event: yaml.NodeEvent) -> Node:
        mark = self._mark(event)
        if isinstance(event, yaml.AliasEvent):
            self._refuse(mark, f"alias *{event.anchor}: aliases are not used here; write the value out")
            return Scalar(mark, "", quoted=False)
        if event.anchor is not None:
            self._refuse(mark, f"anchor &{event.anchor}: anchors are not used here; write each value out")
        if isinstance(event, yaml.ScalarEvent | yaml.CollectionStartEvent) and event.tag is not None:
            self._refuse(mark, f"tag {event.tag}: tags are not used here")
        if isinstance(event, yaml.ScalarEvent):
            return Scalar(mark, event.value, quoted=bool(event.style))  # '' or None: plain
        return ListNode(mark) if isinstance(event, yaml.SequenceStartEvent) else MapNode(mark)

    def _place(self, node: Node, parent: ListNode | MapNode, key: Scalar | None) -> Scalar | None:
        """Put ``node`` into ``parent``; returns the key that now waits for a value."""
        if isinstance(parent, ListNode):
            parent.items.append(node)
            return None
        if key is None:
            if isinstance(node, Scalar):
                return node
            self._refuse(node.mark, "a key must be a word, not a list or a map")
            return Scalar(node.mark, "", quoted=True)
        if key.text == "<<":
            self._refuse(key.mark, "merge key <<: merging is not used here; write each value out")
        elif key.text in parent.items:
            first = parent.items[key.text][0].mark.line
            self._refuse(key.mark, f"duplicate key {key.text!r}; the first is in line {first}")
        else:
            parent.items[key.text] = (key, node)
        return None

    def _refuse(self, mark: Mark, message: str) -> None:
        self.errors.append(FileError(mark, message))

    def _mark(self, event: yaml.Event) -> Mark:
        assert event.start_mark is not None
        return Mark(self._path, event.start_mark.line + 1, event.start_mark.column + 1)


def _data(node: Node) -> Any:
    if isinstance(node, MapNode):
        return {key: _data(value) for key, (_, value) in node.items.items()}
    if isinstance(node, ListNode):
        return [_data(item) for item in node.items]
    return node.text if node.text or node.quoted else None


def _printable(text: str) -> str:
    """``text`` on one line, with control characters written out: a file's words must not steer a terminal."""
    return "".join(char if char.isprintable() else char.encode("unicode_escape").decode() for char in text)
