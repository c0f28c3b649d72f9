"""The times to off that an inspection keeps beside the runs."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.record.inspection import InspectionUnreadable, Measured, inspection_file, read_measured, write_measured

MEASURED = Measured("mine", "abc", "2026-01-31T10:00:00+00:00", {"watchdog process": 0.3})


def test_what_was_kept_is_read_back_and_the_last_one_counts(tmp_path: Path) -> None:
    assert read_measured(tmp_path, "mine") is None
    write_measured(tmp_path, Measured("mine", "old", "2025-01-31", {}))

    path = write_measured(tmp_path, MEASURED)

    assert path == tmp_path / "benches" / "mine.json"
    assert read_measured(tmp_path, "mine") == MEASURED
    assert list(path.parent.iterdir()) == [path]


@pytest.mark.parametrize(
    "text",
    [
        "",
        "[]",
        "{}",
        '{"format": 2}',
        '{"format": 1}',
        '{"format": 1, "bench": "mine", "digest": "", "at": "", "cut_s": {"x": "soon"}}',
        '{"format": 1, "bench": "mine", "digest": "", "at": "", "cut_s": 3}',
    ],
)
def test_anything_else_is_refused_with_its_path(tmp_path: Path, text: str) -> None:
    path = inspection_file(tmp_path, "mine")
    path.parent.mkdir()
    path.write_text(text)

    with pytest.raises(InspectionUnreadable, match=r"mine.json: not what 'breakerbench bench' writes"):
        read_measured(tmp_path, "mine")


def test_a_place_that_cannot_be_written_is_said(tmp_path: Path) -> None:
    (tmp_path / "benches").write_text("a file")

    with pytest.raises(InspectionUnreadable, match="cannot be written"):
        write_measured(tmp_path, MEASURED)
