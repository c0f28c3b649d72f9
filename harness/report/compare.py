"""What a new build changed: two runs, or two sides with several runs each, against each other.

A comparison is a pure function of the records. Where the two sides are not of one unit on one bench nothing is
compared, since whatever came out would say nothing about the build.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from harness.record.reader import Record, RecordError
from harness.record.result import Coverage, Result, Verdict, strongest
from harness.report.drift import Drift, Place, drift, named, place

PHYSICAL = (Coverage.PRIMARY, Coverage.SECONDARY)
AMBIENT_K = 5.0
"""Ambients further apart are not compared: several times what a thermistor is wrong by."""
_WORSE = (Verdict.FAIL, Verdict.ERROR, Verdict.INCONCLUSIVE)


@dataclass(frozen=True)
class Run:
    """What a comparison needs of one record."""

    folder: Path
    about: Mapping[str, str]
    stopped_at: str | None
    bench: Mapping[str, str]  # what must be equal on both sides, in words -> value
    ambient: Mapping[str, float]  # degC by device, where it was noted
    identity: Mapping[str, str]  # device: name -> value, as read at the start
    results: Mapping[str, Result]


def load_run(folder: Path) -> Run:
    """The record in ``folder``. Raises RecordError."""
    record = Record(folder)
    try:
        about = record.about()
        bench = {"bench": about.get("bench", ""), "simulated": about.get("simulated", "")}
        bench["bench file"] = " ".join(each.sha256[:12] for each in record.inputs() if each.role == "bench")
        for note in record.instruments():
            bench[f"instrument {note.role}"] = note.identity or note.resource
            bench[f"calibration of {note.role}"] = note.calibrated or "not noted"
        identity: dict[str, str] = {}
        for reading in record.identities():
            for name, value in reading.values.items():
                identity.setdefault(f"{reading.device}: {name}", value)
        bench |= {name: value for name, value in identity.items() if "serial" in name}
        events = [event for event in record.events() if event.kind == "ambient"]
        ambient = {str(event.detail["device"]): float(str(event.detail["value"])) for event in events[::-1]}
        results = {result.id: result for result in record.results()}
        return Run(folder, about, record.stopped_at(), bench, ambient, identity, results)
    finally:
        record.close()


def load_side(folder: Path) -> tuple[Run, ...]:
    """The record in ``folder`` or, where that is a folder of records, all of these. Raises RecordError."""
    inside = sorted(path.parent for path in folder.glob("*/journal.sqlite"))
    if (folder / "journal.sqlite").exists() or not inside:
        return (load_run(folder),)
    return tuple(load_run(each) for each in inside)


@dataclass(frozen=True)
class Change:
    """Something that is not as it was: of what, before, after."""

    what: str
    before: str
    after: str


@dataclass(frozen=True)
class Comparison:
    """What changed from ``before`` to ``after``; with ``reasons`` they are not comparable, and nothing else is said."""

    before: tuple[Run, ...]
    after: tuple[Run, ...]
    reasons: tuple[str, ...]
    identity: tuple[Change, ...] = ()
    new_fails: tuple[Change, ...] = ()
    fixed: tuple[Change, ...] = ()
    missing: tuple[str, ...] = ()  # steps that were judged before and are not now
    added: tuple[str, ...] = ()
    codes: tuple[Change, ...] = ()
    set_points: tuple[Change, ...] = ()
    lost_coverage: tuple[str, ...] = ()
    gained_coverage: tuple[str, ...] = ()
    drifts: Mapping[str, Drift] = field(default_factory=dict)
    named: tuple[str, ...] = ()
    bench_s: tuple[float, float] = (0.0, 0.0)

    @property
    def regressions(self) -> int:
        """How many changes speak against the new build: fails, drifts, other codes, what is not shown any more."""
        return len(self.new_fails) + len(self.named) + len(self.codes) + len(self.missing) + len(self.lost_coverage)

    @property
    def exit_code(self) -> int:
        """3 not comparable, 1 regression, 0 none."""
        return 3 if self.reasons else 1 if self.regressions else 0

    @property
    def mark(self) -> str:
        """The simulated-bench mark of either side, '' where both are real."""
        return next((run.about["mark"] for run in (*self.before, *self.after) if run.about.get("mark")), "")

    @property
    def untested(self) -> list[str]:
        """Values of which nothing says how well they repeat."""
        return [key for key, each in self.drifts.items() if each.p is None]


def compare(before: Sequence[Run], after: Sequence[Run]) -> Comparison:
    """Compare two sides of one run or more each."""
    reasons = tuple(_not_comparable(before, after))
    old, new = tuple(before), tuple(after)
    if reasons:
        return Comparison(old, new, reasons)
    was, now = _verdicts(before), _verdicts(after)
    drifts = _drifts(before, after)
    judged = [step for step, verdict in was.items() if verdict is not Verdict.NOT_RUN]
    reached, reaches = _coverage(before), _coverage(after)
    return Comparison(
        old,
        new,
        reasons,
        identity=tuple(_differing(before[-1].identity, after[-1].identity)),
        new_fails=tuple(_moved(was, now, (Verdict.PASS, Verdict.NOT_RUN), _WORSE)),
        fixed=tuple(_moved(was, now, _WORSE, (Verdict.PASS,))),
        missing=tuple(step for step in judged if now.get(step, Verdict.NOT_RUN) is Verdict.NOT_RUN),
        added=tuple(step for step in now if step not in was),
        codes=tuple(_differing(_codes(before), _codes(after), shared=True)),
        set_points=tuple(_differing(_asked(before), _asked(after), shared=True)),
        lost_coverage=tuple(sorted(reached - reaches)),
        gained_coverage=tuple(sorted(reaches - reached)),
        drifts=drifts,
        named=tuple(named(drifts)),
        bench_s=(_bench_s(before), _bench_s(after)),
    )


def _not_comparable(before: Sequence[Run], after: Sequence[Run]) -> Iterable[str]:
    first = before[0]
    for run in (*before, *after):
        if run.stopped_at is not None:
            yield f"{run.folder} is not a whole run: still going on or cut short, at {run.stopped_at}"
        elif run.about.get("exit_code") == "130":
            yield f"{run.folder} is not a whole run: the operator interrupted it"
        if not run.results:
            yield f"{run.folder} has no results"
    for run in (*before[1:], *after):
        for name in {**first.bench, **run.bench}:
            old, new = first.bench.get(name), run.bench.get(name)
            if old != new and not (_may_lack(name) and None in (old, new)):
                yield f"{run.folder}: {name} is {new or 'not noted'}, in {first.folder} {old or 'not noted'}"
        for device in first.ambient.keys() & run.ambient.keys():
            apart = abs(first.ambient[device] - run.ambient[device])
            if apart > AMBIENT_K:
                yield (
                    f"{run.folder}: {device} began at {run.ambient[device]:.1f} degC, in {first.folder} at"
                    f" {first.ambient[device]:.1f} degC; more than {AMBIENT_K:g} K apart"
                )


def _may_lack(name: str) -> bool:
    """A side may be without a device that the other has, and without an instrument, which is said already."""
    return "serial" in name or name.startswith("calibration")


def _verdicts(side: Sequence[Run]) -> dict[str, Verdict]:
    steps = dict.fromkeys(step for run in side for step in run.results)
    return {step: strongest(run.results[step].verdict for run in side if step in run.results) for step in steps}


def _moved(
    was: Mapping[str, Verdict], now: Mapping[str, Verdict], source: Sequence[Verdict], target: Sequence[Verdict]
) -> Iterable[Change]:
    """Steps whose verdict went from ``source`` to ``target``; a new step counts as not run before."""
    for step, verdict in now.items():
        before = was.get(step, Verdict.NOT_RUN)
        if before in source and verdict in target:
            yield Change(step, before.value if step in was else "not there", verdict.value)


def _differing(before: Mapping[str, str], after: Mapping[str, str], shared: bool = False) -> Iterable[Change]:
    for name in {**before, **after}:
        old, new = before.get(name), after.get(name)
        if old != new and not (shared and (old is None or new is None)):
            yield Change(name, "-" if old is None else old, "-" if new is None else new)


def _codes(side: Sequence[Run]) -> dict[str, str]:
    """Step -> the fault codes that it found."""
    found = {}
    for run in side:
        for step, result in run.results.items():
            codes = (result.facts or {}).get("codes")
            if isinstance(codes, dict) and result.verdict is not Verdict.NOT_RUN:
                found[step] = ", ".join(sorted(codes)) or "none"
    return found


def _asked(side: Sequence[Run]) -> dict[str, str]:
    return {
        f"{step}: {name}": f"{value:g}"
        for run in side
        for step, result in run.results.items()
        for name, value in (result.set_points or {}).items()
    }


def _coverage(side: Sequence[Run]) -> set[str]:
    """What was shown physically, function by function."""
    return {
        f"{result.device + ': ' if result.device else ''}{result.function} by {result.coverage.value} injection"
        for run in side
        for result in run.results.values()
        if result.function and result.coverage in PHYSICAL and result.verdict is not Verdict.NOT_RUN
    }


def _bench_s(side: Sequence[Run]) -> float:
    return sum(float(run.about.get("bench_s") or "nan") for run in side) / len(side)


def _drifts(before: Sequence[Run], after: Sequence[Run]) -> dict[str, Drift]:
    """Every value that both sides have and that answers the same question on both: same stimulus, same set-points."""
    units: dict[str, str] = {}
    places = [_places(side, units) for side in (before, after)]
    found = {}
    for key, old in places[0].items():
        new = places[1].get(key, [])
        if new and len({question for question, _ in (*old, *new)}) == 1:
            found[key] = drift(units[key], [each for _, each in old], [each for _, each in new])
    return found


def _places(side: Sequence[Run], units: dict[str, str]) -> dict[str, list[tuple[str, Place]]]:
    found: dict[str, list[tuple[str, Place]]] = {}
    for run in side:
        for step, result in run.results.items():
            question = f"{result.stimulus} {sorted((result.set_points or {}).items())}"
            for measurement in result.measurements:
                where = place(measurement)
                if where is not None:
                    key = f"{step}: {measurement.name}"
                    units[key] = measurement.unit
                    found.setdefault(key, []).append((question, where))
    return found


__all__ = ["Change", "Comparison", "RecordError", "Run", "compare", "load_run", "load_side"]
