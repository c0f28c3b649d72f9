"""A unit's file: what was noted is there after a kill at any byte, and several writers lose nothing."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from harness.record.wear import WearError, append, path_of, read


def test_entries_add_up_and_a_person_ends_a_quarantine(tmp_path: Path) -> None:
    path = path_of(tmp_path, "0042")
    assert read(path) == read(tmp_path / "nothing")
    append(path, "0042", "spent", kind="short_circuits", amount=1, run="a")
    append(path, "0042", "spent", kind="short_circuits", amount=2, run="b")
    append(path, "0042", "spent", kind="clamp_energy", amount=2.5, run="b")
    append(path, "0042", "quarantined", reason="did not operate", run="b")
    known = read(path)
    assert known.spent == {"short_circuits": 3, "clamp_energy": 2.5}
    assert known.quarantine is not None
    assert known.quarantine.startswith("did not operate (b, ")
    append(path, "0042", "released", reason="looked at", name="somebody")
    assert read(path).quarantine is None


def test_a_strain_that_nobody_settled_quarantines_until_a_person_ends_it(tmp_path: Path) -> None:
    path = path_of(tmp_path, "0042")
    append(path, "0042", "strained", what="195 A", run="a")
    known = read(path)
    assert known.quarantine is not None
    assert known.quarantine.startswith("nobody knows what came of 195 A (a, ")
    append(path, "0042", "spent", kind="key_attempts", amount=1, run="b")
    assert read(path).quarantine == known.quarantine
    append(path, "0042", "released", reason="looked at", name="somebody")
    assert read(path).quarantine is None


def test_a_strain_that_is_settled_leaves_what_was_found_and_nothing_else(tmp_path: Path) -> None:
    path = path_of(tmp_path, "0042")
    append(path, "0042", "strained", what="195 A", run="a")
    append(path, "0042", "settled", run="a")
    assert read(path).quarantine is None
    append(path, "0042", "strained", what="195 A", run="a")
    append(path, "0042", "quarantined", reason="did not operate", run="a")
    append(path, "0042", "settled", run="a")
    quarantine = read(path).quarantine
    assert quarantine is not None
    assert quarantine.startswith("did not operate (a, ")


def test_a_kill_at_any_byte_costs_no_entry_but_the_last(tmp_path: Path) -> None:
    path = path_of(tmp_path, "1")
    for _ in range(3):
        append(path, "1", "spent", kind="key_attempts", amount=1)
    whole = path.read_bytes()
    last = whole.rindex(b"\n", 0, -1) + 1
    for end in range(last, len(whole) + 1):
        path.write_bytes(whole[:end])
        known = read(path)
        there = end == len(whole)
        assert known.spent == {"key_attempts": 3 if there else 2}
        assert known.damaged == (0 if there or end == last else 1)
        append(path, "1", "spent", kind="key_attempts", amount=1)
        assert read(path).spent == {"key_attempts": 4 if there else 3}


@pytest.mark.parametrize(
    "line",
    [
        "", "garbage", "[]", '{"entry": "quar', '{"entry": "spent", "kind": "key_attempts", "amount": -5}',
        '{"entry": "spent", "kind": "key_attempts", "amount": NaN}', '{"entry": "spent", "amount": 1}',
        '{"entry": "spent", "kind": "key_attempts"}',
        '{"entry": "spent", "kind": "key_attempts", "amount": true}', '{"entry": "other"}',
    ],
)  # fmt: skip
def test_a_line_that_is_no_entry_quarantines_the_unit(tmp_path: Path, line: str) -> None:
    path = path_of(tmp_path, "1")
    append(path, "1", "spent", kind="key_attempts", amount=2)
    path.write_text(path.read_text() + line + "\n")
    append(path, "1", "spent", kind="key_attempts", amount=1)
    known = read(path)
    assert known.spent == {"key_attempts": 3}
    assert known.quarantine is not None
    assert known.quarantine.endswith("1.jsonl:2: no entry, and nobody knows what it said")
    append(path, "1", "released", reason="looked at the unit", name="somebody")
    assert read(path).quarantine is None


def test_a_disk_that_takes_a_part_only_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = path_of(tmp_path, "1")
    append(path, "1", "spent", kind="key_attempts", amount=1)
    write = os.write
    with monkeypatch.context() as full:
        full.setattr(os, "write", lambda file, data: write(file, data[:10]))
        with pytest.raises(WearError, match="a part of an entry only"):
            append(path, "1", "spent", kind="key_attempts", amount=1)
    append(path, "1", "spent", kind="key_attempts", amount=1)
    assert (read(path).spent, read(path).damaged) == ({"key_attempts": 2}, 0)


def test_an_entry_is_on_the_disk_before_anything_goes_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    done: list[str] = []

    def noted(name: str) -> Callable[..., object]:
        real = getattr(os, name)

        def act(*arguments: object) -> object:
            done.append(name)
            return real(*arguments)

        return act

    for name in ("write", "fsync", "close"):
        monkeypatch.setattr(os, name, noted(name))
    append(path_of(tmp_path, "1"), "1", "spent", kind="key_attempts", amount=1)
    assert done[:3] == ["write", "fsync", "close"]
    assert done.count("fsync") == 3  # of the file, and of the names that are new with it
    done.clear()
    append(path_of(tmp_path, "1"), "1", "spent", kind="key_attempts", amount=1)
    assert done == ["write", "fsync", "close"]


@pytest.mark.parametrize("serial", ["../../etc/passwd", "", "a b", "..", "a/b", "x" * 100, "\u00e9", "-rf"])
def test_a_serial_number_is_no_path(tmp_path: Path, serial: str) -> None:
    path = path_of(tmp_path, serial)
    assert path.parent == tmp_path / "units"
    assert path.name.startswith("sha256-")
    append(path, serial, "spent", kind="key_attempts", amount=1)
    assert json.loads(path.read_text())["serial"] == serial


def test_several_processes_lose_nothing(tmp_path: Path) -> None:
    path = path_of(tmp_path, "7")
    code = (
        "import sys; from pathlib import Path; from harness.record.wear import append\n"
        "for _ in range(50): append(Path(sys.argv[1]), '7', 'spent', kind='key_attempts', amount=1, run='x' * 500)"
    )
    running = [subprocess.Popen([sys.executable, "-c", code, str(path)]) for _ in range(3)]
    assert [process.wait() for process in running] == [0, 0, 0]
    known = read(path)
    assert (known.spent, known.damaged) == ({"key_attempts": 150}, 0)


def test_a_file_that_cannot_be_read_is_said(tmp_path: Path) -> None:
    path = path_of(tmp_path, "8")
    path.mkdir(parents=True)
    with pytest.raises(WearError, match=r"8\.jsonl: cannot be read"):
        read(path)
    with pytest.raises(WearError, match="cannot be written"):
        append(path, "8", "spent")
