"""``breakerbench report`` on records that are not what they should be: one line, exit 2, nothing written."""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner

from harness.cli import main
from harness.record.layout import FORMAT, JOURNAL_NAME
from harness.record.result import Verdict
from tests.report.made_record import a_run, a_trip

OLD = Path(__file__).parent.parent / "record" / "format_1"


def sql(statement: str) -> Callable[[Path], None]:
    def spoil(folder: Path) -> None:
        db = sqlite3.connect(folder / JOURNAL_NAME)
        db.execute(statement)
        db.commit()
        db.close()

    return spoil


def cut(folder: Path) -> None:
    """Half of the file, as a copy that broke off leaves it."""
    path = folder / JOURNAL_NAME
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])


def scribble(folder: Path) -> None:
    path = folder / JOURNAL_NAME
    content = bytearray(path.read_bytes())
    content[4096:] = b"\xa5" * (len(content) - 4096)
    path.write_bytes(content)


def other_profile(folder: Path) -> None:
    """A copy of an input that was edited after the run."""
    copy = next((folder / "inputs").glob("*heater.yaml"))
    copy.write_text(copy.read_text().replace("27.5 A", "28.5 A"))


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (sql(f"PRAGMA user_version={FORMAT + 1}"), "is newer than"),
        (sql("PRAGMA application_id=1"), "not a run record"),
        (cut, ""),
        (scribble, ""),
        (lambda folder: (folder / JOURNAL_NAME).write_text("no database"), "not readable as a run record"),
        (lambda folder: (folder / JOURNAL_NAME).unlink(), "no run record here"),
        (sql("DROP TABLE result"), "damaged run record"),
        (sql("UPDATE result SET verdict = 'splendid'"), "damaged run record"),
        (sql("UPDATE result SET measurements = '{'"), "damaged run record"),
        (other_profile, "SHA-256 differs"),
        (lambda folder: shutil.rmtree(folder / "inputs"), "cannot be read"),
    ],
    ids=["newer", "foreign", "half", "scribbled", "text", "gone", "no table", "verdict", "json", "edited", "no copies"],
)
def test_a_record_that_cannot_be_trusted_gives_one_line(
    spoil: Callable[[Path], None], words: str, tmp_path: Path
) -> None:
    folder = a_run(tmp_path / "run", *(a_trip(f"s{number}", Verdict.PASS, 17.0) for number in range(30)))
    spoil(folder)

    done = CliRunner().invoke(main, ["report", str(folder), "--out", str(tmp_path / "report.html")])

    assert done.exit_code == 2, done.output
    assert done.output.count("\n") == 1
    assert words in done.output
    assert not (tmp_path / "report.html").exists()


def test_a_record_of_an_older_format_is_reported(tmp_path: Path) -> None:
    shutil.copytree(OLD, tmp_path / "old")

    done = CliRunner().invoke(main, ["report", str(tmp_path / "old")])

    assert done.exit_code == 0, done.output
    assert "What failed, and why" in (tmp_path / "old" / "report.html").read_text()


def test_a_folder_that_takes_no_file_is_one_line(tmp_path: Path) -> None:
    folder = a_run(tmp_path / "run", a_trip("s", Verdict.PASS, 17.0))

    done = CliRunner().invoke(main, ["report", str(folder), "--out", str(tmp_path / "none" / "report.html")])

    assert (done.exit_code, done.output.count("\n")) == (2, 1)


def test_a_profile_that_this_version_cannot_read_is_said_and_the_rest_reported(tmp_path: Path) -> None:
    folder = a_run(tmp_path / "run", a_trip("s", Verdict.FAIL, 12.0))
    sql("DELETE FROM input WHERE role = 'ldf'")(folder)

    done = CliRunner().invoke(main, ["report", str(folder)])
    text = (folder / "report.html").read_text()

    assert done.exit_code == 0, done.output
    assert "the record holds no copy of its LDF heater.ldf; what follows from it is left out of this report" in text
    assert "too early by 4.4 s" in text
