"""A run as CSV and as JSON Lines."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import replace
from pathlib import Path

import jsonschema

from harness.record.export import result_schema
from harness.record.journal import Journal
from harness.record.reader import Record
from harness.record.result import Coverage, Measurement, Result, Verdict
from harness.report.table import COLUMNS, csv_text, json_lines

MARK = "SIMULATED BENCH: no evidence about a real breaker"
PLAIN = Result(
    *("overload/trip", "overload", "trip", "expect_trip", "steps", "o.yaml:3:5", Verdict.FAIL, ("late", "and hot")),
    measurements=(),
    coverage=Coverage.SECONDARY,
    function="overload",
    start_ns=500_000_000,
    end_ns=3_500_000_000,
    device="heater",
)
TIMED = replace(
    PLAIN,
    id="overload/two",
    step="two",
    measurements=(Measurement("operate time", 2.5, "s", 1.0, 2.0, 1.5, 0.01), Measurement("peak", None, "A")),
)


def record(folder: Path, *results: Result) -> Record:
    journal = Journal(folder)
    journal.about(mark=MARK, started="2026-03-01T10:00:00+00:00", ended="now")
    for result in results:
        journal.result(result)
    journal.close()
    return Record(folder)


def rows(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text, newline="")))


def test_a_line_a_measured_value_and_one_for_a_step_without(tmp_path: Path) -> None:
    found = rows(csv_text(record(tmp_path / "run", PLAIN, TIMED)))

    assert [(row["step"], row["measurement"], row["value"]) for row in found] == [
        ("trip", "", ""),
        ("two", "operate time", "2.5"),
        ("two", "peak", ""),
    ]
    assert {row["mark"] for row in found} == {MARK}
    timed = found[1]
    assert [timed[name] for name in ("low", "high", "nominal", "uncertainty", "repeatability", "unit")] == [
        *("1.0", "2.0", "1.5", "0.01", "0.0", "s")
    ]
    assert [
        timed[name] for name in ("device", "id", "where", "verdict", "reasons", "coverage", "start_s", "end_s")
    ] == [*("heater", "overload/two", "o.yaml:3:5", "fail", "late; and hot", "secondary", "0.5", "3.5")]


def test_the_form_is_that_of_rfc_4180(tmp_path: Path) -> None:
    text = csv_text(record(tmp_path / "run", replace(PLAIN, reasons=('a "quoted", word\nand a line',))))

    assert text.startswith(",".join(COLUMNS) + "\r\n")
    assert text.endswith("\r\n")
    assert rows(text)[0]["reasons"] == 'a "quoted", word\nand a line'


def test_a_spreadsheet_takes_no_text_for_a_formula(tmp_path: Path) -> None:
    evil = replace(PLAIN, reasons=("=HYPERLINK(1)",), plan="@sum", measurements=(Measurement("x", -1.5, "A"),))

    (row,) = rows(csv_text(record(tmp_path / "run", evil)))

    assert (row["reasons"], row["plan"], row["value"]) == ("'=HYPERLINK(1)", "'@sum", "-1.5")


def test_json_lines_are_those_of_a_run(tmp_path: Path) -> None:
    lines = list(json_lines(record(tmp_path / "run", PLAIN, TIMED)))

    values = [json.loads(line) for line in lines]
    for value in values:
        jsonschema.validate(value, result_schema())
    assert [value["id"] for value in values] == ["overload/trip", "overload/two"]
    assert {value["mark"] for value in values} == {MARK}
