"""Going on with a run that was cut short: the same record, the same files, the same unit and firmware."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path

from harness.bench.spec import BenchSpec, load_bench
from harness.cli.work import Work, input_files, load_work
from harness.record.journal import Journal
from harness.record.note import Input
from harness.record.reader import Record, RecordError
from harness.record.result import Result
from harness.run.resumption import Resumption, ended_plans, resumption


@dataclass(frozen=True)
class TakenUp:
    """What is left of a run: nothing but its end, where every plan came to its own.

    ``earlier`` are the results of plans that did so before.
    """

    spec: BenchSpec
    work: Work
    journal: Journal
    earlier: list[Result]
    resumptions: dict[str, Resumption]  # by device
    mark: str | None


def take_up(folder: Path) -> TakenUp:
    """Open the record in ``folder`` to go on with it.

    Results of a plan that did not come to its end are superseded: it begins anew. Raises RecordError where the record
    cannot be read or gone on with, FileErrors for its files, JournalError where its run is still going on.
    """
    record = Record(folder)
    try:
        ended = ended_plans(record)
        spec, work = _same_files(folder, record)
        rest = [(device, [plan for plan in plans if plan.name not in ended]) for device, plans in work]
        rest = [(device, plans) for device, plans in rest if plans]
        if not rest and record.stopped_at() is None:
            raise RecordError(f"{folder}: every plan of this run came to its end; nothing is left to be done")
        earlier = [result for result in record.results() if result.plan in ended]
        resumptions = {device.name: resumption(record, device.name) for device, _ in rest}
        mark = record.about().get("mark") or None
    finally:
        record.close()
    journal = Journal.reopen(folder, [plan.name for _, plans in rest for plan in plans])
    return TakenUp(spec, rest, journal, earlier, resumptions, mark)


def _same_files(folder: Path, record: Record) -> tuple[BenchSpec, Work]:
    about, inputs = record.about(), record.inputs()
    benches = [Path(each.path) for each in inputs if each.role == "bench"]
    plans = [Path(plan.path) for plan in record.plans()]
    if not benches or not plans:
        raise RecordError(f"{folder}: the record does not say what was to be run; run the plans anew")
    if about.get("version") != version("breakerbench"):
        raise RecordError(f"{folder}: begun with breakerbench {about.get('version')}; run the plans anew")
    if any(each.role == "build" for each in inputs):
        raise RecordError(f"{folder}: a run that put a build in is not gone on with; run the plans anew")
    changed = [each.path for each in inputs if not _unchanged(each)]
    if changed:
        raise RecordError(
            f"{folder}: not as they were when the run began (or not below this folder): {', '.join(changed)}"
        )
    seeds = [int(text) if (text := about.get(key)) else None for key in ("seed", "noise_seed")]
    spec = load_bench(benches[0], *seeds)
    work = load_work(plans, spec)
    others = {str(path) for path in input_files(spec, work)} ^ {each.path for each in inputs}
    if others:
        raise RecordError(f"{folder}: other files than when the run began: {', '.join(sorted(others))}")
    return spec, work


def _unchanged(each: Input) -> bool:
    try:
        return hashlib.sha256(Path(each.path).read_bytes()).hexdigest() == each.sha256
    except OSError:
        return False
