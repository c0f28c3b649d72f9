"""Less of what a drawing library writes: groups that say nothing, and the same style on a thousand elements."""

from __future__ import annotations

import re

_GROUP = re.compile(r"<g>|<g [^>]*>|</g>")
_STYLE = re.compile(r' style="([^"]*)"')


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
