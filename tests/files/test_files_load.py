"""Models from files: pydantic's errors in plain words, all at once, each in its place."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Literal

import pytest
from pydantic import Discriminator, Field, Tag, ValidationError

from harness.files import load as module
from harness.files.load import FileModel, Part, load
from harness.files.marks import FileErrors
from harness.files.scalars import Byte, Flag, Name, Text, Whole, Word
from harness.quantity import Current, Quantity, Time


class Inner(Part):
    mode: Literal["cold", "warm"] = "cold"
    time: Time | None = None


class Left(Part):
    left: Inner


class Right(Part):
    right: Whole


def _tag(entry: object) -> str:
    return f"!{next(iter(entry), '')}" if isinstance(entry, Mapping) else "!"


Entry = Annotated[Annotated[Left, Tag("!left")] | Annotated[Right, Tag("!right")], Discriminator(_tag)]


class Example(FileModel):
    name: Name
    title: Text = "x"
    signal: Word = "X"
    flag: Flag = False
    byte: Byte = 0
    current: Current | None = None
    inner: Inner = Inner()
    break_: Whole = Field(1, alias="break")
    pair: tuple[Whole, Whole] = (0, 0)
    items: tuple[Entry, ...] = ()
    table: Mapping[Name, Inner] = Field(default_factory=dict)
    some: Mapping[Name, Whole] | None = Field(None, min_length=1)
    narrow: Annotated[Whole, Field(gt=1, lt=9)] = 2


def complaints(folder: Path, text: str) -> list[str]:
    path = folder / "file.yaml"
    path.write_text(text)
    with pytest.raises(FileErrors) as caught:
        load(path, Example)
    return [str(error).removeprefix(f"{path}:") for error in caught.value.errors]


HEAD = "format: 1\nname: x\n"
NAME = "want a name of lower-case letters, digits and _, at most 60"
KEYS = "format, name, title, signal, flag, byte, current, inner, break, pair, items, table, some, narrow"
BAD: dict[str, tuple[str, list[str]]] = {
    "no format": ("name: x\n", ["1:1: missing key 'format'; want 'format: 1'"]),
    "newer format": (
        "format: 2\nnonsense: 1\n",
        ["1:9: format 2 is newer than this version reads (1); update breakerbench"],
    ),
    "format 0": ("format: 0\n", ["1:9: there is no format 0; want 'format: 1'"]),
    "format in words": ("format: one\n", ["1:9: want 'format: 1'"]),
    "format is a list": ("format: [1]\n", ["1:9: want 'format: 1'"]),
    "a list": ("- format: 1\n", ["1:1: want a map of keys, beginning with 'format'"]),
    "a word": ("hello\n", ["1:1: want a map of keys, beginning with 'format'"]),
    "missing key": ("format: 1\n", ["1:1: missing key 'name'"]),
    "unknown key": (HEAD + "zzz: 1\n", [f"3:1: unknown key 'zzz'; want one of {KEYS}"]),
    "unknown key, close": (
        HEAD + "titel: 1\n",
        [f"3:1: unknown key 'titel'; want one of {KEYS}; did you mean 'title'?"],
    ),
    "unknown key inside": (
        HEAD + "inner: {tame: 1 s}\n",
        ["3:9: unknown key 'tame'; want one of mode, time; did you mean 'time'?"],
    ),
    "unknown key in a table": (
        HEAD + "table:\n  a: {tim: 1 s}\n",
        ["4:7: unknown key 'tim'; want one of mode, time; did you mean 'time'?"],
    ),
    "unknown key in a union": (
        HEAD + "items:\n  - left: {mod: cold}\n",
        ["4:12: unknown key 'mod'; want one of mode, time; did you mean 'mode'?"],
    ),
    "name": (
        HEAD + "table: {Big: {}}\n",
        [f"3:9: 'Big': {NAME}"],
    ),
    "long name": (
        HEAD + f"table: {{{'a' * 61}: {{}}}}\n",
        [f"3:9: '{'a' * 61}': {NAME}"],
    ),
    "word": (HEAD + "signal: a-b\n", ["3:9: 'a-b': want a name as the LDF has it, of letters, digits and _"]),
    "empty text": (HEAD + "title: ''\n", ["3:8: want 1 or more characters; found ''"]),
    "long text": (HEAD + f"title: {'x' * 501}\n", [f"3:8: want 500 or fewer characters; found '{'x' * 60}...'"]),
    "nothing for a text": (HEAD + "title:\n", ["3:7: want a text; found nothing"]),
    "list for a text": (HEAD + "title: [a, b]\n", ["3:8: want a text; found a list of 2"]),
    "yes": (HEAD + "flag: yes\n", ["3:7: want true or false; found 'yes'"]),
    "on": (HEAD + "flag: on\n", ["3:7: want true or false; found 'on'"]),
    "1 for a flag": (HEAD + "flag: 1\n", ["3:7: want true or false; found '1'"]),
    "True": (HEAD + "flag: True\n", ["3:7: want true or false; found 'True'"]),
    "octal": (HEAD + "byte: 0o17\n", ["3:7: want a whole number such as 10 or 0x0A; found '0o17'"]),
    "underscores": (HEAD + "byte: 1_0\n", ["3:7: want a whole number such as 10 or 0x0A; found '1_0'"]),
    "fraction": (HEAD + "byte: 1.0\n", ["3:7: want a whole number such as 10 or 0x0A; found '1.0'"]),
    "other digits": (HEAD + "byte: ٣\n", ["3:7: want a whole number such as 10 or 0x0A; found '٣'"]),
    "too much": (HEAD + "byte: 0x100\n", ["3:7: want 255 or less; found '0x100'"]),
    "too little": (HEAD + "byte: -1\n", ["3:7: want 0 or more; found '-1'"]),
    "strict limits": (HEAD + "narrow: 9\n", ["3:9: want less than 9; found '9'"]),
    "strict lower limit": (HEAD + "narrow: 1\n", ["3:9: want more than 1; found '1'"]),
    "no unit": (HEAD + "current: 10\n", ["3:10: '10': want a unit out of A, mA, uA, kA"]),
    "other unit": (HEAD + "current: 10 V\n", ["3:10: '10 V': want a unit out of A, mA, uA, kA"]),
    "map for a quantity": (HEAD + "current: {a: 1}\n", ["3:10: want a number and a unit out of A, mA, uA, kA"]),
    "choice": (HEAD + "inner: {mode: hot}\n", ["3:15: want one of cold, warm; found 'hot'"]),
    "choice, close": (
        HEAD + "inner: {mode: warn}\n",
        ["3:15: want one of cold, warm; found 'warn'; did you mean 'warm'?"],
    ),
    "text for a map": (HEAD + "inner: 10 s\n", ["3:8: want a map, with keys out of mode, time; found '10 s'"]),
    "text for a table": (HEAD + "table: a\n", ["3:8: want a map of keys; found 'a'"]),
    "empty table": (HEAD + "some: {}\n", ["3:7: want 1 or more entries; found an empty map"]),
    "text for a list": (HEAD + "items: left\n", ["3:8: want a list; found 'left'"]),
    "map for a list": (HEAD + "items: {left: 1}\n", ["3:8: want a list; found a map of keys"]),
    "short pair": (HEAD + "pair: [1]\n", ["3:1: want 2 or more entries"]),
    "long pair": (HEAD + "pair: [1, 2, 3]\n", ["3:7: want 2 or fewer entries; found a list of 3"]),
    "alias": (HEAD + "break: zz\n", ["3:8: want a whole number such as 10 or 0x0A; found 'zz'"]),
    "form and content": (
        "format: 1\nname: X\nflag: yes\nflag: true\nbyte: *b\n",
        [
            f"2:7: 'X': {NAME}",
            "3:7: want true or false; found 'yes'",
            "4:1: duplicate key 'flag'; the first is in line 3",
            "5:7: alias *b: aliases are not used here; write the value out",
        ],
    ),
}  # fmt: skip


@pytest.mark.parametrize(("text", "wanted"), BAD.values(), ids=BAD)
def test_bad_file_gives_its_lines(tmp_path: Path, text: str, wanted: list[str]) -> None:
    assert complaints(tmp_path, text) == wanted


def test_every_kind_of_error_that_has_words_has_a_case() -> None:
    wanted = {words.partition("{")[0] for words in module._WANTED.values()}
    shown = "\n".join(line for _, lines in BAD.values() for line in lines)

    assert [words for words in wanted if words not in shown] == []


def test_only_the_form_is_wrong(tmp_path: Path) -> None:
    assert complaints(tmp_path, HEAD + "title: a\ntitle: b\n") == ["4:1: duplicate key 'title'; the first is in line 3"]


def test_good_file(tmp_path: Path) -> None:
    path = tmp_path / "file.yaml"
    path.write_text(
        HEAD + "flag: true\nbyte: 0xFF\ncurrent: 1.5 mA\nbreak: 0x10\npair: [1, -2]\nitems:\n  - left: {}\n"
    )

    loaded = load(path, Example)

    assert (loaded.model.flag, loaded.model.byte, loaded.model.break_, loaded.model.pair) == (True, 255, 16, (1, -2))
    assert isinstance(loaded.model.current, Quantity)
    assert loaded.model.current.si == 0.0015
    assert str(loaded.error(("items", 0, "left"), "x", key=True)) == f"{path}:9:5: x"


def test_models_may_be_made_in_code_as_well() -> None:
    assert Example(format=1, name="x", flag=True, byte=3).byte == 3
    with pytest.raises(ValidationError, match="want a whole number"):
        Example(format=1, name="x", byte=True)
