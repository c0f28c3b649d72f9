"""Where a name stands in an LDF: the parser's tree has no positions, so they are found again in the text."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
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
        return mark_at(self.path, self._text, self._find(words, nth))

    def count(self, *words: str) -> int:
        """How often the last word stands inside the blocks that the other words head."""
        return sum(1 for _ in self._places(words))

    def sections(self) -> list[str]:
        """Every word outside all blocks, in order: the names of the sections, and of the header's lines."""
        words, depth = [], 0
        for token in re.finditer(r"[{}]|\w+", self._bare):
            depth += {"{": 1, "}": -1}.get(token[0], 0)
            if depth == 0 and token[0] != "}":
                words.append(token[0])
        return words

    def error(self, message: str, *words: str, nth: int = 0) -> FileError:
        """A fault at the place that ``mark`` finds."""
        return FileError(self.mark(*words, nth=nth), message)

    def _find(self, words: Sequence[str], nth: int) -> int:
        places = list(self._places(words))
        if places:
            return places[min(nth, len(places) - 1)]
        return self._find(words[:-1], 0) if words else 0

    def _places(self, words: Sequence[str]) -> Iterator[int]:
        start, end = 0, len(self._bare)
        for word in words[:-1]:
            if not (block := re.compile(rf"\b{re.escape(word)}\b[^{{}};]*{{").search(self._bare, start, end)):
                return
            start = block.end()
            end = self._closing(start, end)
        for word in words[-1:]:
            yield from (
                match.start() for match in re.compile(rf"\b{re.escape(word)}\b").finditer(self._bare, start, end)
            )

    def _closing(self, start: int, end: int) -> int:
        depth = 1
        for brace in re.compile(r"[{}]").finditer(self._bare, start, end):
            depth += 1 if brace[0] == "{" else -1
            if depth == 0:
                return brace.start()
        return end
