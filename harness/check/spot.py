"""A step where it stands, and the words in which what is wrong with it is said."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from fractions import Fraction

from harness.bench.spec import BenchSpec
from harness.check.course import UNKNOWN, Course
from harness.files.load import close_match, one_of
from harness.files.marks import FileError
from harness.plan.plan import Plan, PlanStep
from harness.quantity import Quantity
from protocol.device import Device, Field
from protocol.identifiers import NegativeResponseCode

Faults = Iterator[FileError]


@dataclass(frozen=True)
class Spot:
    """A step where it stands, and what it will find there."""

    plan: Plan
    place: PlanStep
    device: Device
    bench: BenchSpec | None
    course: Course

    def error(self, message: str, *inner: str | int, key: bool = False) -> FileError:
        """A fault at a value (or key) of the step; at the step's kind where no inner place is named."""
        mark = self.plan.mark(self.place, *inner, key=key or not inner)
        if self.place.via:
            message += f"; in {self.place.name}"
        outer = self.place.via[-1] if self.place.via else mark
        if outer.path != mark.path:
            message += f", included at {outer}"
        return FileError(mark, message)


def known(
    what: str, names: Iterable[str], words: Iterable[str], spot: Spot, inner: tuple[str, ...], key: bool = True
) -> Faults:
    """Each of ``names`` is one of ``words``; ``key``: names are keys of the map at ``inner``, else its value."""
    words = list(words)
    for name in names:
        if name not in words:
            message = f"unknown {what} {name!r}; {one_of(words)}{close_match(name, words)}"
            yield spot.error(message, *inner, *((name,) if key else ()), key=key)


def known_refusal(name: str | None, spot: Spot) -> Faults:
    """The name of a negative answer."""
    if name is not None:
        yield from known("answer", [name], NegativeResponseCode.__members__, spot, ("refused",), key=False)


def representable(value: Quantity, field: Field, spot: Spot, *inner: str | int) -> Faults:
    """In the field's unit, and one of the values that it can hold."""
    if value.base != field.unit:
        yield spot.error(f"{value} is no value of {field.name}, which is in {unit_words(field.unit)}", *inner)
        return
    raw = (value.exact - field.offset) / field.scale
    low, high = field.raw_range
    if raw.denominator != 1:
        near = " or ".join(si(field.to_physical(n), field) for n in (math.floor(raw), math.ceil(raw)))
        yield spot.error(f"{value} cannot be held exactly; the nearest are {near}", *inner)
    elif not low <= raw <= high:
        yield spot.error(f"{value} does not fit the record of {field.name}, {field.type}", *inner)


def lasts(value: Quantity, spot: Spot, *inner: str) -> Faults:
    """A time is more than 0."""
    if value.exact <= 0:
        yield spot.error(f"{value}: want more than 0 s", *inner)


def may_be(function: str, spot: Spot) -> str:
    """What is known of a level."""
    level = spot.course.levels[function]
    if level == UNKNOWN and function in spot.course.unknown:
        return f"the thermal level of {function} is not known here"
    return f"the thermal level of {function} may be {percent(level)}"


COOLING = "by wait_until_cool, or by power_cycle where the device forgets its level"
"""How a breaker is cooled."""


def si(value: Fraction, field: Field) -> str:
    """A value of a field, as a person writes it."""
    return f"{float(value * 100):.6g} %" if field.unit == "1" else f"{float(value):.9g} {field.unit}"


def percent(level: float) -> str:
    """A level."""
    return f"{100 * level:.0f} %"


def unit_words(base: str) -> str:
    """A base unit in words."""
    return "no unit or %" if base == "1" else base
