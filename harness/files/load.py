"""YAML file to pydantic model, with every error of the file at once, each at its line and column, in plain words."""

from __future__ import annotations

import difflib
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import NoneType, UnionType
from typing import Annotated, Any, Generic, TypeVar, Union, get_args, get_origin

from pydantic import BaseModel, ConfigDict, Tag, ValidationError
from pydantic_core import ErrorDetails

from harness.files.marks import Document, FileError, FileErrors, MapNode, Scalar, compose
from harness.files.scalars import Whole, parse_whole

NEWEST_FORMAT = 1
"""The format that this version writes, and the newest that it reads."""
_SHOWN = 60  # characters of a wrong value that a message repeats


class Part(BaseModel):
    """A part of a file: frozen, and unknown keys are errors."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class FileModel(Part):
    """A whole file. ``format`` is checked before anything else."""

    format: Whole


Model = TypeVar("Model", bound=FileModel)


@dataclass(frozen=True)
class Loaded(Generic[Model]):
    """A valid file: its content, and the document to find places in."""

    model: Model
    document: Document

    def error(self, location: Sequence[str | int], message: str, key: bool = False) -> FileError:
        """An error at the value (or the key) that ``location`` names."""
        return FileError(self.document.mark(location, key), message)


def load(path: Path | str, model: type[Model], rewrite: Callable[[Document], Document] | None = None) -> Loaded[Model]:
    """Read ``path`` as ``model``. Raises FileErrors with everything that is wrong with it.

    ``rewrite`` makes of the document as written the one that the model is to see, and the errors' places are in.
    """
    document = compose(Path(path))
    _check_format(document)
    if rewrite is not None:
        document = rewrite(document)
    errors = list(document.errors)
    try:
        content = model.model_validate(document.data())
    except ValidationError as error:
        reported = {error.mark for error in errors}
        found = [_file_error(document, model, item) for item in error.errors(include_url=False)]
        # What the form got wrong (an alias, a duplicate key) would only be told a second time in other words.
        raise FileErrors(errors + [item for item in found if item.mark not in reported]) from None
    if errors:
        raise FileErrors(errors)
    return Loaded(content, document)


def close_match(word: str, known: Iterable[str]) -> str:
    """'; did you mean 'x'?' where a known word is close to ``word``, else nothing."""
    match = difflib.get_close_matches(word, list(known), n=1, cutoff=0.7)
    return f"; did you mean {match[0]!r}?" if match else ""


def one_of(known: Iterable[str]) -> str:
    """'want one of a, b, c', or 'want x' where there is but one."""
    words = list(known)
    return f"want {'one of ' if len(words) > 1 else ''}{', '.join(words)}" if words else "there is none"


def _check_format(document: Document) -> None:
    """A file of another format is not read further: its other errors would be nonsense."""
    root = document.root
    if not isinstance(root, MapNode):
        raise FileErrors([*document.errors, FileError(root.mark, "want a map of keys, beginning with 'format'")])
    if "format" not in root.items:
        raise FileErrors(
            [*document.errors, FileError(root.mark, f"missing key 'format'; want 'format: {NEWEST_FORMAT}'")]
        )
    node = root.items["format"][1]
    try:
        number = parse_whole(node.text if isinstance(node, Scalar) else None)
    except ValueError:
        raise FileErrors([FileError(node.mark, f"want 'format: {NEWEST_FORMAT}'")]) from None
    if number > NEWEST_FORMAT:
        message = f"format {number} is newer than this version reads ({NEWEST_FORMAT}); update breakerbench"
        raise FileErrors([FileError(node.mark, message)])
    if number < 1:
        raise FileErrors([FileError(node.mark, f"there is no format {number}; want 'format: {NEWEST_FORMAT}'")])


def _file_error(document: Document, model: type[FileModel], item: ErrorDetails) -> FileError:
    location, kind = item["loc"], item["type"]
    on_key = kind in ("missing", "extra_forbidden") or "[key]" in location
    place = location[:-1] if kind == "missing" else location
    if kind == "union_tag_invalid":
        place = (*location, item["ctx"]["discriminator"].strip("'"))
    given = document.given(place, key=on_key)
    words = _words(model, item) + (f"; given at {given}" if given is not None else "")
    return FileError(document.mark(place, key=on_key), words)


def _words(model: type[FileModel], item: ErrorDetails) -> str:
    """A pydantic error in this project's words."""
    kind, value, context = item["type"], item["input"], item.get("ctx", {})
    last = str(item["loc"][-1]) if item["loc"] else ""
    if kind == "missing":
        # A number: a list that is too short, of which pydantic speaks entry by entry.
        return f"want {int(last) + 1} or more entries" if last.isdigit() else f"missing key {last!r}"
    if kind == "extra_forbidden":
        owner = _model_at(model, item["loc"][:-1])
        known = _keys(owner)
        return f"unknown key {last!r}; {one_of(known)}{close_match(last, known)}"
    if kind == "literal_error":
        known = [word.strip("'") for word in str(context["expected"]).replace(" or ", ", ").split(", ")]
        return f"{one_of(known)}; found {_found(value)}{close_match(str(value), known)}"
    if kind == "union_tag_invalid":
        known = [word.strip("'") for word in str(context["expected_tags"]).split(", ")]
        return f"{one_of(known)}; found {_found(context['tag'])}{close_match(str(context['tag']), known)}"
    if kind == "union_tag_not_found":
        return f"missing key {context['discriminator']!s}"
    if kind == "value_error":
        return str(context["error"])
    if kind in ("model_type", "model_attributes_type"):
        owner = _model_at(model, item["loc"])
        return f"want a map, with keys out of {', '.join(_keys(owner))}; found {_found(value)}"
    if kind in _WANTED:
        return f"want {_WANTED[kind].format_map(context)}; found {_found(value)}"
    return f"{item['msg']}; found {_found(value)}"


def _keys(model: type[BaseModel] | None) -> list[str]:
    return [field.alias or name for name, field in model.model_fields.items()] if model else []


_WANTED: Mapping[str, str] = {
    "string_type": "a text",
    "string_too_short": "{min_length} or more characters",
    "string_too_long": "{max_length} or fewer characters",
    "dict_type": "a map of keys",
    "mapping_type": "a map of keys",
    "list_type": "a list",
    "tuple_type": "a list",
    "too_short": "{min_length} or more entries",
    "too_long": "{max_length} or fewer entries",
    "greater_than_equal": "{ge} or more",
    "greater_than": "more than {gt}",
    "less_than_equal": "{le} or less",
    "less_than": "less than {lt}",
}
"""Pydantic's kinds of error that say what was wanted; test_load.py holds an example of each."""


def _found(value: Any) -> str:
    if value is None:
        return "nothing"
    if isinstance(value, Mapping):
        return "a map of keys" if value else "an empty map"
    if isinstance(value, list | tuple):
        return f"a list of {len(value)}"
    text = str(value)
    return repr(text if len(text) <= _SHOWN else f"{text[:_SHOWN]}...")


def _model_at(kind: Any, location: Sequence[str | int]) -> type[BaseModel] | None:
    """The model that pydantic's ``location`` leads to from the type ``kind``; a union's tag is one part of it."""
    origin, arguments = get_origin(kind), get_args(kind)
    if origin is Annotated:
        tag = next((extra.tag for extra in arguments[1:] if isinstance(extra, Tag)), None)
        return _model_at(arguments[0], location[1:] if tag is not None and location[:1] == (tag,) else location)
    if origin in (Union, UnionType):
        members = [member for member in arguments if member is not NoneType]
        tagged = [member for member in members if _has_tag(member, location[:1])]
        return next((found for member in tagged or members if (found := _model_at(member, location))), None)
    if isinstance(kind, type) and issubclass(kind, BaseModel):
        if not location:
            return kind
        field = next((f for name, f in kind.model_fields.items() if (f.alias or name) == location[0]), None)
        return _model_at(field.annotation, location[1:]) if field else None
    if not location or not arguments:
        return None
    fixed = origin is tuple and Ellipsis not in arguments and isinstance(location[0], int)
    inner = arguments[int(location[0])] if fixed else arguments[0 if origin in (list, tuple) else -1]
    return _model_at(inner, location[1:])


def _has_tag(kind: Any, head: Sequence[str | int]) -> bool:
    extras = get_args(kind)[1:] if get_origin(kind) is Annotated else ()
    return any(isinstance(extra, Tag) and (extra.tag,) == tuple(head) for extra in extras)
