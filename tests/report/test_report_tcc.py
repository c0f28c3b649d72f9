"""Measured points on the time-current characteristic: which, where, and what they say."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

from harness.bench.spec import shipped_bench
from harness.record.journal import Journal
from harness.record.reader import Record, RecordError
from harness.record.result import Applied, Verdict
from harness.report.kept import kept_backup
from harness.report.tcc import pictures, point_of
from protocol.surroundings import Withstand
from tests.report.made_record import HEATER, a_trip

DEVICES = {"heater": HEATER}


def places(svg: str) -> dict[str, tuple[float, float]]:
    """Where each point lies, by the first word of what it says."""
    found = re.findall(r'data-say="([^:"]+):[^"]*" transform="translate\(([\d.]+) ([\d.]+)\)"', svg)
    return {name: (float(x), float(y)) for name, x, y in found}


def test_a_point_says_what_was_measured_against_what() -> None:
    point = point_of(a_trip("early", Verdict.FAIL, 14.78))

    assert point is not None
    assert point.words == "plan/early: fail, overload, 55 A in 14.78 s (limits 16.4 s to 17.7 s), cold start"


def test_points_lie_where_the_axes_say() -> None:
    ten, twenty = a_trip("a", Verdict.PASS, 10.0), a_trip("b", Verdict.FAIL, 100.0)
    further = a_trip("c", Verdict.PASS, 10.0, facts={"plateau": 110.0})
    [picture], _ = pictures([ten, twenty, further], DEVICES)
    at = places(picture.svg)

    decade = at["plan/a"][1] - at["plan/b"][1]
    assert at["plan/a"][0] == at["plan/b"][0]
    assert at["plan/a"][1] == at["plan/c"][1]
    # 0.01 s to 1,000 s are five decades over 71 % of 388.8 pt; SVG's y axis points down
    assert decade == pytest.approx(0.71 * 388.8 / 5, abs=0.11)
    assert at["plan/c"][0] > at["plan/a"][0]


def test_every_verdict_has_its_own_shape_and_a_warm_start_is_hollow() -> None:
    verdicts = (Verdict.PASS, Verdict.FAIL, Verdict.ERROR, Verdict.INCONCLUSIVE)
    results = [a_trip(verdict.value, verdict, 17.0) for verdict in verdicts]
    warm = a_trip("warm", Verdict.PASS, 17.0, stimulus=Applied("inject", 55.0, "A", None, "from_history"))
    [picture], _ = pictures([*results, warm], DEVICES)
    shapes = re.findall(r'<path d="([^"]+)" fill="(#\w+)" stroke="#\w+" stroke-width="1.6"/></g>', picture.svg)

    assert len({outline for outline, _ in shapes}) == len(verdicts)
    assert [fill for _, fill in shapes].count("#fff") == 1


@pytest.mark.parametrize(
    "changes",
    [
        {"stimulus": None},
        {"stimulus": Applied("supply", 8.0, "V", None, "from_history")},
        {"function": "switch_stuck"},
        {"measurements": ()},
    ],
    ids=["none", "a voltage", "the switch open", "no time"],
)
def test_what_is_not_about_the_current_of_the_closed_switch_is_left_out(changes: dict[str, object]) -> None:
    left_out = a_trip("other", Verdict.PASS, 17.0, **changes)
    [picture], _ = pictures([a_trip("in", Verdict.PASS, 17.0), left_out], DEVICES)

    assert [point.id for point in picture.points] == ["plan/in"]


def test_other_set_points_are_another_picture_and_too_many_are_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("harness.report.tcc.MOST", 2)
    results = [
        a_trip(f"s{number}", Verdict.PASS, 17.0, set_points={**HEATER.defaults(), "overload_pickup": 20.0 + number})
        for number in range(4)
    ]
    drawn, notes = pictures(results, DEVICES)

    assert len(drawn) == 2
    assert notes[0].startswith("2 further combinations of set-points, with 2 points together, are not drawn")


def test_a_device_that_cannot_be_rebuilt_is_said() -> None:
    drawn, notes = pictures([a_trip("a", Verdict.PASS, 17.0)], {})

    assert drawn == []
    assert notes[0].startswith("1 points are not drawn")


def test_a_step_that_was_not_run_is_no_point() -> None:
    assert point_of(a_trip("other", Verdict.NOT_RUN, 17.0)) is None


def test_a_name_with_markup_in_it_is_text() -> None:
    nasty = '"><script>alert(1)</script>'
    [picture], _ = pictures([a_trip("a", Verdict.PASS, 17.0, id=nasty)], DEVICES)

    assert "<script" not in picture.svg
    assert 'aria-label="&quot;&gt;&lt;script&gt;' in picture.svg


FUSE = ("backup fuse 160 A", ((320.0, 60.0), (800.0, 1.0), (1600.0, 0.01)))


def test_cable_switch_and_backup_are_drawn_and_said() -> None:
    [picture], notes = pictures([a_trip("a", Verdict.PASS, 17.0)], DEVICES, FUSE)

    assert re.findall(r'id="t1-line-(\w+)"', picture.svg) == ["cable", "switch", "backup"]
    for words in ("cable 4 mm² copper, XLPE", "switch withstand", "backup fuse 160 A"):
        assert f">{words}</text>" in picture.svg
    assert [sentence.split(":")[0] for sentence in picture.coordination[:3]] == [
        "Protects the cable",
        "Protects its switch",
        "Selective",
    ]
    assert notes == []


def test_set_points_that_lose_the_order_are_said_below_their_own_picture() -> None:
    weak = replace(HEATER, withstand=Withstand(((50.0, 30.0), (200.0, 0.01))))
    slow = a_trip("a", Verdict.PASS, 17.0, set_points={**HEATER.defaults(), "overload_time_constant": 600.0})
    # 60 s: 54.42 A is where the latest operation, 60/0.99 s * -ln(1 - (27.5/(0.99 I - 0.1))²) + 25 ms = 18.4 s, meets
    # 30 s * (I/50)**(ln(0.01/30)/ln(200/50)); 600 s: the line's very beginning is lost
    drawn, _ = pictures([a_trip("b", Verdict.PASS, 17.0), slow], {"heater": weak}, FUSE)

    assert {picture.coordination[1].split(":")[0] for picture in drawn} == {"Does NOT protect its switch"}
    assert {re.search(r"at ([\d.]+) A", picture.coordination[1])[1] for picture in drawn} == {"50", "54.42"}  # type: ignore[index]


def test_without_profile_sections_and_backup_each_missing_line_is_said() -> None:
    bare = replace(HEATER, cable=None, withstand=None)
    [picture], _ = pictures([a_trip("a", Verdict.PASS, 17.0)], {"heater": bare})

    assert "-line-" not in picture.svg
    assert [sentence.split(":")[0] for sentence in picture.coordination] == [
        "No cable line",
        "No withstand line",
        "No backup line",
    ]


def test_the_backup_is_that_of_the_records_own_copy_of_the_bench_file(tmp_path: Path) -> None:
    journal = Journal(tmp_path / "run")
    journal.keep_input(shipped_bench("simulated"), "bench")
    journal.close()
    record = Record(tmp_path / "run")
    [copy] = [tmp_path / "run" / each.stored_as for each in record.inputs()]

    assert kept_backup(record, tmp_path / "run") == FUSE
    copy.write_text(copy.read_text().replace("320 A", "300 A"))
    with pytest.raises(RecordError, match="SHA-256 differs"):
        kept_backup(record, tmp_path / "run")
    record.close()


def test_a_record_without_a_bench_file_has_no_backup(tmp_path: Path) -> None:
    Journal(tmp_path / "run").close()
    record = Record(tmp_path / "run")

    assert kept_backup(record, tmp_path / "run") == ("", ())
    record.close()
