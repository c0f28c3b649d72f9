"""The report page: one self-contained HTML file made from a run record and nothing else."""

from __future__ import annotations

import math
from dataclasses import dataclass

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from harness.record.reader import Record
from harness.record.result import Measurement, Result, Verdict, strongest
from harness.report.waveform import draw

SHAPES = {
    Verdict.PASS: "●",
    Verdict.FAIL: "✖",
    Verdict.ERROR: "▲",
    Verdict.INCONCLUSIVE: "◆",
    Verdict.NOT_RUN: "○",
}
"""A shape for each verdict, so that none is told by colour alone."""

BROKEN_OFF = {"130": "the operator interrupted it", "5": "bench, bus or record failed"}
"""Exit codes of a run that came to its end but not through all its steps, in words."""

NOT_BEGUN_OR_PASSED = (Verdict.PASS, Verdict.NOT_RUN)


@dataclass(frozen=True)
class Course:
    """How far the run came, in words; ``whole`` only if it says that it ended."""

    whole: bool
    words: str


def course(about: dict[str, str], last: str | None) -> Course:
    """Say whether the record holds a whole run. ``last`` is the id of the last committed result."""
    if "ended" in about:
        broken = BROKEN_OFF.get(about.get("exit_code", ""))
        return Course(True, "The run ended.") if broken is None else Course(False, f"NOT A WHOLE RUN: {broken}.")
    where = f"the last step in the record is {last}" if last else "no step is in the record"
    return Course(False, f"NOT A WHOLE RUN: it is still going on or was cut short; {where}.")


def judged(measurement: Measurement) -> str:
    """The measured value against its limits in plain words; for an operate time, late or early."""
    name, unit, value = measurement.name, _shown(measurement.unit), measurement.value
    if value is None:
        return f"{name}: did not come"
    low, high = measurement.low, measurement.high
    words = f"{name}: {value:.4g}{unit}"
    if high is not None and value > high:
        return f"{words}, {'too late' if measurement.unit == 's' else 'too high'} by {value - high:.3g}{unit}"
    if low is not None and value < low:
        return f"{words}, {'too early' if measurement.unit == 's' else 'too low'} by {low - value:.3g}{unit}"
    return words


def limits(measurement: Measurement) -> str:
    """The limits of a measured value as a range, with the sides that do not bind left out."""
    low = -math.inf if measurement.low is None else measurement.low
    high = math.inf if measurement.high is None else measurement.high
    if math.isinf(low) and math.isinf(high):
        return ""
    if math.isinf(low):
        return f"at most {high:.4g}{_shown(measurement.unit)}"
    if math.isinf(high):
        return f"at least {low:.4g}{_shown(measurement.unit)}"
    return f"{low:.4g} to {high:.4g}{_shown(measurement.unit)}"


def _shown(unit: str) -> str:
    return "" if unit == "1" else f" {unit}"


def picture(result: Result, place: str) -> Markup:
    """The waveforms of ``result`` as SVG; the drawing library escapes the names; ``place`` sets its ids apart."""
    return Markup(draw(result.waveforms, f"waveforms of {result.id}", place))


def report(record: Record) -> str:
    """The whole page as HTML. Raises RecordError for a damaged record."""
    about, results = record.about(), list(record.results())
    plans: dict[str, list[Result]] = {}
    for result in results:
        plans.setdefault(result.plan, []).append(result)
    environment = Environment(
        loader=PackageLoader("harness.report"), autoescape=True, undefined=StrictUndefined, trim_blocks=True
    )
    environment.globals.update(judged=judged, limits=limits, shape=SHAPES.__getitem__, picture=picture)
    return environment.get_template("report.html").render(
        about=about,
        mark=about.get("mark", ""),
        course=course(about, results[-1].id if results else None),
        verdict=strongest(result.verdict for result in results),
        counts=[(verdict, sum(result.verdict is verdict for result in results)) for verdict in Verdict],
        failed=[result for result in results if result.verdict not in NOT_BEGUN_OR_PASSED],
        plans=plans,
        inputs=record.inputs(),
    )
