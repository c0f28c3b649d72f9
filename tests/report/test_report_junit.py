"""JUnit XML of a run: valid, told apart as a build server needs it, and from a run cut short as well."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path

import pytest
import xmlschema

from harness.record.journal import Journal
from harness.record.note import PlanNote, StepNote
from harness.record.reader import Record
from harness.record.result import Coverage, Measurement, Result, Verdict
from harness.report.junit import junit

SCHEMA = xmlschema.XMLSchema(Path(__file__).parents[1] / "vectors" / "junit.xsd")
MARK = "SIMULATED BENCH: no evidence about a real breaker"


def a_result(step: str, verdict: Verdict = Verdict.PASS, *reasons: str, plan: str = "overload") -> Result:
    return Result(
        *(f"{plan}/{step}", plan, step, "expect_trip", "steps", f"{plan}.yaml:3:5", verdict, reasons),
        measurements=(Measurement("operate time", 2.5, "s", 1.0, None),),
        coverage=Coverage.SECONDARY,
        function="overload",
        start_ns=1_000_000_000,
        end_ns=3_500_000_000,
    )


def a_plan(name: str, *steps: str) -> PlanNote:
    notes = tuple(StepNote(step, "expect_trip", "steps", f"{name}.yaml:{3 + at}:5") for at, step in enumerate(steps))
    return PlanNote(name, f"Title of {name}", "heater", None, f"{name}.yaml", notes)


def document(folder: Path, *results: Result, plans: tuple[PlanNote, ...] = (), **about: str) -> bytes:
    journal = Journal(folder)
    journal.about(**{"started": "2026-03-01T10:00:00+00:00", "host": "bench-3", "mark": MARK, **about})
    for plan in plans:
        journal.plan(plan)
    for result in results:
        journal.result(result)
    journal.close()
    record = Record(folder)
    try:
        return junit(record)
    finally:
        record.close()


def read(content: bytes) -> ET.Element:
    SCHEMA.validate(content.decode())
    return ET.fromstring(content)


def test_each_verdict_has_its_element_and_is_counted(tmp_path: Path) -> None:
    results = [a_result(verdict.value.replace("-", "_"), verdict, "why") for verdict in Verdict]

    root = read(document(tmp_path / "run", *results, plans=(a_plan("overload", "pass"),), ended="now"))

    (suite,) = root
    cases = {case.get("name"): case for case in suite.iter("testcase")}
    outcomes = {
        name: [(child.tag, child.get("type")) for child in case if child.tag != "system-out"]
        for name, case in cases.items()
    }
    assert outcomes == {
        "pass": [],
        "not_run": [("skipped", "not-run")],
        "inconclusive": [("error", "inconclusive")],
        "fail": [("failure", "fail")],
        "error": [("error", "error")],
    }
    counted = {key: suite.get(key) for key in ("tests", "failures", "errors", "skipped")}
    assert counted == {"tests": "5", "failures": "1", "errors": "2", "skipped": "1"}
    assert [root.get(key) for key in ("tests", "failures", "errors", "time")] == ["5", "1", "2", "12.500"]


def test_a_case_says_where_its_step_stands_how_long_it_took_and_what_was_measured(tmp_path: Path) -> None:
    root = read(document(tmp_path / "run", a_result("trip", Verdict.FAIL, "too late"), ended="now"))

    case = next(root.iter("testcase"))
    failure, output = case
    assert (case.get("classname"), case.get("name"), case.get("time")) == ("overload", "trip", "2.500")
    assert (failure.get("message"), failure.text) == ("too late", "overload.yaml:3:5: too late")
    assert output.text == "overload.yaml:3:5\noperate time 2.5 s (1 to any s)"


def test_a_suite_is_a_plan_with_its_mark(tmp_path: Path) -> None:
    results = [a_result("a"), a_result("b", plan="node"), a_result("c")]
    plans = (a_plan("overload", "a", "c"), a_plan("node", "b"))

    root = read(document(tmp_path / "run", *results, plans=plans, ended="now"))

    names = {suite.get("name"): [case.get("name") for case in suite.iter("testcase")] for suite in root}
    assert names == {"overload": ["a", "c"], "node": ["b"]}
    for suite in root:
        properties = {each.get("name"): each.get("value") for each in suite.iter("property")}
        assert (properties["mark"], properties["title"]) == (MARK, f"Title of {suite.get('name')}")
        assert suite.findtext("system-out") == MARK
        assert suite.get("timestamp") == "2026-03-01T10:00:00"
        assert (suite.get("hostname"), suite.get("file")) == ("bench-3", f"{suite.get('name')}.yaml")


def test_no_mark_on_a_real_bench(tmp_path: Path) -> None:
    assert b"SIMULATED" not in document(tmp_path / "run", a_result("a"), mark="", ended="now")


def test_a_run_cut_short_says_in_which_step_and_what_was_not_reached(tmp_path: Path) -> None:
    journal = Journal(tmp_path / "run")
    journal.plan(a_plan("overload", "first", "second", "third"))
    journal.event(1, "begun", {"plan": "overload", "step": "first"})
    journal.result(a_result("first"))
    journal.event(2, "begun", {"plan": "overload", "step": "second"})
    journal.close()
    record = Record(tmp_path / "run")

    root = read(junit(record))

    record.close()
    found = [(case.get("name"), case[0].tag, (case[0].get("message") or "")) for case in root.iter("testcase")]
    assert found == [
        ("first", "system-out", ""),
        ("second", "error", "the run stopped in this step"),
        ("third", "skipped", "the run stopped: overload/second"),
    ]


@pytest.mark.parametrize(
    ("text", "read_back"),
    [
        ("a \x1b[31mred\x1b[0m \x00 word", "a \ufffd[31mred\ufffd[0m \ufffd word"),
        ('<b> & "quotes" ]]>', '<b> & "quotes" ]]>'),
        ("Ω ≥ 5 °C \ufffe\ud800", "Ω ≥ 5 °C \ufffd\ufffd"),
    ],
)
def test_any_text_is_text_in_the_document(tmp_path: Path, text: str, read_back: str) -> None:
    reason = text.encode("utf-8", "replace").decode() if "\ud800" not in text else text

    failed = replace(a_result("trip"), verdict=Verdict.FAIL, reasons=(reason,))
    root = read(document(tmp_path / "run", failed, ended="now"))

    assert next(root.iter("failure")).get("message") == read_back


def test_the_schema_here_knows_a_wrong_document() -> None:
    good = '<testsuites name="a" tests="0" failures="0" errors="0" time="0.000"/>'
    SCHEMA.validate(good)

    for wrong in (
        good.replace('tests="0"', ""),
        good.replace("/>", "><testcase/></testsuites>"),
        good.replace("0.000", "long"),
    ):
        with pytest.raises(xmlschema.XMLSchemaValidationError):
            SCHEMA.validate(wrong)
