"""Where a name stands in an LDF: the parser's tree has no positions, so they are found again in the text."""

from __future__ import annotations

import re
from pathlib import Path

from harness.files.marks import FileError, Mark, mark_at

_SKIPPED = re.compile(r'"[^"\n]*"|//[^\n]*|/\*.*?\*/', re.DOTALL)


class LdfText:
    """The text of an LDF with comments and quoted texts blanked out, so that only real names are found."""

    def __init__(self, path: Path, text: str) -> None:
        self.path = path
        self._text = text
        self._bare = _SKIPPED.sub(lambda match: re.sub(r"[^\n]", " ", match[0]), text)

    def mark(self, *words: str, nth: int = 0) -> Mark:
        """The ``nth`` place of the last word inside the blocks that the other words head, outermost first.

        ``mark("Frames", "HeaterStatus", "HtrState")`` is HtrState inside HeaterStatus { } inside Frames { }. Where a
        word is not there, the place of the word before it, in the end the beginning of the file.
        """
        start, end, place = 0, len(self._bare), 0
        for word in words[:-1]:
            if not (block := re.compile(rf"\b{re.escape(word)}\b[^{{}};]*{{").search(self._bare, start, end)):
                break
            place, start = block.start(), block.end()
            end = self._closing(start, end)
        else:
            places = [
                match.start() for match in re.compile(rf"\b{re.escape(words[-1])}\b").finditer(self._bare, start, end)
            ]
            if places:
                place = places[min(nth, len(places) - 1)]
        return mark_at(self.path, self._text, place)

    def error(self, message: str, *words: str, nth: int = 0) -> FileError:
        """A fault at the place that ``mark`` finds."""
        return FileError(self.mark(*words, nth=nth), message)

    def _closing(self, start: int, end: int) -> int:
        depth = 1
        for brace in re.compile(r"[{}]").finditer(self._bare, start, end):
            depth += 1 if brace[0] == "{" else -1
            if depth == 0:
                return brace.start()
        return end
