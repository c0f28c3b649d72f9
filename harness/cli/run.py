"""``breakerbench run``: plans on a bench, results on stdout, everything in a run record."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

import click
from rich.console import Console
from rich.markup import escape

from harness.bench.bench import Bench, open_bench
from harness.bench.instrument import InstrumentError
from harness.bench.spec import BenchSpec, load_bench, shipped_bench
from harness.bus.port import PortError
from harness.cli.arming import TerminalPerson
from harness.cli.builds import load_builds
from harness.cli.describe import conclude, describe, instruments, now, overdue
from harness.cli.interrupt import interruptible
from harness.cli.progress import JsonWatcher, TerminalWatcher, print_line
from harness.cli.resume import TakenUp, take_up
from harness.cli.work import Work, load_work
from harness.clock import S
from harness.files.build import Build
from harness.files.marks import FileErrors
from harness.plan.plan import Plan
from harness.record.journal import Journal, JournalError, new_folder
from harness.record.reader import RecordError
from harness.record.result import Verdict, strongest
from harness.run.cut_time import cut_time
from harness.run.ending import Ending
from harness.run.engine import Engine
from harness.run.high_voltage import is_hazardous
from protocol.device import Device

RUNS = Path("runs")
"""Folder that run records go to, below the current one."""


@click.command()
@click.argument("plans", nargs=-1, type=click.Path(path_type=Path))
@click.option(
    "--bench", "bench_file", type=click.Path(path_type=Path), help="Bench file; the simulated bench if absent."
)
@click.option("--json", "as_json", is_flag=True, help="JSON Lines on stdout: one result a line, the summary last.")
@click.option(
    "--runs", type=click.Path(path_type=Path), default=RUNS, show_default=True, help="Folder for run records."
)
@click.option("--seed", type=click.IntRange(0), help="Seed of the simulated unit and its noise.")
@click.option("--noise-seed", type=click.IntRange(0), help="Another run of the same simulated unit: seed of its noise.")
@click.option("--operator", help="Who runs it; your login name if absent.")
@click.option(
    "--build",
    "builds",
    type=click.Path(path_type=Path),
    multiple=True,
    help="Build description: put it in first, and test nothing unless the breaker then runs it; one a device.",
)
@click.option(
    "--resume",
    type=click.Path(path_type=Path),
    metavar="FOLDER",
    help="Go on with the run of this record, in place of PLANS: same files, bench, unit and firmware.",
)
@click.option("--junit", type=click.Path(path_type=Path), help="JUnit XML file to write when the run is over.")
def run(
    plans: tuple[Path, ...],
    bench_file: Path | None,
    as_json: bool,
    runs: Path,
    seed: int | None,
    noise_seed: int | None,
    operator: str | None,
    builds: tuple[Path, ...],
    resume: Path | None,
    junit: Path | None,
) -> None:
    """Run test PLANS (files or folders) on a bench.

    Nothing is sent before every file is checked. On a real bench, high-voltage steps ask a person to confirm.
    """
    if junit is not None and not junit.absolute().parent.is_dir():
        raise click.UsageError(f"--junit {junit}: no such folder: {junit.absolute().parent}")
    if resume is not None:
        if plans or bench_file or builds or (seed, noise_seed) != (None, None):
            raise click.UsageError("--resume takes plans, bench and seed from the record; leave them out")
        sys.exit(resume_run(resume, as_json, operator, junit))
    if not plans:
        raise click.UsageError("want PLANS, files or folders, or --resume FOLDER")
    bench_file = bench_file or shipped_bench("simulated")
    sys.exit(run_plans(plans, bench_file, as_json, runs, seed, operator, builds, junit, noise_seed))


def run_plans(
    paths: Sequence[Path],
    bench_file: Path,
    as_json: bool,
    runs: Path,
    seed: int | None = None,
    operator: str | None = None,
    build_files: Sequence[Path] = (),
    junit: Path | None = None,
    noise_seed: int | None = None,
) -> int:
    """Check, run, record and report; returns the exit code."""
    try:
        spec = load_bench(bench_file, seed, noise_seed)
        work = load_work(paths, spec)
        builds = load_builds(build_files, work, spec)
        journal = Journal(new_folder(runs))
    except (FileErrors, JournalError) as error:
        click.echo(str(error), err=True)
        return 2

    def prepare() -> None:
        with journal.whole():
            describe(journal, spec, work, operator)
            for build in builds.values():
                for file in (build.path, build.image):
                    journal.keep_input(file, "build")

    return _carry_out(_Run(spec, journal, as_json, builds), work, prepare, junit)


def resume_run(folder: Path, as_json: bool, operator: str | None = None, junit: Path | None = None) -> int:
    """Go on with the run of the record in ``folder``; returns the exit code of the run as a whole."""
    try:
        left = take_up(folder)
    except (FileErrors, RecordError, JournalError) as error:
        click.echo(str(error), err=True)
        return 2

    def prepare() -> None:
        left.journal.about(resumed=now(), **({"operator": operator} if operator else {}))

    return _carry_out(_Run(left.spec, left.journal, as_json, {}, left), left.work, prepare, junit)


def _carry_out(run: _Run, work: Work, prepare: Callable[[], None], junit: Path | None) -> int:
    journal = run.journal
    try:
        with interruptible():
            prepare()
            code = run.all(work)
        return code if junit is None else _write_junit(journal.folder, junit, code)
    except KeyboardInterrupt:
        click.echo("interrupted by the operator before anything was switched on", err=True)
        return 130
    except JournalError as error:
        click.echo(str(error), err=True)
        return 5
    finally:
        with suppress(JournalError):  # it has been said
            journal.close()


class _Run:
    """One run: a bench for each device, one record, one summary."""

    def __init__(
        self,
        spec: BenchSpec,
        journal: Journal,
        as_json: bool,
        builds: Mapping[str, Build],
        left: TakenUp | None = None,
    ) -> None:
        self._spec = spec
        self._builds = builds
        self.journal = journal
        self._as_json = as_json
        self._notes = Console(stderr=True)
        self._mark = None if left is None else left.mark
        self._resumptions = {} if left is None else left.resumptions
        self._endings = [] if left is None or not left.earlier else [Ending(left.earlier)]

    def all(self, work: Work) -> int:
        began = time.perf_counter()
        for device, plans in work:
            ending = self._device(device, plans)
            self._endings.append(ending)
            if any((ending.interrupted, ending.bench_lost, ending.not_flashed, ending.record_lost, ending.other_unit)):
                break
        summary = self._summary(time.perf_counter() - began)
        self._close_record(summary)
        if self._as_json:
            print_line(summary)
        self._print(summary)
        return int(summary["exit_code"])

    def _close_record(self, summary: dict[str, Any]) -> None:
        """Note how the run ended; where that cannot be written either, the summary says so and the run is an error."""
        try:
            conclude(self.journal, summary["exit_code"], summary["verdict"], summary["bench_s"], summary["wall_s"])
        except JournalError as error:
            summary["trouble"] = list(dict.fromkeys([*summary["trouble"], str(error)]))
            summary["exit_code"] = next(code for code in PRECEDENCE if code in (summary["exit_code"], 5))

    def _device(self, device: Device, plans: list[Plan]) -> Ending:
        try:
            bench = open_bench(self._spec, device)
        except (PortError, InstrumentError) as error:
            return Ending(bench_lost=str(error))
        self._mark = bench.mark
        if bench.mark:
            self._notes.print(f"[bold yellow]{bench.mark}[/]", highlight=False)
            self.journal.about(mark=bench.mark)
        self._note_instruments(bench)
        if any(is_hazardous(place.step) for plan in plans for place in plan.places):
            self._note_cut_time()
        watcher = JsonWatcher(bench.mark) if self._as_json else TerminalWatcher(Console())
        try:
            build, resumption = self._builds.get(device.name), self._resumptions.get(device.name)
            person = None if self._spec.simulated else TerminalPerson(watcher.still)
            return Engine(device, bench, self.journal, watcher, build, resumption, person).run(plans)
        finally:
            watcher.end()
            bench.close()

    def _note_instruments(self, bench: Bench) -> None:
        notes = instruments(bench)
        for note in notes:
            self.journal.instrument(note)
        for line in overdue(notes, now()):
            self._notes.print(f"[bold yellow]{escape(line)}[/]", highlight=False, soft_wrap=True)

    def _note_cut_time(self) -> None:
        """How soon this bench goes off, as far as anybody measured it."""
        known = cut_time(self._spec, self.journal.folder.parent)
        if known is not None:
            self.journal.about(cut_time=known.text)
            self._notes.print(escape(known.text), highlight=False, soft_wrap=True)

    def _summary(self, wall_s: float) -> dict[str, Any]:
        results = [result for ending in self._endings for result in ending.results]
        codes = [ending.exit_code for ending in self._endings]
        return {
            "type": "summary",
            "mark": self._mark,
            "verdict": strongest(result.verdict for result in results).value,
            "counts": {verdict.value: sum(result.verdict is verdict for result in results) for verdict in Verdict},
            "exit_code": next((code for code in PRECEDENCE if code in codes), 3),
            "bench_s": sum(ending.bench_ns for ending in self._endings) / S,
            "wall_s": wall_s,
            "record": str(self.journal.folder),
            "trouble": [trouble for ending in self._endings for trouble in _troubles(ending)],
        }

    def _print(self, summary: dict[str, Any]) -> None:
        counts = ", ".join(f"{number} {verdict}" for verdict, number in summary["counts"].items() if number)
        for trouble in summary["trouble"]:
            self._notes.print(f"[bold red]{escape(trouble)}[/]", highlight=False, soft_wrap=True)
        self._notes.print(
            f"[bold]{summary['verdict']}[/]: {counts or 'nothing ran'}."
            f" {summary['bench_s']:.1f} s of bench time in {summary['wall_s']:.2f} s. Record: {summary['record']}",
            highlight=False,
            soft_wrap=True,
        )
        self._notes.print(f"breakerbench report {summary['record']}", highlight=False, markup=False, soft_wrap=True)


def _troubles(ending: Ending) -> list[str]:
    """What went wrong beside the verdicts, in words."""
    lost = (ending.record_lost, ending.other_unit, ending.bench_lost, ending.not_flashed, ending.unfit)
    found = [trouble for trouble in lost if trouble]
    found += ["interrupted by the operator"] if ending.interrupted else []
    found += [f"making safe: {action.name}: {action.problem}" for action in ending.made_safe if action.problem]
    return found + ending.not_put_back


def _write_junit(folder: Path, file: Path, code: int) -> int:
    """The exit code: that of the run, or 5 where the file cannot be written."""
    from harness.report.junit import write_junit

    try:
        write_junit(folder, file)
    except (OSError, RecordError) as error:
        click.echo(f"{file}: cannot write the JUnit XML: {error}", err=True)
        return next(each for each in PRECEDENCE if each in (code, 5))
    return code


PRECEDENCE = (130, 2, 5, 1, 4, 3, 0)
"""Exit codes, the one that wins first."""
