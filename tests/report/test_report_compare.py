"""What changed from one run to the next, and when nothing may be said about it."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner

from harness.cli import main
from harness.record.result import Coverage, Result, Verdict
from harness.report.compare import Change, Comparison, compare, load_side
from harness.report.comparison_page import text, values
from tests.report.record_bench import CODES, INSTRUMENT, TIMED, timed, write

NEW = replace(CODES, id="overload/new", step="new", facts=None)


def compared(tmp_path: Path, before: list[Result], after: list[Result]) -> Comparison:
    return compare(load_side(write(tmp_path / "before", before)), load_side(write(tmp_path / "after", after)))


def verdict(result: Result, verdict: Verdict) -> Result:
    return replace(result, verdict=verdict)


def test_two_equal_runs_have_nothing_to_say(tmp_path: Path) -> None:
    found = compared(tmp_path, [TIMED, CODES], [TIMED, CODES])

    assert (found.exit_code, found.regressions, found.reasons, found.bench_s) == (0, 0, (), (12.5, 12.5))
    assert found.drifts["overload/cold: operate time"].p == 1.0


def test_new_fails_fixed_steps_and_steps_that_came_or_went(tmp_path: Path) -> None:
    old = [verdict(TIMED, Verdict.FAIL), CODES, replace(CODES, id="overload/gone", step="gone")]
    found = compared(tmp_path, old, [TIMED, verdict(CODES, Verdict.INCONCLUSIVE), NEW])

    assert found.new_fails == (Change("overload/codes", "pass", "inconclusive"),)
    assert found.fixed == (Change("overload/cold", "fail", "pass"),)
    assert (found.missing, found.added, found.exit_code) == (("overload/gone",), ("overload/new",), 1)


def test_a_step_that_was_judged_and_is_not_run_now_is_missing_and_so_is_its_coverage(tmp_path: Path) -> None:
    found = compared(tmp_path, [TIMED, CODES], [verdict(TIMED, Verdict.NOT_RUN), CODES])

    assert found.missing == ("overload/cold",)
    assert found.lost_coverage == ("heater: overload by secondary injection",)
    assert found.exit_code == 1


def test_each_thing_that_is_not_shown_any_more_is_a_regression(tmp_path: Path) -> None:
    gone = compared(tmp_path / "step", [TIMED, CODES], [TIMED])
    uncovered = compared(tmp_path / "coverage", [TIMED], [replace(TIMED, coverage=Coverage.FORCED)])

    assert (gone.missing, gone.regressions, gone.exit_code) == (("overload/codes",), 1, 1)
    assert (uncovered.missing, uncovered.regressions, uncovered.exit_code) == ((), 1, 1)


def test_another_kind_of_injection_is_gained_and_lost_coverage(tmp_path: Path) -> None:
    found = compared(tmp_path, [TIMED], [replace(TIMED, coverage=Coverage.PRIMARY)])

    assert found.gained_coverage == ("heater: overload by primary injection",)
    assert found.lost_coverage == ("heater: overload by secondary injection",)


@pytest.mark.parametrize("after", [{}, {"overload": [], "silence": []}])
def test_fault_codes_that_came_or_went_are_a_regression(tmp_path: Path, after: dict[str, list[str]]) -> None:
    found = compared(tmp_path, [TIMED, CODES], [TIMED, replace(CODES, facts={"codes": after})])

    assert found.codes == (Change("overload/codes", "overload", ", ".join(after) or "none"),)
    assert found.exit_code == 1


def test_a_drift_is_named_in_widths_of_the_band(tmp_path: Path) -> None:
    found = compared(tmp_path, [timed(1.2), CODES], [timed(1.7), CODES])

    assert found.named == ("overload/cold: operate time",)
    assert found.drifts[found.named[0]].shift == pytest.approx(0.5)
    assert "overload/cold: operate time moved by +0.50 of its band, from 1.2 s to 1.7 s" in text(found)
    assert found.exit_code == 1


def test_a_move_within_what_repeats_and_bench_allow_is_no_drift(tmp_path: Path) -> None:
    found = compared(tmp_path, [timed(1.2), CODES], [timed(1.25), CODES])  # 0.05 s at a standard uncertainty of 0.02 s

    assert (found.named, found.exit_code) == ((), 0)


def test_values_with_other_set_points_are_another_question(tmp_path: Path) -> None:
    found = compared(tmp_path, [TIMED], [replace(timed(1.7), set_points={"overload_pickup": 22.0})])

    assert found.set_points == (Change("overload/cold: overload_pickup", "20", "22"),)
    assert (found.drifts, found.exit_code) == ({}, 0)


def test_a_side_with_repeats_is_a_folder_of_records(tmp_path: Path) -> None:
    for side, shift in (("before", 0.0), ("after", 0.1)):
        (tmp_path / side).mkdir()
        for number in range(6):
            write(tmp_path / side / str(number), [timed(1.2 + shift + 0.003 * number)])
    found = compare(load_side(tmp_path / "before"), load_side(tmp_path / "after"))
    once = compare(load_side(tmp_path / "before" / "0"), load_side(tmp_path / "after" / "0"))

    assert found.drifts["overload/cold: operate time"].repeats == (6, 6)
    assert found.named == ("overload/cold: operate time",)
    assert found.drifts[found.named[0]].uncertainty < once.drifts[found.named[0]].uncertainty


def test_a_step_passes_on_a_side_only_where_it_passes_in_every_run_of_it(tmp_path: Path) -> None:
    (tmp_path / "before").mkdir()
    write(tmp_path / "before" / "1", [TIMED])
    write(tmp_path / "before" / "2", [verdict(TIMED, Verdict.FAIL)])
    found = compare(
        load_side(tmp_path / "before"), load_side(write(tmp_path / "after", [verdict(TIMED, Verdict.FAIL)]))
    )

    assert found.new_fails == ()


@pytest.mark.parametrize(
    ("other", "reason"),
    [
        ({"serial": "S2"}, "heater: serial_number is S2, in BEFORE S1"),
        ({"bench_file": "name: other"}, "bench file is "),
        (
            {"instrument": replace(INSTRUMENT, identity="Imaginary,R1,8,1")},
            "instrument recorder is Imaginary,R1,8,1, in",
        ),
        ({"instrument": replace(INSTRUMENT, calibrated="2026-02-01")}, "calibration of recorder is 2026-02-01, in"),
        ({"ambient": 31.0}, "heater began at 31.0 degC, in BEFORE at 25.0 degC; more than 5 K apart"),
        ({"mark": "SIMULATED BENCH: no evidence about a real breaker"}, "simulated is yes, in BEFORE no"),
        ({"ended": False}, "is not a whole run: still going on or cut short, at "),
        ({"results": []}, "has no results"),
    ],
)
def test_what_is_not_comparable_says_why_and_nothing_else(tmp_path: Path, other: dict, reason: str) -> None:  # type: ignore[type-arg]
    before = write(tmp_path / "before")
    after = write(tmp_path / "after", **{"results": [verdict(TIMED, Verdict.FAIL)], **other})
    found = compare(load_side(before), load_side(after))

    assert len(found.reasons) == 1
    assert reason.replace("BEFORE", str(before)) in found.reasons[0]
    assert (found.exit_code, found.new_fails) == (3, ())


def test_a_little_warmer_is_comparable(tmp_path: Path) -> None:
    assert compare(load_side(write(tmp_path / "a")), load_side(write(tmp_path / "b", ambient=29.0))).reasons == ()


def test_another_version_is_what_a_comparison_is_for(tmp_path: Path) -> None:
    found = compare(load_side(write(tmp_path / "a")), load_side(write(tmp_path / "b", version="1.1")))

    assert found.identity == (Change("heater: application_version", "1.0", "1.1"),)
    assert found.exit_code == 0


def invoke(*arguments: object) -> tuple[int, str, str]:
    result = CliRunner().invoke(main, ["compare", *(str(argument) for argument in arguments)])
    return result.exit_code, result.stdout, result.stderr


def test_the_command_says_it_as_text_json_and_html_with_the_mark_on_each(tmp_path: Path) -> None:
    mark = "SIMULATED BENCH: no evidence about a real breaker"
    nasty = "<script>alert(1)</script>"
    before = write(tmp_path / "before", [TIMED], mark=mark)
    after = write(tmp_path / "after", [timed(1.7)], mark=mark, version=nasty)
    code, shown, _ = invoke(before, after, "--html", tmp_path / "page.html")
    page = (tmp_path / "page.html").read_text()

    assert code == 1
    assert shown.startswith(mark)
    assert shown.endswith("1 regression\n")
    assert mark in page
    assert nasty not in page
    assert "&lt;script&gt;" in page
    code, shown, _ = invoke(before, after, "--json")
    assert (code, json.loads(shown)) == (
        1,
        json.loads(json.dumps(values(compare(load_side(before), load_side(after))))),
    )
    assert json.loads(shown)["named"] == ["overload/cold: operate time"]


def test_the_command_refuses_what_is_no_record_in_one_line(tmp_path: Path) -> None:
    good, bad = write(tmp_path / "good"), tmp_path / "bad"
    bad.mkdir()
    (bad / "journal.sqlite").write_bytes((good / "journal.sqlite").read_bytes()[:5000])
    for wrong in (bad, tmp_path / "nothing"):
        code, shown, said = invoke(good, wrong)
        assert (code, shown, said.count("\n")) == (2, "", 1)
        assert str(wrong) in said


def test_exit_code_3_where_not_comparable(tmp_path: Path) -> None:
    code, shown, _ = invoke(write(tmp_path / "a"), write(tmp_path / "b", serial="S2"))

    assert code == 3
    assert "serial_number is S2" in shown
