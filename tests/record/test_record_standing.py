"""That a bench was left in doubt: kept in a file beside the runs until something may take it away, and no longer."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.record import standing as module
from harness.record.standing import Standing


def kept(runs: Path) -> Path:
    return runs / "benches" / "left.in_doubt"


def test_a_bench_that_nobody_left_in_doubt_is_in_none(tmp_path: Path) -> None:
    assert Standing(tmp_path, "left").doubt() is None
    assert list(tmp_path.iterdir()) == []


def test_a_doubt_is_known_to_whoever_comes_later_and_of_this_bench_alone(tmp_path: Path) -> None:
    Standing(tmp_path, "left").in_doubt("energised for 700 V")

    assert kept(tmp_path).read_text() == "energised for 700 V\n"
    assert Standing(tmp_path, "left").doubt() == "energised for 700 V"
    assert Standing(tmp_path, "right").doubt() is None


def test_it_is_on_the_disk_when_it_has_been_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """So that neither a kill nor a machine that loses its power takes it away."""
    synced: list[str] = []
    monkeypatch.setattr(module.os, "fsync", lambda number: synced.append(kept(tmp_path).read_text()))

    Standing(tmp_path, "left").in_doubt("energised for 700 V")

    assert synced[:1] == ["energised for 700 V\n"]


def test_the_later_doubt_stands_in_place_of_the_earlier(tmp_path: Path) -> None:
    standing = Standing(tmp_path, "left")
    standing.in_doubt("energised for 700 V")
    standing.in_doubt("not proved dead")

    assert standing.doubt() == "not proved dead"


def test_a_dead_bench_is_in_doubt_no_longer(tmp_path: Path) -> None:
    standing = Standing(tmp_path, "left")
    standing.in_doubt("energised for 700 V")
    standing.dead()
    standing.dead()  # a second time does nothing

    assert standing.doubt() is None
    assert not kept(tmp_path).exists()


def test_a_file_that_was_cut_short_counts_as_doubt(tmp_path: Path) -> None:
    Standing(tmp_path, "left").in_doubt("energised for 700 V")
    kept(tmp_path).write_text("")

    assert Standing(tmp_path, "left").doubt() == "nobody knows since when"


def test_a_file_that_cannot_be_read_counts_as_doubt(tmp_path: Path) -> None:
    kept(tmp_path).mkdir(parents=True)

    assert "cannot be read" in (Standing(tmp_path, "left").doubt() or "")


def test_a_doubt_that_cannot_be_kept_is_an_error(tmp_path: Path) -> None:
    (tmp_path / "benches").write_text("a file")

    with pytest.raises(OSError):
        Standing(tmp_path, "left").in_doubt("energised for 700 V")


def test_nothing_is_kept_of_a_simulated_bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    standing = Standing(None, "simulated")
    standing.in_doubt("energised for 700 V")

    assert standing.doubt() is None
    standing.dead()
    assert list(tmp_path.rglob("*")) == []


def test_what_is_no_text_counts_as_doubt(tmp_path: Path) -> None:
    standing = Standing(tmp_path, "left")
    standing.in_doubt("energised for 700 V")
    (file,) = (tmp_path / "benches").iterdir()
    file.write_bytes(b"\xff\xfe")

    assert standing.doubt() is not None


def test_a_link_that_leads_nowhere_counts_as_doubt(tmp_path: Path) -> None:
    (tmp_path / "benches").mkdir()
    (tmp_path / "benches" / "left.in_doubt").symlink_to(tmp_path / "nowhere")

    assert "leads nowhere" in (Standing(tmp_path, "left").doubt() or "")
