"""A value over many runs: which runs count, in which order, and what bad input comes to."""

from __future__ import annotations

from pathlib import Path
from xml.etree import ElementTree

import pytest
from click.testing import CliRunner

from harness.cli import main
from harness.report.history import HistoryError, follow, values_of
from tests.report.record_bench import TIMED, timed, write

MARK = "SIMULATED BENCH: no evidence about a real breaker"
VALUE = "overload/cold: operate time"


def started(day: int) -> str:
    return f"2026-03-{day:02}T08:00:00+00:00"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Four runs, named against the order in which they started; the build changes after the second."""
    for number, value in enumerate((1.2, 1.3, 1.4, None), 1):
        version = "1.0" if number < 3 else "<1.1>"
        write(tmp_path / str(9 - number), [timed(value)], started=started(number), version=version)
    return tmp_path


def invoke(*arguments: object) -> tuple[int, str, str]:
    result = CliRunner().invoke(main, ["history", *(str(argument) for argument in arguments)])
    return result.exit_code, result.stdout, result.stderr


@pytest.mark.parametrize("value", [VALUE, "overload/cold"])
def test_points_stand_in_the_order_in_which_the_runs_started(folder: Path, value: str) -> None:
    found = follow(folder, value)

    assert [point.measurement.value for point in found.points] == [1.2, 1.3, 1.4, None]
    assert [point.version for point in found.points] == ["1.0", "1.0", "<1.1>", "<1.1>"]
    assert found.trend == pytest.approx(0.1)  # the band is 1 s wide


def test_simulated_and_real_runs_never_stand_in_one_history(folder: Path) -> None:
    write(folder / "x", [timed(1.9)], started=started(20), mark=MARK)
    found = follow(folder, VALUE)

    assert (found.mark, found.values) == (MARK, [1.9])
    assert found.left_out == ("4 runs on a real bench: the two are never mixed",)


def test_a_damaged_record_is_left_out_and_said_so(folder: Path) -> None:
    (folder / "0").mkdir()
    (folder / "0" / "journal.sqlite").write_bytes(b"no database" * 100)
    found = follow(folder, VALUE)

    assert len(found.points) == 4
    assert len(found.left_out) == 1
    assert str(folder / "0") in found.left_out[0]


def test_the_values_that_there_are(folder: Path) -> None:
    assert values_of(folder) == [VALUE]
    assert invoke(folder) == (0, f"{VALUE}\n", "")


@pytest.mark.parametrize(
    ("value", "wanted"),
    [
        ("overload/colt", "did you mean overload/cold"),
        ("overload/cold: operat time", f"did you mean {VALUE}"),
    ],
)
def test_an_unknown_value_is_met_with_one_like_it(folder: Path, value: str, wanted: str) -> None:
    code, shown, said = invoke(folder, "--value", value)

    assert (code, shown, said.count("\n")) == (2, "", 1)
    assert wanted in said


def test_a_step_with_several_values_asks_for_one(tmp_path: Path) -> None:
    twice = [*TIMED.measurements, *(type(m)("clearing time", 1.0, "s", 0.5, 2.0) for m in TIMED.measurements)]
    write(tmp_path / "1", [type(TIMED)(**{**vars(TIMED), "measurements": tuple(twice)})])

    with pytest.raises(HistoryError, match="want one of overload/cold: operate time, overload/cold: clearing time"):
        follow(tmp_path, "overload/cold")


def test_a_folder_without_records(tmp_path: Path) -> None:
    assert invoke(tmp_path, "--value", VALUE) == (2, "", f"{tmp_path}: no run records in here\n")
    assert invoke(tmp_path)[0] == 2


def test_the_picture_shows_every_run_and_is_the_same_each_time(folder: Path, tmp_path: Path) -> None:
    pictures = [folder / "a.svg", folder / "b.svg"]
    for picture in pictures:
        assert invoke(folder, "--value", VALUE, "--picture", picture)[0] == 0
    drawn = pictures[0].read_text()
    texts = {element.text for element in ElementTree.fromstring(drawn).iter() if element.tag.endswith("text")}

    assert drawn == pictures[1].read_text()
    assert {"operate time in s", "run", "<1.1>", "unit S1", "upper limit", "lower limit"} <= texts


def test_a_png_is_one(folder: Path) -> None:
    assert invoke(folder, "--value", VALUE, "--picture", folder / "a.png")[0] == 0
    assert (folder / "a.png").read_bytes().startswith(b"\x89PNG")


def test_bad_options_are_refused(folder: Path) -> None:
    assert invoke(folder, "--value", VALUE, "--picture", folder / "a.txt")[0] == 2
    assert invoke(folder, "--picture", folder / "a.svg")[0] == 2
    assert invoke(folder, "--value", VALUE, "--picture", folder / "nowhere" / "a.svg")[0] == 2
