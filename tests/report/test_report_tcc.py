"""Measured points on the time-current characteristic: which, where, and what they say."""

from __future__ import annotations

import re

import pytest

from harness.record.result import Applied, Verdict
from harness.report.tcc import pictures, point_of
from tests.report.made_record import HEATER, a_trip

DEVICES = {"heater": HEATER}


def places(svg: str) -> dict[str, tuple[float, float]]:
    """Where each point lies, by the first word of what it says."""
    found = re.findall(r'aria-label="([^:"]+):[^"]*" transform="translate\(([\d.]+) ([\d.]+)\)"', svg)
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


def test_cable_switch_and_fuse_are_drawn_and_judged() -> None:
    [with_fuse], _ = pictures([a_trip("in", Verdict.PASS, 17.0)], DEVICES, ((320.0, 60.0), (800.0, 1.0)))
    assert all(f'id="t1-line-{number}"' in with_fuse.svg for number in range(3))
    assert "cable, 2.5 mm2 copper, xlpe 90 degC" in with_fuse.svg
    assert [words.split(": ")[1].split(" from")[0] for words in with_fuse.coordination] == [
        "the breaker saves the cable", "the breaker saves its own switch", "the breaker is there first",
    ]  # fmt: skip

    [without], _ = pictures([a_trip("in", Verdict.PASS, 17.0)], DEVICES)
    assert without.coordination[-1] == "No line of an upstream fuse: the bench file declares no backup."


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
