"""A plan as it is written to its plain list of steps: parameters, loops and fragments are worked out here.

It works on nodes, before any model sees them, so that every value keeps the place where it is used, and remembers the
place where it was given. What comes out is bounded, whatever a file asks for.
"""

from __future__ import annotations

import hashlib
import itertools
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Literal

from harness.files.load import close_match, one_of
from harness.files.marks import Document, FileError, FileErrors, ListNode, MapNode, Mark, Node, Scalar
from harness.files.scalars import is_name
from harness.plan.fragment import Fragment, find_fragment, load_fragment

Section = Literal["preconditions", "steps", "clean_up"]
SECTIONS: Mapping[Section, str] = {"preconditions": "precondition_", "steps": "", "clean_up": "clean_up_"}
"""Sections of a plan in the order in which they are run, and what the name of an unnamed step in each begins with."""
EXPANSIONS = ("for_each", "include")
"""Entries of a list of steps that are no steps."""
STEP_LIMIT = 2000
"""Steps of one plan, worked out; at a second each it would run for half an hour."""
_NODE_LIMIT = 400_000  # of what is worked out: a plan of large steps in a loop must not fill the memory
_DEPTH_LIMIT = 20  # fragments in fragments


@dataclass(frozen=True)
class Written:
    """Where a step comes from: its name, and the loops and includes that it stands in, outermost first."""

    name: str | None  # None: the entry is no step; its model says why
    via: tuple[Mark, ...]


@dataclass(frozen=True)
class Expansion:
    """A plan without loops, fragments and parameters in its steps. ``written`` goes with the lists in ``document``."""

    document: Document
    written: Mapping[Section, tuple[Written, ...]]


def expand(document: Document) -> Expansion:
    """Work a plan out. What is wrong is in the errors of the new document, beside those of the old.

    Raises FileErrors where the plan would become too large.
    """
    root = document.root
    assert isinstance(root, MapNode)
    expander = _Expander(document)
    scope = expander.parameters(root)
    items, written, nothing_left = dict(root.items), {}, False
    for section in SECTIONS:
        key, entries = items.get(section, (None, None))
        if key is None or not isinstance(entries, ListNode):
            continue
        found = list(expander.steps(entries, _Place(scope, _Names(SECTIONS[section]))))
        items[section] = key, ListNode(entries.mark, [node for node, _ in found])
        written[section] = tuple(where for _, where in found)
        nothing_left = nothing_left or (bool(entries.items) and not found)
    if nothing_left:  # for the models to see; that there is no step would not be the file's fault
        raise FileErrors([*document.errors, *expander.errors])
    new = replace(
        document,
        root=MapNode(root.mark, items),
        digest=expander.digest,
        errors=(*document.errors, *dict.fromkeys(expander.errors)),
    )
    return Expansion(new, written)


class _Names:
    """Names of the steps of one list, each the same in every turn of a loop."""

    def __init__(self, first: str, prefix: str = "") -> None:
        self._first, self._prefix = first, prefix
        self._counts: Counter[str] = Counter()
        self._known: dict[Mark, str] = {}

    def of(self, entry: Node, word: str, own: str | None) -> str:
        """Name of an entry: its ``own``, or ``word`` with a number."""
        if entry.mark not in self._known:
            self._counts[word] += 1
            self._known[entry.mark] = f"{self._first}{word}_{self._counts[word]}"
        return self._prefix + (own or self._known[entry.mark])


@dataclass(frozen=True)
class _Place:
    """Where an entry stands: what its parameters mean there, and what its name is made of."""

    scope: Mapping[str, Node]
    names: _Names
    turns: tuple[tuple[str, str], ...] = ()  # of the loops around it: name, value
    via: tuple[Mark, ...] = ()
    fragments: tuple[Path, ...] = ()

    @property
    def suffix(self) -> str:
        return f"[{', '.join(f'{name}={value}' for name, value in self.turns)}]" if self.turns else ""


Steps = Iterator[tuple[Node, Written]]


@dataclass
class _Expander:
    document: Document
    errors: list[FileError] = field(default_factory=list)
    _loaded: dict[Path, Fragment | None] = field(default_factory=dict)
    _steps: int = 0
    _turns: int = 0
    _nodes: int = 0

    @property
    def digest(self) -> str:
        """That of the plan's file, or of it and its fragments."""
        parts = [fragment.document.digest for fragment in self._loaded.values() if fragment is not None]
        if not parts:
            return self.document.digest
        return hashlib.sha256(" ".join([self.document.digest, *parts]).encode()).hexdigest()

    def parameters(self, root: MapNode) -> dict[str, Node]:
        """Those of a plan or a fragment, by name; the model of the file says what is wrong with their form."""
        node = root.items["parameters"][1] if "parameters" in root.items else None
        if not isinstance(node, MapNode):
            return {}
        values = {name: value for name, (_, value) in node.items.items()}
        for name, value in values.items():
            if any(_parameter(scalar) for scalar in _scalars(value)):
                self._wrong(value.mark, f"parameter {name!r}: want a value, not another parameter")
        return values

    def steps(self, entries: ListNode, place: _Place) -> Steps:
        """The steps that a list comes to."""
        for entry in entries.items:
            kind, body = _entry(entry)
            if kind == "for_each":
                yield from self._for_each(entry, body, place)
            elif kind == "include":
                yield from self._include(entry, body, place)
            else:
                yield self._step(entry, kind, place)

    def _step(self, entry: Node, kind: str | None, place: _Place) -> tuple[Node, Written]:
        self._steps += 1
        if self._steps > STEP_LIMIT:
            self._too_large(place.via[0] if place.via else entry.mark, f"{STEP_LIMIT} steps")
        node = self._replaced(entry, place.scope)
        _, body = _entry(node)
        named = body.items.get("name", (None, None))[1] if isinstance(body, MapNode) else None
        own = named.text if isinstance(named, Scalar) else None
        name = None if kind is None else place.names.of(entry, kind, own) + place.suffix
        return node, Written(name, place.via)

    # Loops

    def _for_each(self, entry: Node, body: Node | None, place: _Place) -> Steps:
        parts = self._parts(entry, body, "for_each", ("over", "steps"))
        over, entries = parts.get("over"), parts.get("steps")
        ranges = self._ranges(over, place) if over is not None else None
        if entries is not None and not (isinstance(entries, ListNode) and entries.items):
            self._wrong(entries.mark, "for_each: want a list of one step or more")
            return
        if ranges is None or entries is None:
            return
        assert isinstance(entries, ListNode)
        for values in itertools.product(*ranges.values()):
            self._turns += 1
            if self._turns > STEP_LIMIT:
                self._too_large(entry.mark, f"{STEP_LIMIT} turns of loops")
            turn = dict(zip(ranges, values, strict=True))
            shown = tuple((name, _shown(value, ranges[name])) for name, value in turn.items())
            yield from self.steps(
                entries,
                replace(
                    place,
                    scope={**place.scope, **turn},
                    turns=(*place.turns, *shown),
                    via=(*place.via, entry.mark),
                ),
            )

    def _ranges(self, over: Node, place: _Place) -> dict[str, list[Node]] | None:
        if not isinstance(over, MapNode) or not over.items:
            self._wrong(over.mark, "for_each: want a name and its values, as in over: {current: [30 A, 60 A]}")
            return None
        ranges: dict[str, list[Node]] = {}
        before = len(self.errors)
        for name, (key, written) in over.items.items():
            values = self._replaced(written, place.scope)
            if not is_name(name):
                self._wrong(key.mark, f"{name!r}: want a name of lower-case letters, digits and _")
            if name in place.scope:
                self._wrong(key.mark, f"there is a parameter {name!r} already; want another name")
            if not isinstance(values, ListNode) or not values.items:
                self._wrong(written.mark, f"want a list of values for {name}")
                continue
            shown = Counter(value.text for value in values.items if isinstance(value, Scalar))
            for text, count in shown.items():
                if count > 1:
                    self._wrong(written.mark, f"{text} is there {count} times")
            ranges[name] = values.items
        return ranges if len(self.errors) == before else None

    # Fragments

    def _include(self, entry: Node, body: Node | None, place: _Place) -> Steps:
        parts = self._parts(entry, body, "include", ("fragment",), ("with", "name"))
        word = parts.get("fragment")
        if word is None:
            return
        word = self._replaced(word, place.scope)
        fragment = self._fragment(word, place) if isinstance(word, Scalar) else None
        if not isinstance(word, Scalar):
            self._wrong(word.mark, "want the name of a fragment")
        if fragment is None:
            return
        scope = self._arguments(fragment, parts.get("with"), entry, place)
        if scope is None:
            return
        own = parts.get("name")
        if own is not None and not (isinstance(own, Scalar) and is_name(own.text)):
            self._wrong(own.mark, "name: want a name of lower-case letters, digits and _")
            return
        name = place.names.of(entry, fragment.name, own.text if isinstance(own, Scalar) else None)
        yield from self.steps(
            fragment.steps,
            _Place(
                scope,
                _Names("", f"{name}."),
                place.turns,
                (*place.via, entry.mark),
                (*place.fragments, fragment.document.path),
            ),
        )

    def _fragment(self, word: Scalar, place: _Place) -> Fragment | None:
        try:
            path = find_fragment(self.document.path, word.text)
        except KeyError as error:
            self._wrong(word.mark, str(error.args[0]))
            return None
        if path in place.fragments:
            names = " -> ".join(part.stem for part in (*place.fragments[place.fragments.index(path) :], path))
            self._wrong(word.mark, f"fragment {word.text!r} would include itself: {names}")
            return None
        if len(place.fragments) >= _DEPTH_LIMIT:
            self._wrong(word.mark, f"fragments are included more than {_DEPTH_LIMIT} deep")
            return None
        if path not in self._loaded:
            self._loaded[path] = None
            try:
                self._loaded[path] = load_fragment(path)
            except FileErrors as found:
                self.errors += found.errors
        return self._loaded[path]

    def _arguments(self, fragment: Fragment, given: Node | None, entry: Node, place: _Place) -> dict[str, Node] | None:
        before = len(self.errors)
        scope = self.parameters(fragment.root)
        if given is not None and not isinstance(given, MapNode):
            self._wrong(given.mark, "with: want a map, parameter to value")
            return None
        for name, (key, value) in given.items.items() if given is not None else ():
            if name not in scope:
                message = f"fragment {fragment.name!r} has no parameter {name!r}; {one_of(scope)}"
                self._wrong(key.mark, message + close_match(name, scope))
            scope[name] = self._replaced(value, place.scope)
        for name, value in scope.items():
            if isinstance(value, Scalar) and not value.text and not value.quoted:
                self._wrong(entry.mark, f"fragment {fragment.name!r} wants a value for {name!r}; give it by 'with'")
        return scope if len(self.errors) == before else None

    # Values

    def _replaced(self, node: Node, scope: Mapping[str, Node]) -> Node:
        """``node`` with every scalar that is a parameter replaced; the places stay those of the use."""
        self._count(node)
        if isinstance(node, ListNode):
            return ListNode(node.mark, [self._replaced(item, scope) for item in node.items])
        if isinstance(node, MapNode):
            items: dict[str, tuple[Scalar, Node]] = {}
            for key, value in node.items.values():
                word = self._replaced(key, scope)
                if not isinstance(word, Scalar):
                    self._wrong(key.mark, f"{key.text}: a key must be a word, not a list or a map")
                elif word.text in items:
                    self._wrong(key.mark, f"duplicate key {word.text!r}")
                else:
                    items[word.text] = word, self._replaced(value, scope)
            return MapNode(node.mark, items)
        name = _parameter(node)
        if name is None:
            return node
        if name not in scope:
            known = [f"${word}" for word in scope]
            message = f"unknown parameter '${name}'; {one_of(known)}{close_match(f'${name}', known)}"
            self._wrong(node.mark, message)
            return node
        return self._placed(scope[name], node.mark)

    def _placed(self, node: Node, mark: Mark) -> Node:
        """``node`` as if it stood at ``mark``."""
        self._count(node)
        if isinstance(node, ListNode):
            return ListNode(mark, [self._placed(item, mark) for item in node.items])
        if isinstance(node, MapNode):
            items = {
                name: (replace(key, mark=mark), self._placed(value, mark)) for name, (key, value) in node.items.items()
            }
            return MapNode(mark, items)
        return replace(node, mark=mark, given=node.given or node.mark)

    def _count(self, node: Node) -> None:
        self._nodes += 1
        if self._nodes > _NODE_LIMIT:
            self._too_large(node.mark, f"{_NODE_LIMIT} values")

    # Complaints

    def _parts(
        self, entry: Node, body: Node | None, kind: str, required: tuple[str, ...], optional: tuple[str, ...] = ()
    ) -> dict[str, Node]:
        known = (*required, *optional)
        if not isinstance(body, MapNode):
            self._wrong(entry.mark, f"{kind}: want a map, with keys out of {', '.join(known)}")
            return {}
        for name, (key, _) in body.items.items():
            if name not in known:
                self._wrong(key.mark, f"unknown key {name!r}; {one_of(known)}{close_match(name, known)}")
        for name in required:
            if name not in body.items:
                self._wrong(entry.mark, f"{kind}: missing key {name!r}")
        return {name: value for name, (_, value) in body.items.items() if name in known}

    def _wrong(self, mark: Mark, message: str) -> None:
        self.errors.append(FileError(mark, message))

    def _too_large(self, mark: Mark, what: str) -> None:
        error = FileError(mark, f"the plan comes to more than {what} here; a plan has at most {STEP_LIMIT} steps")
        raise FileErrors([*self.document.errors, *self.errors, error])


def _entry(entry: Node) -> tuple[str | None, Node | None]:
    """Kind and body of a list entry; no kind where it has not exactly one."""
    if isinstance(entry, Scalar) and entry.text:
        return entry.text, None
    if isinstance(entry, MapNode) and len(entry.items) == 1:
        [(kind, (_, body))] = entry.items.items()
        return kind, body
    return None, None


def _parameter(node: Scalar) -> str | None:
    """Name of the parameter that a scalar stands for: all of it is `$name`."""
    name = node.text.removeprefix("$")
    return name if name != node.text and is_name(name) else None


def _scalars(node: Node) -> Iterator[Scalar]:
    if isinstance(node, Scalar):
        yield node
    elif isinstance(node, ListNode):
        for item in node.items:
            yield from _scalars(item)
    else:
        for key, value in node.items.values():
            yield key
            yield from _scalars(value)


def _shown(value: Node, values: list[Node]) -> str:
    """A value as it stands in the name of a step; a list or a map by its number."""
    if isinstance(value, Scalar):
        return value.text
    return f"#{next(index for index, other in enumerate(values, 1) if other is value)}"
