"""A run as tables for other programs: CSV with a line a measured value, JSON Lines with a line a step.

Both are made from the record and carry the simulated-bench mark in every line. A text that a spreadsheet would take for
a formula is led by an apostrophe in the CSV.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterator

from harness.record.export import result_values
from harness.record.reader import Record
from harness.record.result import Measurement, Result

_S = 1_000_000_000
COLUMNS = (
    *("mark", "started", "device", "id", "plan", "step", "kind", "section", "where", "verdict", "reasons", "function"),
    *("coverage", "start_s", "end_s", "measurement", "value", "unit", "low", "high", "nominal", "uncertainty"),
    "repeatability",
)
"""Of the CSV; from `measurement` on, one measured value. A step without one has one line, and nothing in these."""
_FORMULA = ("=", "+", "-", "@", "\t", "\r")


def csv_text(record: Record) -> str:
    """The run as CSV (RFC 4180: a header line, CRLF). Raises RecordError."""
    about = record.about()
    sheet = io.StringIO()
    writer = csv.writer(sheet)
    writer.writerow(COLUMNS)
    for result in record.results():
        first = [about.get("mark", ""), about.get("started", ""), *_step(result)]
        for measurement in result.measurements or (None,):
            writer.writerow([_cell(value) for value in (*first, *_value(measurement))])
    return sheet.getvalue()


def json_lines(record: Record) -> Iterator[str]:
    """Each result as a line of JSON, the same as `run --json` printed as it happened. Raises RecordError."""
    mark = record.about().get("mark") or None
    for result in record.results():
        yield json.dumps(result_values(result, mark))


def _step(result: Result) -> list[object]:
    return [
        *(result.device, result.id, result.plan, result.step, result.kind, result.section, result.where),
        *(result.verdict.value, "; ".join(result.reasons), result.function, result.coverage.value),
        *(result.start_ns / _S, result.end_ns / _S),
    ]


def _value(measurement: Measurement | None) -> list[object]:
    if measurement is None:
        return [None] * 8
    found = measurement
    limits = (found.low, found.high, found.nominal, found.uncertainty, found.repeatability)
    return [found.name, found.value, found.unit, *limits]


def _cell(value: object) -> object:
    return f"'{value}" if isinstance(value, str) and value.startswith(_FORMULA) else value
