"""A page of many pictures made smaller without taking anything away from it: what repeats is said once."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence

_STYLE = re.compile(r' style="([^"]*)"')
_GROUP = re.compile(r"<g>|<g [^>]*>|</g>")
_STYLE_SHEET = "</style></head>"
NEAR = 0.03
"""In points (1/72 inch): below what a printer or a screen resolves."""
_LONGEST = 15  # corners left out in a row, so that the search stays short
_WORTH = 4  # times that a style must stand in a page before a class of its own is shorter


def lean(page: str) -> str:
    """``page`` with a class in place of each style that its elements share; ``page`` ends its head with a style sheet.

    A class counts for less than a style at the element, but for more than the pictures' own rules for every element.
    """
    head, sheet, body = page.partition(_STYLE_SHEET)
    counts = Counter(_STYLE.findall(body))
    classes = {style: f"s{n}" for n, (style, count) in enumerate(counts.most_common()) if count >= _WORTH}
    rules = "".join(f".{name}{{{_compact(style)}}}" for style, name in classes.items())

    def named(found: re.Match[str]) -> str:
        name = classes.get(found[1])
        return found[0] if name is None else f' class="{name}"'

    return f"{head}{rules}{sheet}{_STYLE.sub(named, body)}"


def _compact(style: str) -> str:
    return style.replace(": ", ":").replace("; ", ";")


def bends(corners: Sequence[tuple[float, float]]) -> list[int]:
    """Indices of ``corners`` that show: without the others, the line lies nowhere further than NEAR from it."""
    kept, last = [0], 0
    for index in range(2, len(corners)):
        if index - last > _LONGEST or any(
            _distance(corners[last], corners[index], each) > NEAR for each in corners[last + 1 : index]
        ):
            last = index - 1
            kept.append(last)
    return [*kept, len(corners) - 1] if len(corners) > 1 else kept


def _distance(start: tuple[float, float], end: tuple[float, float], point: tuple[float, float]) -> float:
    """From ``point`` to the straight piece between ``start`` and ``end``."""
    along = complex(end[0] - start[0], end[1] - start[1])
    way = complex(point[0] - start[0], point[1] - start[1])
    length = abs(along) ** 2
    share = min(max((way * along.conjugate()).real / length, 0.0), 1.0) if length else 0.0
    return abs(way - share * along)


def ungrouped(svg: str) -> str:
    """``svg`` without groups that have no attribute: they group nothing."""
    bare: list[bool] = []

    def keep(tag: re.Match[str]) -> str:
        if tag[0] == "</g>":
            return "" if bare.pop() else tag[0]
        bare.append(tag[0] == "<g>")
        return "" if bare[-1] else tag[0]

    return _GROUP.sub(keep, svg)
