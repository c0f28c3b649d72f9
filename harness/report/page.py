"""The report page: one self-contained HTML file made from a run record and nothing else."""

from __future__ import annotations

import hashlib
import json
import math
import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup, escape

from harness.cautions import CAUTIONS
from harness.record.reader import Record
from harness.record.result import Exchange, Measurement, Result, Verdict, strongest
from harness.report import bench
from harness.report.coverage import ASPECTS, code_matrix, set_point_rows
from harness.report.kept import Kept, kept_devices
from harness.report.slim import classed
from harness.report.tcc import Picture, pictures
from harness.report.waveform import draw
from harness.report.words import Words
from protocol.device import Device

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

MOST_PICTURES = 50
"""Of waveforms, on one page."""
NOT_REACHED = "not reached: "
"""How the reason of a step begins that a run broken off did not come to."""
NOT_BEGUN_OR_PASSED = (Verdict.PASS, Verdict.NOT_RUN)


@dataclass(frozen=True)
class Course:
    """How far the run came, in words; ``whole`` only if it says that it ended."""

    whole: bool
    words: str


def course(about: Mapping[str, str], stopped_at: str | None, results: Iterable[Result]) -> Course:
    """Say whether the record holds a whole run. ``stopped_at`` is what the record says of one that did not end."""
    if "ended" not in about:
        return Course(False, f"NOT A WHOLE RUN: it is still going on or was cut short, {_where(stopped_at)}.")
    code, verdicts, reached = about.get("exit_code", ""), set[Verdict](), ""
    for result in results:
        verdicts.add(result.verdict)
        reached = reached or next((reason for reason in result.reasons if reason.startswith(NOT_REACHED)), "")
    if reached:
        return Course(False, f"NOT A WHOLE RUN: {reached.removeprefix(NOT_REACHED)}.")
    if code in BROKEN_OFF and not (code == "5" and Verdict.ERROR in verdicts):  # which a step in error alone gives too
        return Course(False, f"NOT A WHOLE RUN: {BROKEN_OFF[code]}.")
    return Course(True, "The run ended.")


def _where(stopped_at: str | None) -> str:
    if stopped_at is None or stopped_at.startswith(("before ", "after ")):
        return stopped_at or "nobody knows where"
    return f"at {stopped_at}"


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


def outside(measurement: Measurement) -> bool:
    """Whether the value is worth telling beside a failure: beyond its limits, or not there."""
    value, low, high = measurement.value, measurement.low, measurement.high
    return value is None or (low is not None and value < low) or (high is not None and value > high)


def said(result: Result) -> list[str]:
    """Reasons of ``result`` without those that only repeat a measured value and its limits."""
    repeated = tuple(f"{each.name} " for each in result.measurements if each.value is not None and outside(each))
    return [each for each in result.reasons if not (each.startswith(repeated) and " is too " in each)]


def soft(text: str) -> Markup:
    """``text``, which had better be broken after a slash or a bracket where it does not fit."""
    return Markup(re.sub(r"([/\[])(?=[^<]{4})", r"\1<wbr>", str(escape(text))))


def moment(text: str) -> str:
    """A time of the record as people read it."""
    return text.replace("T", " ").replace("+00:00", " UTC")


def anchor(name: str) -> str:
    """An element id for a name from a file, whatever is in it."""
    return "i" + hashlib.sha256(name.encode()).hexdigest()[:12]


def repeated(exchanges: Iterable[Exchange]) -> list[tuple[Exchange, int]]:
    """Exchanges in their order; one that was made several times in a row once, with how often."""
    found: list[tuple[Exchange, int]] = []
    for exchange in exchanges:
        last = found[-1][0] if found else None
        if last is not None and (last.request, last.answer, last.note) == (
            exchange.request,
            exchange.answer,
            exchange.note,
        ):
            found[-1] = last, found[-1][1] + 1
        else:
            found.append((exchange, 1))
    return found


def picture(result: Result) -> Markup:
    """The waveforms of ``result`` as SVG; the drawing escapes the names."""
    return Markup(draw(result.waveforms, f"waveforms of {result.id}", anchor(f"waveforms {result.id}")))


def with_pictures(results: Sequence[Result]) -> set[str]:
    """Ids of the results whose waveforms are drawn: those that did not pass, then each function's in turn.

    All of them are in the record; a page that a reviewer opens at once has room for MOST_PICTURES.
    """
    recorded = [result for result in results if result.waveforms]
    seen: Counter[tuple[str, str | None]] = Counter()
    order = []
    for result in recorded:
        key = (result.device, result.function)
        order.append((result.verdict is Verdict.PASS, seen[key], result.id))
        seen[key] += 1
    return {name for _, _, name in sorted(order)[:MOST_PICTURES]}


def svg(drawing: Picture) -> Markup:
    """A characteristic as SVG, in which names are escaped."""
    return Markup(drawing.svg)


def report(record: Record, folder: Path) -> str:
    """The whole page as HTML, of the record that lies in ``folder``. Raises RecordError for a damaged one."""
    about, results = record.about(), list(record.results())
    plans: dict[str, list[Result]] = {}
    functions: dict[tuple[str, str], list[Result]] = {}
    for result in results:
        plans.setdefault(result.plan, []).append(result)
        if result.function is not None:
            functions.setdefault((result.device, result.function), []).append(result)
    kept = kept_devices(record, folder)
    backup = json.loads(about["backup"]) if about.get("backup") else None
    drawings, drawing_notes = pictures(results, kept.devices, backup)
    environment = Environment(
        loader=PackageLoader("harness.report"), autoescape=True, undefined=StrictUndefined, trim_blocks=True
    )
    environment.globals.update(
        judged=judged,
        limits=limits,
        outside=outside,
        said=said,
        soft=soft,
        moment=moment,
        shape=SHAPES.__getitem__,
        strongest=lambda results: strongest(result.verdict for result in results),
        picture=picture,
        svg=svg,
        anchor=anchor,
        repeated=repeated,
    )
    page = environment.get_template("report.html").render(
        about=about,
        mark=about.get("mark", ""),
        course=course(about, record.stopped_at(), results),
        verdict=strongest(result.verdict for result in results),
        counts=[(verdict, sum(result.verdict is verdict for result in results)) for verdict in Verdict],
        failed=[result for result in results if result.verdict not in NOT_BEGUN_OR_PASSED],
        not_run=bench.not_run(results),
        plans=plans,
        notes={note.name: note for note in record.plans()},
        functions=functions,
        pictures=drawings,
        picture_notes=drawing_notes,
        codes=code_matrix(results, kept.devices),
        aspects=list(ASPECTS),
        points=set_point_rows(results, record.events(), kept.devices),
        words=_in_words(kept.devices),
        cautions=CAUTIONS,
        with_pictures=with_pictures(results),
        recordings=sum(bool(result.waveforms) for result in results),
        times=bench.plan_times(plans),
        sections=_sections(bool(drawings or drawing_notes), bool(functions), kept),
        **_circumstances(record, about, kept),
    )
    return classed(page)


def _sections(pictures: bool, functions: bool, kept: Kept) -> list[tuple[str, str]]:
    """Ids and names of the sections that this report has."""
    there = {
        ("tcc", "Characteristics"): pictures,
        ("functions", "Functions"): functions,
        ("codes", "Fault codes"): bool(kept.devices),
        ("set-points", "Set-points"): bool(kept.devices),
        ("steps", "Every step"): True,
        ("run", "The run"): True,
        ("cautions", "Cautions"): True,
        ("inputs", "Inputs"): True,
    }
    return [section for section, shown in there.items() if shown]


def _in_words(devices: Mapping[str, Device]) -> Any:
    """What the template asks for the words of an exchange of a result."""
    speakers = {name: Words(device) for name, device in devices.items()}
    unknown = Words(None)

    def words(result: Result, exchange: Exchange) -> str:
        return speakers.get(result.device, unknown)(exchange)

    return words


def _circumstances(record: Record, about: Mapping[str, str], kept: Kept) -> dict[str, Any]:
    """What the page says of the bench and the run."""
    events, instruments, units = record.events(), record.instruments(), bench.units(record.identities())
    told, counts = bench.told(events)
    seconds = about.get("bench_s")
    return {
        "units": [_unit(unit, kept.devices.get(unit.device)) for unit in units],
        "identities": units,
        "instruments": instruments,
        "overdue": bench.overdue(instruments, about.get("started", "")),
        "bench_s": bench.duration(float(seconds)) if seconds else "",
        "run": _run_facts(about),
        "bus": bench.bus_lines(events),
        "safe": bench.made_safe(events),
        "left": bench.left_with(events),
        "told": told,
        "event_counts": counts,
        "problems": kept.problems,
        "inputs": record.inputs(),
    }


def _unit(unit: bench.Unit, device: Device | None) -> dict[str, str]:
    named = (
        ("application_version", "application"),
        ("hardware_version", "hardware"),
        ("serial_number", "serial number"),
    )
    words = [f"{said} {unit.values[name]}" for name, said in named if name in unit.values]
    return {"title": device.title if device else unit.device, "words": ", ".join(words) or "identity not known"}


_RUN_FACTS = (
    *("operator", "host", "started", "ended", "bench", "simulated", "seed", "noise_seed", "scope", "version", "python"),
    *("exit_code", "bench_s", "wall_s"),
)
_SAID = {"scope": "plan files", "version": "breakerbench", "exit_code": "exit code", "bench_s": "bench time (s)"}
_SAID |= {"wall_s": "time on the wall clock (s)", "noise_seed": "seed of the noise", "simulated": "simulated bench"}


def _run_facts(about: Mapping[str, str]) -> Sequence[tuple[str, str]]:
    known: Iterable[str] = (key for key in _RUN_FACTS if about.get(key))
    return [(_SAID.get(key, key), moment(about[key]) if key in ("started", "ended") else about[key]) for key in known]
