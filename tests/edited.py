"""Files with a fault put in, and where it stands."""

from __future__ import annotations

from collections.abc import Mapping

MARK = "¶"


def marked(text: str, edits: Mapping[str, str]) -> tuple[str, list[str]]:
    """``text`` with each edit made, and the 'line:column' of each ¶ in it; the ¶ themselves are taken out."""
    for old, new in edits.items():
        assert text.count(old) == 1, f"{old!r} is there {text.count(old)} times"
        text = text.replace(old, new)
    places = []
    while MARK in text:
        before, after = text.split(MARK, 1)
        places.append(f"{before.count(chr(10)) + 1}:{len(before) - before.rfind(chr(10))}")
        text = before + after
    return text, places
