"""The report page: what it says of a run, whole or not, and that names from files stay text."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from harness.cautions import CAUTIONS
from harness.cli import main
from harness.record.journal import Journal
from harness.record.reader import Record
from harness.record.result import Coverage, Measurement, Result, Verdict, Waveform
from harness.report.page import MOST_PICTURES, judged, limits, report, with_pictures
from harness.report.waveform import COLUMNS, outline
from tests.report.made_record import a_run, a_trip

NASTY = "<script>alert('x')</script>"


def a_result(**changes: object) -> Result:
    plain = Result(
        *("plan/step", "plan", "step", "expect_trip", "steps", "plan.yaml:3:5", Verdict.FAIL, ("not as asked",)),
        measurements=(Measurement("operate time", 2.5, "s", 1.0, 2.0),),
        coverage=Coverage.SECONDARY,
        function="overload",
        start_ns=0,
        end_ns=1,
    )
    return replace(plain, **changes)  # type: ignore[arg-type]


def page(folder: Path, *results: Result, **about: str) -> str:
    journal = Journal(folder)
    journal.about(**about)
    for result in results:
        journal.result(result)
    journal.close()
    record = Record(folder)
    try:
        return report(record, folder)
    finally:
        record.close()


@pytest.mark.parametrize(
    ("value", "unit", "words"),
    [
        (2.5, "s", "operate time: 2.5 s, too late by 0.5 s"),
        (0.25, "s", "operate time: 0.25 s, too early by 0.75 s"),
        (2.5, "A", "operate time: 2.5 A, too high by 0.5 A"),
        (0.25, "A", "operate time: 0.25 A, too low by 0.75 A"),
        (2.0, "s", "operate time: 2 s"),
        (1.5, "1", "operate time: 1.5"),
        (None, "s", "operate time: did not come"),
    ],
)
def test_a_value_is_put_in_words(value: float | None, unit: str, words: str) -> None:
    assert judged(Measurement("operate time", value, unit, 1.0, 2.0)) == words


@pytest.mark.parametrize(
    ("low", "high", "words"),
    [(1.0, 2.0, "1 to 2 s"), (None, 2.0, "at most 2 s"), (1.0, None, "at least 1 s"), (None, None, "")],
)
def test_limits_are_put_in_words(low: float | None, high: float | None, words: str) -> None:
    assert limits(Measurement("operate time", 1.5, "s", low, high)) == words


def test_a_failure_stands_on_the_page_with_its_reason(tmp_path: Path) -> None:
    text = page(tmp_path / "run", a_result(), ended="yes", mark="SIMULATED BENCH: no evidence about a real breaker")
    first, _, _ = text.partition("<nav")

    assert "1 fail" in first
    assert "not as asked</li>" in first
    assert "too late by 0.5 s" in first
    assert '<p class="mark">SIMULATED BENCH: no evidence about a real breaker</p>' in first
    assert "NOT A WHOLE RUN" not in text


def test_every_caution_stands_on_the_page_in_order_and_the_first_ahead_of_everything(tmp_path: Path) -> None:
    text = page(tmp_path / "run", a_result())
    first, _, rest = text.partition("<nav")
    _, _, below = rest.partition('<h2 id="cautions">')

    assert re.findall('<p class="caution">(.*?)</p>', first) == [CAUTIONS[0]]
    assert re.findall("<li>(.*?)</li>", below.partition("</ul>")[0]) == list(CAUTIONS)
    assert "does not isolate" in CAUTIONS[0]


def test_a_run_that_did_not_end_says_so_and_where(tmp_path: Path) -> None:
    journal = Journal(tmp_path / "run")
    journal.result(a_result())
    journal.begun(1, "heater", "plan", "next_step")
    journal.close()
    record = Record(tmp_path / "run")

    text = report(record, tmp_path / "run")

    assert "NOT A WHOLE RUN: it is still going on or was cut short, at plan/next_step." in text
    assert "fail so far</span>" in text
    record.close()


def test_names_from_files_are_text(tmp_path: Path) -> None:
    wave = Waveform(NASTY, NASTY, 0.0, 0.1, np.arange(4, dtype=">f4").tobytes())
    nasty = a_result(id=NASTY, plan=NASTY, step=NASTY, where=NASTY, reasons=(NASTY,), waveforms=(wave,))

    text = page(tmp_path / "run", nasty, bench=NASTY, mark=NASTY)

    assert text.count("<script") == 1  # the page's own
    assert text.count("&lt;script&gt;") >= 8


def test_the_page_fetches_nothing_and_is_the_same_each_time(tmp_path: Path) -> None:
    wave = Waveform("gate", "V", 0.0, 0.1, np.arange(4, dtype=">f4").tobytes())
    once = page(tmp_path / "a", a_result(waveforms=(wave,)))

    assert once == page(tmp_path / "b", a_result(waveforms=(wave,)))
    assert [word for word in ("src=", "@import", '<link rel="stylesheet', 'href="http') if word in once] == []


def test_a_spike_of_one_sample_is_not_thinned_away() -> None:
    samples = np.zeros(100_000, dtype=">f4")
    samples[54_321] = 7.0

    times, values = outline(Waveform("gate", "V", -1.0, 0.001, samples.tobytes()))

    assert len(values) <= 2 * COLUMNS + 2
    assert [time for time, value in zip(times, values, strict=True) if value == 7.0] == [pytest.approx(53.321)]


def test_the_command_writes_the_page(tmp_path: Path) -> None:
    page(tmp_path / "run", a_result())

    done = CliRunner().invoke(main, ["report", str(tmp_path / "run"), "--out", str(tmp_path / "r.html")])

    assert (done.exit_code, (tmp_path / "r.html").read_text().startswith("<!doctype html>")) == (0, True)


def test_no_record_is_one_line_and_exit_2(tmp_path: Path) -> None:
    done = CliRunner().invoke(main, ["report", str(tmp_path)])

    assert done.exit_code == 2
    assert done.output.count("\n") == 1
    assert "no run record here" in done.output


@pytest.mark.parametrize(
    ("code", "words"), [("130", "the operator interrupted it"), ("5", "bench, bus or record failed")]
)
def test_a_run_broken_off_is_no_pass(tmp_path: Path, code: str, words: str) -> None:
    text = page(tmp_path / "run", a_result(verdict=Verdict.PASS), ended="yes", exit_code=code)

    assert f"NOT A WHOLE RUN: {words}." in text
    assert "pass so far</span>" in text


def test_steps_that_were_not_run_are_explained_before_anything_else(tmp_path: Path) -> None:
    skipped = [a_result(id=f"plan/{n}", step=n, verdict=Verdict.NOT_RUN, reasons=("no recorder",)) for n in ("a", "b")]
    text = page(tmp_path / "run", *skipped, ended="yes")

    assert "<strong>Not run:</strong> 2 steps of plan: no recorder." in text.partition('id="failed"')[0]


def test_a_step_in_error_alone_does_not_make_the_run_broken_off(tmp_path: Path) -> None:
    assert "NOT A WHOLE RUN" not in page(tmp_path / "run", a_result(verdict=Verdict.ERROR), ended="yes", exit_code="5")


def test_steps_not_reached_make_it_broken_off_whatever_the_exit_code(tmp_path: Path) -> None:
    unreached = a_result(verdict=Verdict.NOT_RUN, reasons=("not reached: the bench was lost",))

    text = page(tmp_path / "run", unreached, ended="yes", exit_code="5")

    assert "NOT A WHOLE RUN: the bench was lost." in text


def test_a_value_and_its_limits_stand_once(tmp_path: Path) -> None:
    repeated = a_result(reasons=("operate time 2.5 s is too late: wanted 1 s to 2 s", "code x is gone"))
    first, _, _ = page(tmp_path / "run", repeated, ended="yes").partition("<nav")

    assert "is too late: wanted" not in first
    assert "too late by 0.5 s (limits: 1 to 2 s); code x is gone" in first


def test_units_instruments_and_what_was_not_recorded_are_said(tmp_path: Path) -> None:
    folder = a_run(tmp_path / "run", a_trip("trip", Verdict.PASS, 17.0))
    record = Record(folder)
    text = report(record, folder)
    record.close()

    assert "serial number 0001" in text.partition('id="failed"')[0]
    assert "injector: calibration was due on 2026-01-01" in text.partition('id="failed"')[0]
    assert "recorder: calibration" not in text
    assert "end, at 9 s: application_version went from 1.4.2 to 1.4.1" in text
    assert "Do not take the bench for safe" in text
    assert "how warm the devices are is unknown" in text


def test_bus_health_what_is_left_and_making_safe_are_said(tmp_path: Path) -> None:
    journal = Journal(tmp_path / "run")
    bus = {"frames": 10, "no_response": 1, "faults": {"checksum does not match": 2}, "retries": 0, "no_echo": 0}
    late = {"late_us_half": 1, "late_us_99_of_100": 3, "late_us_worst": 900, "slots_missed": 4}
    journal.event(0, "bus", bus | late)
    journal.event(0, "making_safe", {"action": "contactor open", "problem": "it did not answer"})
    left = {"set_points": {"pickup": 20.0}, "not_put_back": {"pickup": 27.5}, "levels": {"overload": [0.1, 0.2]}}
    journal.event(0, "ledger", {"device": "heater", "trips": 3, "writes": 5, "mode": None, "quarantine": None, **left})
    journal.close()
    record = Record(tmp_path / "run")
    text = report(record, tmp_path / "run")
    record.close()

    for words in (
        "checksum does not match: 2",
        "worst 900 us; 4 slots missed",
        "contactor open</th><td>it did not answer",
        "heater: set-points not put back</th><td>pickup 27.5",
        "overload 10 % to 20 %",
    ):
        assert words in text


def test_bench_time_by_plan(tmp_path: Path) -> None:
    hour = a_result(id="long/a", plan="long", step="a", end_ns=3_600_000_000_000)
    text = page(tmp_path / "run", a_result(end_ns=0), hour, ended="yes")

    assert "<td>long</td><td>1</td><td>1 h 0 min</td><td>100 %</td><td>a (1 h 0 min)</td>" in text


def test_what_did_not_pass_is_drawn_first_and_each_function_has_its_turn() -> None:
    wave = Waveform("gate", "V", 0.0, 1e-3, b"\0\0\0\0")

    def recorded(number: int, function: str, verdict: Verdict) -> Result:
        name = f"{function}_{number}"
        return Result(
            name, "plan", name, "expect_trip", "steps", "p.yaml:1:1", verdict, (), (), Coverage.SECONDARY, function,
            0, 1, (), (wave,), None,
        )  # fmt: skip

    many = [recorded(number, "overload", Verdict.PASS) for number in range(2 * MOST_PICTURES)]
    few = [recorded(0, "junction", Verdict.PASS), recorded(1, "junction", Verdict.FAIL)]

    drawn = with_pictures([*many, *few])

    assert len(drawn) == MOST_PICTURES
    assert {"junction_0", "junction_1", "overload_0"} <= drawn
    assert f"overload_{2 * MOST_PICTURES - 1}" not in drawn
