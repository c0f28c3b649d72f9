"""The backup of a bench file, read without judging the rest of that file."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.bench.spec import load_bench, shipped_bench
from harness.files.backup import backup_words, load_backup
from harness.files.marks import FileErrors


def test_it_is_the_one_that_the_bench_has() -> None:
    backup, bench = load_backup(shipped_bench("simulated")), load_bench(shipped_bench("simulated")).backup

    assert backup is not None
    assert bench is not None
    assert backup.points == bench.curve
    assert backup_words(backup.kind, backup.current.si) == "backup fuse 160 A"


def test_a_file_without_one_has_none(tmp_path: Path) -> None:
    (tmp_path / "bench.yaml").write_text("format: 1\nname: bench\n")

    assert load_backup(tmp_path / "bench.yaml") is None


def test_what_is_no_backup_is_said_at_its_place(tmp_path: Path) -> None:
    (tmp_path / "bench.yaml").write_text("format: 1\nbackup: {kind: rope}\n")
    with pytest.raises(FileErrors) as caught:
        load_backup(tmp_path / "bench.yaml")

    assert str(caught.value) == f"{tmp_path}/bench.yaml:2:1: not a backup's section"
