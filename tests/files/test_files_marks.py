"""YAML text to nodes with places: what is read, and what is refused where."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.files.marks import SIZE_LIMIT, FileError, FileErrors, Mark, compose


def write(folder: Path, content: str | bytes) -> Path:
    path = folder / "file.yaml"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


def complaints(path: Path) -> list[str]:
    """What is wrong with the file, as 'line:column: message'."""
    try:
        errors = compose(path).errors
    except FileErrors as found:
        errors = found.errors
    return [str(error).removeprefix(f"{path}:") for error in errors]


BAD: dict[str, tuple[str | bytes, list[str]]] = {
    "empty": ("", ["1:1: the file is empty"]),
    "comment only": ("# nothing\n", ["1:1: the file is empty"]),
    "duplicate key": ("a: 1\nb: 2\na: 3\n", ["3:1: duplicate key 'a'; the first is in line 1"]),
    "duplicate key, flow": ("m: {a: 1, a: 2}\n", ["1:11: duplicate key 'a'; the first is in line 1"]),
    "two duplicates": (
        "m: {a: 1, a: 2}\nn:\n  b: 1\n  b: 2\n",
        ["1:11: duplicate key 'a'; the first is in line 1", "4:3: duplicate key 'b'; the first is in line 3"],
    ),
    "tag": (
        "a: !!python/object/apply:os.system [id]\n",
        ["1:4: tag tag:yaml.org,2002:python/object/apply:os.system: tags are not used here"],
    ),
    "alias": (
        "a: &x [1]\nb: *x\n",
        [
            "1:4: anchor &x: anchors are not used here; write each value out",
            "2:4: alias *x: aliases are not used here; write the value out",
        ],
    ),
    "alias to nothing": ("b: *x\n", ["1:4: alias *x: aliases are not used here; write the value out"]),
    "merge key": ("m:\n  <<: {a: 1}\n", ["2:3: merge key <<: merging is not used here; write each value out"]),
    "list as key": ("[a, b]: 1\n", ["1:1: a key must be a word, not a list or a map"]),
    "map as key": ("? {a: 1}\n: 1\n", ["1:3: a key must be a word, not a list or a map"]),
    "second document": ("a: 1\n---\nb: 1\n", ["2:1: a second document; want one a file"]),
    "unclosed": ("a: [1, 2\n", ["2:1: not YAML: did not find expected ',' or ']'"]),
    "tab": ("a:\n\tb: 1\n", ["2:1: not YAML: found character that cannot start any token"]),
    "bad indentation": ("a: 1\n b: 2\n", ["2:3: not YAML: mapping values are not allowed in this context"]),
    "control character": ("a: 1\nb: x\x07y\n", ["2:5: character U+0007 is not allowed in YAML"]),
    "null character": ("a: \x00\n", ["1:4: character U+0000 is not allowed in YAML"]),
    "not UTF-8": (b"a: 1\nb: \xe4\n", ["2:4: byte 0xE4 is not UTF-8"]),
    "not UTF-8, after text": ("ä: ö".encode() + b"\xff", ["1:5: byte 0xFF is not UTF-8"]),
    "deep flow": ("a: " + "[" * 40 + "]" * 40, ["1:33: nested deeper than 30 levels"]),
    "endless flow": ("[" * 200_000, ["1:1001: not YAML: exceeded maximum nesting depth"]),
    "too large": ("a" * (SIZE_LIMIT + 1), [f"1:1: larger than {SIZE_LIMIT} bytes"]),
}


@pytest.mark.parametrize(("content", "wanted"), BAD.values(), ids=BAD)
def test_bad_file_gives_its_lines_and_no_traceback(tmp_path: Path, content: str | bytes, wanted: list[str]) -> None:
    assert complaints(write(tmp_path, content)) == wanted


def test_alias_bomb_is_refused_without_being_expanded(tmp_path: Path) -> None:
    rows = ["a0: &a0 [x, x]"] + [f"a{n}: &a{n} [*a{n - 1}, *a{n - 1}]" for n in range(1, 60)]

    assert len(complaints(write(tmp_path, "\n".join(rows)))) == 60 + 2 * 59


def test_file_that_cannot_be_read(tmp_path: Path) -> None:
    assert complaints(tmp_path / "none.yaml") == ["1:1: no such file"]
    assert complaints(tmp_path) == ["1:1: not a file"]


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        # What YAML 1.1 makes numbers, truth values, dates and sexagesimal times of stays as it was written.
        (
            "a: no\nb: 010\nc: 1:30\nd: 1e3\ne: ~\nf: 2026-01-01\n",
            {"a": "no", "b": "010", "c": "1:30", "d": "1e3", "e": "~", "f": "2026-01-01"},
        ),
        ("a:\nb: ''\nc: [x, ]\n", {"a": None, "b": "", "c": ["x"]}),
        ('{"format": 1, "l": [true, null]}', {"format": "1", "l": ["true", "null"]}),
        ("\ufeffa: 1\n", {"a": "1"}),
        ("a: |\n  two\n  lines\n", {"a": "two\nlines\n"}),
    ],
)
def test_values_are_text(tmp_path: Path, text: str, wanted: object) -> None:
    assert compose(write(tmp_path, text)).data() == wanted


def test_marks_of_values_keys_and_what_is_not_there(tmp_path: Path) -> None:
    document = compose(write(tmp_path, "a: 1\nb:\n  - x\n  - {c: y, d: z}\n"))

    def place(*location: str | int, key: bool = False) -> tuple[int, int]:
        mark = document.mark(location, key)
        return mark.line, mark.column

    assert place("a") == (1, 4)
    assert place("a", key=True) == (1, 1)
    assert place("b", 1) == (4, 5)
    assert place("b", 1, "d") == (4, 15)
    assert place("b", 1, "d", key=True) == (4, 12)
    assert place("b", 1, "e") == (4, 5)
    assert place("b", 7) == (3, 3)
    assert place() == (1, 1)
    assert place("b", "!tag", 0) == (3, 5)


def test_errors_are_sorted_once_each_and_cannot_steer_a_terminal() -> None:
    late, early = FileError(Mark("a\x1b[2Jb", 2, 1), "x\nforged:1:1: y"), FileError(Mark("a", 10, 1), "first")

    assert str(FileErrors([late, early, late])) == "a:10:1: first\na\\x1b[2Jb:2:1: x\\nforged:1:1: y"


def test_a_thousand_errors_are_cut_short() -> None:
    lines = str(FileErrors(FileError(Mark("a", n, 1), "x") for n in range(1000))).splitlines()

    assert len(lines) == 51
    assert lines[-1] == "... and 950 more"


NO_CONTROLS = st.characters(codec="utf-8", exclude_categories=["Cc", "Cs", "Cn", "Co", "Zl", "Zp"])
WORDS = st.text(NO_CONTROLS, max_size=8).filter(lambda text: "\ufeff" not in text and text != "<<")
"""What JSON and YAML read alike: YAML folds lines at U+2028, and knows merge keys."""
VALUES = st.recursive(
    WORDS, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(WORDS, inner, max_size=3), max_leaves=20
)


@settings(max_examples=50)
@given(VALUES)
def test_what_json_writes_is_read_back(tmp_path_factory: pytest.TempPathFactory, value: object) -> None:
    path = tmp_path_factory.mktemp("json") / "file.yaml"
    path.write_text(json.dumps(value, ensure_ascii=False), encoding="utf-8")

    assert compose(path).data() == value


@settings(max_examples=50)
@given(st.binary(max_size=200))
def test_any_bytes_are_read_or_refused_in_words(tmp_path_factory: pytest.TempPathFactory, content: bytes) -> None:
    path = tmp_path_factory.mktemp("bytes") / "file.yaml"
    path.write_bytes(content)
    for line in complaints(path):
        assert line[0].isdigit()
