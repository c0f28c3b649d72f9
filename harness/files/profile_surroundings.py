"""The sections `cable` and `withstand` of a device profile: their form, what makes them wrong, and their values."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Annotated

from pydantic import Field

from harness.files.load import Loaded, Part
from harness.files.marks import FileError
from harness.quantity import Area, Current, Energy, Quantity, Time
from protocol.surroundings import Cable, Insulation, Metal, Withstand

if TYPE_CHECKING:
    from harness.files.profile_model import Profile

LARGEST_MM2 = 1000
"""Largest conductor of the usual series (IEC 60228 goes on to larger ones); above it a unit has been mistaken."""


class CableSection(Part):
    """The cable of the branch: conductor, insulation, and what it carries continuously as it is laid."""

    metal: Metal
    insulation: Insulation
    cross_section: Area
    rating: Current | None = None


class WithstandSection(Part):
    """What the switch stands: for how long which current, currents rising; and most energy of its clamp."""

    points: Annotated[tuple[tuple[Current, Time], ...], Field(min_length=2)]
    clamp_energy: Energy | None = None


def check_surroundings(loaded: Loaded[Profile]) -> Iterator[FileError]:
    """Figures above 0; points from low current to high, for no longer each time."""
    cable, withstand = loaded.model.cable, loaded.model.withstand
    if cable is not None:
        yield from _positive(loaded, ("cable", "cross_section"), cable.cross_section)
        yield from _positive(loaded, ("cable", "rating"), cable.rating)
        if cable.cross_section.exact > LARGEST_MM2:
            yield loaded.error(("cable", "cross_section"), f"{cable.cross_section}: want at most {LARGEST_MM2} mm2")
    if withstand is None:
        return
    yield from _positive(loaded, ("withstand", "clamp_energy"), withstand.clamp_energy)
    for index, (current, time) in enumerate(withstand.points):
        yield from _positive(loaded, ("withstand", "points", index, 0), current)
        yield from _positive(loaded, ("withstand", "points", index, 1), time)
    for index, (before, after) in enumerate(zip(withstand.points, withstand.points[1:], strict=False), start=1):
        if before[0].exact >= after[0].exact:
            message = f"{after[0]} after {before[0]}: want currents that rise"
            yield loaded.error(("withstand", "points", index, 0), message)
        elif before[1].exact < after[1].exact:
            message = f"{after[1]} after {before[1]}: no switch stands more current for longer"
            yield loaded.error(("withstand", "points", index, 1), message)


def _positive(loaded: Loaded[Profile], place: tuple[str | int, ...], value: Quantity | None) -> Iterator[FileError]:
    if value is not None and value.exact <= 0:
        yield loaded.error(place, f"{value}: want more than 0")


def cable_of(profile: Profile) -> Cable | None:
    """The cable's value."""
    section = profile.cable
    if section is None:
        return None
    rating = None if section.rating is None else section.rating.si
    return Cable(section.metal, section.insulation, section.cross_section.si, rating)


def withstand_of(profile: Profile) -> Withstand | None:
    """The value of what the switch stands."""
    section = profile.withstand
    if section is None:
        return None
    points = tuple((current.si, time.si) for current, time in section.points)
    return Withstand(points, None if section.clamp_energy is None else section.clamp_energy.si)
