"""What a record says of its run before anything is switched on."""

from __future__ import annotations

import json
import platform
from datetime import UTC, datetime
from importlib.metadata import version

from harness.bench.bench import Bench
from harness.bench.calibration import Calibration
from harness.bench.lock import user_name
from harness.bench.simulated import MARK
from harness.bench.spec import BenchSpec
from harness.cli.work import Work, input_files, plan_note
from harness.record.journal import Journal
from harness.record.note import InstrumentNote


def describe(journal: Journal, spec: BenchSpec, work: Work, operator: str | None) -> None:
    """Note who runs what on which bench, with a copy of every input. Raises JournalError."""
    journal.about(
        version=version("breakerbench"),
        python=platform.python_version(),
        host=platform.node(),
        operator=operator or user_name(),
        started=now(),
        bench=spec.name,
        seed="" if spec.seed is None else str(spec.seed),
        noise_seed="" if spec.noise_seed is None else str(spec.noise_seed),
        simulated="yes" if spec.simulated else "no",
        mark=MARK if spec.simulated else "",
        backup="" if spec.backup is None else json.dumps(spec.backup.curve),
        scope=", ".join(dict.fromkeys(plan.path.name for _, its in work for plan in its)),
    )
    for file, role in input_files(spec, work).items():
        journal.keep_input(file, role)
    for device, plans in work:
        for plan in plans:
            journal.plan(plan_note(device, plan))


def conclude(journal: Journal, exit_code: int, verdict: str, bench_s: float, wall_s: float) -> None:
    """Note that the run ended, and how. Raises JournalError."""
    journal.about(
        ended=now(),
        exit_code=str(exit_code),
        verdict=verdict,
        bench_s=f"{bench_s:.3f}",
        wall_s=f"{wall_s:.3f}",
    )


def instruments(bench: Bench) -> list[InstrumentNote]:
    """Every instrument of an open bench, the LIN master's port among them."""
    found = [InstrumentNote("lin", bench.spec.lin.port, "")]
    for each in bench.instruments:
        dates = bench.spec.calibrations.get(each.role, Calibration())
        resource = bench.spec.resources[each.role]
        found.append(InstrumentNote(each.role, resource, each.identity, dates.calibrated, dates.due))
    return found


def overdue(notes: list[InstrumentNote], today: str) -> list[str]:
    """In words, each instrument whose calibration was due before ``today`` (ISO 8601)."""
    return [
        f"{note.role}: calibration was due on {note.due}" for note in notes if note.due is not None and note.due < today
    ]


def now() -> str:
    """Date and time, UTC, ISO 8601."""
    return datetime.now(UTC).isoformat(timespec="seconds")
