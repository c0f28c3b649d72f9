"""Less of what a drawing library writes: empty groups, the same style on a thousand elements, idle corners."""

from __future__ import annotations

import re
from collections.abc import Sequence

_GROUP = re.compile(r"<g>|<g [^>]*>|</g>")
NEAR = 0.03
"""In points (1/72 inch): below what a printer or a screen resolves."""
_LONGEST = 15  # corners left out in a row, so that the search stays short
_STYLE = re.compile(r' style="([^"]*)"')


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


def unwrapped(svg: str) -> str:
    """``svg`` without the groups that have no attribute."""
    open_groups: list[bool] = []

    def keep(tag: re.Match[str]) -> str:
        if tag[0] == "</g>":
            return tag[0] if open_groups.pop() else ""
        open_groups.append(tag[0] != "<g>")
        return tag[0] if open_groups[-1] else ""

    return _GROUP.sub(keep, svg)


def classed(page: str) -> str:
    """An HTML page in which each style that stands on elements is said once, in its own <style>, and named there.

    For a page whose elements have a style or a class, never both.
    """
    names: dict[str, str] = {}

    def name(style: re.Match[str]) -> str:
        return f' class="{names.setdefault(style[1], f"d{len(names)}")}"'

    shorter = _STYLE.sub(name, page)
    rules = "".join(f".{short}{{{style}}}" for style, short in names.items())
    return shorter.replace("</style>", f"{rules}</style>", 1)
