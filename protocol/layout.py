"""Values with a byte layout: one declaration (construct) for both directions, one place where its errors become ours.

construct lets several things pass in silence; so every layout here ends in ``Terminated`` or takes the rest as bytes,
and all of its error classes, KeyError for a missing field among them, are turned into ``LayoutError``.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any, ClassVar, Self

from construct import Adapter, Construct, ConstructError, GreedyRange, Struct


class LayoutError(ValueError):
    """Bytes that do not follow their layout (``data``), or values that do not fit it (``data`` None).

    Example scenarios: an answer is cut short; it has bytes too many; a data identifier above 0xFFFF was given.
    """

    def __init__(self, what: str, problem: str, data: bytes | None = None) -> None:
        self.what = what
        self.problem = problem
        self.data = data
        heard = "" if data is None else f" in {data.hex(' ')}"
        super().__init__(f"{what}: {problem}{heard}")


def parse(layout: Construct, data: bytes, what: str) -> Any:
    """What construct makes of ``data``. Raises LayoutError, which says ``what`` was to be read."""
    try:
        return layout.parse(data)
    except ConstructError as error:
        raise LayoutError(what, _reason(error), data) from error


def build(layout: Construct, value: Any, what: str) -> bytes:
    """Bytes of ``value``. Raises LayoutError, which says ``what`` was to be built."""
    try:
        built: bytes = layout.build(value)
    except (ConstructError, KeyError, TypeError) as error:
        raise LayoutError(what, _reason(error)) from error
    return built


def _reason(error: Exception) -> str:
    """One line: construct's message without its own line on the path."""
    return str(error).splitlines()[-1] if str(error) else type(error).__name__


@dataclass(frozen=True)
class Coded:
    """A frozen value whose fields are the named entries of ``layout``."""

    layout: ClassVar[Construct]

    def encode(self) -> bytes:
        """The bytes. Raises LayoutError where a field does not fit."""
        return build(
            self.layout, {field.name: getattr(self, field.name) for field in fields(self)}, type(self).__name__
        )

    @classmethod
    def decode(cls, data: bytes) -> Self:
        """The value in ``data``, all of it. Raises LayoutError."""
        entries = parse(cls.layout, data, cls.__name__)
        return cls(**{field.name: entries[field.name] for field in fields(cls)})


class _Tuple(Adapter):  # type: ignore[misc]  # construct ships no types
    """A list in the layout, a tuple in the value."""

    def _decode(self, obj: Any, context: Any, path: Any) -> Any:
        return tuple(obj)

    def _encode(self, obj: Any, context: Any, path: Any) -> Any:
        return list(obj)


class _Record(Adapter):  # type: ignore[misc]  # construct ships no types
    """Entries in the layout, a dataclass with those fields in the value."""

    def __init__(self, value: type, *entries: Construct) -> None:
        super().__init__(Struct(*entries))
        self._value = value

    def _decode(self, obj: Any, context: Any, path: Any) -> Any:
        return self._value(**{field.name: obj[field.name] for field in fields(self._value)})

    def _encode(self, obj: Any, context: Any, path: Any) -> Any:
        return {field.name: getattr(obj, field.name) for field in fields(self._value)}


def tuple_of(items: Construct) -> Construct:
    """``items``, a layout that yields a list, as a tuple."""
    return _Tuple(items)


def records(value: type, *entries: Construct) -> Construct:
    """As many records as there are, to the end: a tuple of ``value``, a dataclass whose fields are ``entries``."""
    return _Tuple(GreedyRange(_Record(value, *entries)))
