"""JUnit XML of a run: a suite a plan, a case a step, made from the record and nothing else.

What a build server is told: fail is a failure; error and inconclusive are errors, since neither says that the breaker
is good; not-run is skipped. A step that was running when the run stopped is an error, what came after it skipped.

The published schema has no `file` and `line` for a case: the suite's `file` is the plan, and a case's `system-out` (and
the text of its failure) begins with file:line:column of the step. The simulated-bench mark is a property of every suite
and stands in its `system-out` as well, since some readers show no properties. Times are bench time.
"""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from harness.record.note import PlanNote
from harness.record.reader import Record
from harness.record.result import Measurement, Result, Verdict

_S = 1_000_000_000
_PROPERTIES = ("version", "bench", "seed", "noise_seed", "operator", "simulated", "mark")
_ELEMENTS = {
    Verdict.FAIL: "failure",
    Verdict.ERROR: "error",
    Verdict.INCONCLUSIVE: "error",
    Verdict.NOT_RUN: "skipped",
}
_NOT_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
"""What no XML 1.0 document may hold (XML 1.0, 2.2 Char), not even escaped."""


@dataclass(frozen=True)
class _Case:
    """One case: the step, its place, its verdict and what is to be said of it."""

    plan: str
    step: str
    where: str
    verdict: Verdict
    word: str
    reason: str
    seconds: float
    output: str


def junit(record: Record) -> bytes:
    """The run as a JUnit XML document, UTF-8. Raises RecordError."""
    about, cases = record.about(), list(_cases(record))
    notes = {note.name: note for note in record.plans()}
    counts = _counts(cases)
    del counts["skipped"]  # which a suite has, and the root has not
    root = ET.Element("testsuites", {"name": "breakerbench", **counts})
    for plan in dict.fromkeys(case.plan for case in cases):
        its = [case for case in cases if case.plan == plan]
        suite = ET.SubElement(root, "testsuite", {"name": _text(plan), **_counts(its)})
        _describe(suite, about, notes.get(plan))
        for case in its:
            _add(suite, case)
        if about.get("mark"):
            ET.SubElement(suite, "system-out").text = _text(about["mark"])
    ET.indent(root)
    document: bytes = ET.tostring(root, encoding="utf-8", xml_declaration=True)
    return document + b"\n"


def _describe(suite: ET.Element, about: Mapping[str, str], note: PlanNote | None) -> None:
    if note is not None:
        suite.set("file", _text(note.path))
    if "started" in about:
        suite.set("timestamp", about["started"].partition("+")[0])
    if "host" in about:
        suite.set("hostname", _text(about["host"]))
    properties = ET.SubElement(suite, "properties")
    values = {"title": "" if note is None else note.title} | {name: about.get(name, "") for name in _PROPERTIES}
    for name, value in values.items():
        if value:
            ET.SubElement(properties, "property", name=name, value=_text(value))


def write_junit(folder: Path, file: Path) -> None:
    """Write the run in ``folder`` to ``file``. Raises RecordError and OSError."""
    record = Record(folder)
    try:
        file.write_bytes(junit(record))
    finally:
        record.close()


def _cases(record: Record) -> Iterator[_Case]:
    done: set[str] = set()
    for result in record.results():
        done.add(result.id)
        yield _case(result)
    stopped = record.stopped_at()
    if stopped is None:
        return
    for note in record.plans():
        yield from _unfinished(note, done, stopped)


def _unfinished(note: PlanNote, done: Collection[str], stopped: str) -> Iterator[_Case]:
    """The steps that a run cut short, or still going on, has no result of."""
    for step in note.steps:
        name = f"{note.name}/{step.name}"
        if name not in done:
            running = name == stopped
            verdict = Verdict.ERROR if running else Verdict.NOT_RUN
            reason = "the run stopped in this step" if running else f"the run stopped: {stopped}"
            yield _Case(note.name, step.name, step.where, verdict, verdict.value, reason, 0.0, "")


def _case(result: Result) -> _Case:
    reason = "; ".join(result.reasons)
    output = "\n".join(map(_measured, result.measurements))
    seconds = (result.end_ns - result.start_ns) / _S
    verdict = result.verdict
    return _Case(result.plan, result.step, result.where, verdict, verdict.value, reason, seconds, output)


def _measured(measurement: Measurement) -> str:
    limits = " to ".join("any" if limit is None else f"{limit:g}" for limit in (measurement.low, measurement.high))
    value = "did not come" if measurement.value is None else f"{measurement.value:g}"
    return f"{measurement.name} {value} {measurement.unit} ({limits} {measurement.unit})"


def _counts(cases: list[_Case]) -> dict[str, str]:
    elements = [_ELEMENTS.get(case.verdict) for case in cases]
    return {
        "tests": str(len(cases)),
        "failures": str(elements.count("failure")),
        "errors": str(elements.count("error")),
        "skipped": str(elements.count("skipped")),
        "time": f"{sum(case.seconds for case in cases):.3f}",
    }


def _add(suite: ET.Element, case: _Case) -> None:
    element = ET.SubElement(
        suite, "testcase", name=_text(case.step), classname=_text(case.plan), time=f"{case.seconds:.3f}"
    )
    if kind := _ELEMENTS.get(case.verdict):
        found = ET.SubElement(element, kind, message=_text(case.reason))
        found.set("type", case.word)
        found.text = _text(f"{case.where}: {case.reason}")
    ET.SubElement(element, "system-out").text = _text("\n".join(filter(None, (case.where, case.output))))


def _text(text: str) -> str:
    """``text`` with the replacement character for what XML cannot hold."""
    return _NOT_XML.sub("\ufffd", text)
