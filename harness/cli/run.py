"""``breakerbench run``: plans on a bench, results on stdout, everything in a run record."""

from __future__ import annotations

import platform
import signal
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

import click
from rich.console import Console
from rich.markup import escape

from harness.bench.bench import open_bench
from harness.bench.instrument import InstrumentError
from harness.bench.spec import BenchSpec, load_bench, shipped_bench
from harness.bus.port import PortError
from harness.cli.arming import TerminalPerson
from harness.cli.progress import JsonWatcher, TerminalWatcher, print_line
from harness.cli.work import Work, load_work
from harness.clock import S
from harness.files.marks import FileErrors
from harness.files.profile import device_files
from harness.plan.plan import Plan
from harness.record.journal import Journal, JournalError, new_folder
from harness.record.result import Verdict, strongest
from harness.run.engine import Ending, Engine
from protocol.device import Device

RUNS = Path("runs")
"""Folder that run records go to, below the current one."""


@click.command()
@click.argument("plans", nargs=-1, type=click.Path(path_type=Path), required=True)
@click.option(
    "--bench", "bench_file", type=click.Path(path_type=Path), help="Bench file; the simulated bench if absent."
)
@click.option("--json", "as_json", is_flag=True, help="JSON Lines on stdout: one result a line, the summary last.")
@click.option(
    "--runs", type=click.Path(path_type=Path), default=RUNS, show_default=True, help="Folder for run records."
)
@click.option("--seed", type=click.IntRange(0), help="Seed of the simulated unit and its noise.")
def run(plans: tuple[Path, ...], bench_file: Path | None, as_json: bool, runs: Path, seed: int | None) -> None:
    """Run test PLANS (files or folders) on a bench.

    Nothing is sent before every file is checked. On a real bench, high-voltage steps ask a person to confirm.
    """
    sys.exit(run_plans(plans, bench_file or shipped_bench("simulated"), as_json, runs, seed))


def run_plans(paths: Sequence[Path], bench_file: Path, as_json: bool, runs: Path, seed: int | None = None) -> int:
    """Check, run, record and report; returns the exit code."""
    try:
        spec = load_bench(bench_file, seed)
        work = load_work(paths, spec)
        journal = Journal(new_folder(runs))
    except (FileErrors, JournalError) as error:
        click.echo(str(error), err=True)
        return 2
    try:
        with _interruptible():
            _describe(journal, spec, work)
            return _Run(spec, journal, as_json).all(work)
    except KeyboardInterrupt:
        click.echo("interrupted by the operator before anything was switched on", err=True)
        return 130
    except JournalError as error:
        click.echo(str(error), err=True)
        return 5
    finally:
        journal.close()


class _Run:
    """One run: a bench for each device, one record, one summary."""

    def __init__(self, spec: BenchSpec, journal: Journal, as_json: bool) -> None:
        self._spec = spec
        self._journal = journal
        self._as_json = as_json
        self._notes = Console(stderr=True)
        self._mark: str | None = None
        self._endings: list[Ending] = []

    def all(self, work: Work) -> int:
        began = time.perf_counter()
        for device, plans in work:
            ending = self._device(device, plans)
            self._endings.append(ending)
            if ending.interrupted or ending.bench_lost:
                break
        summary = self._summary(time.perf_counter() - began)
        self._journal.about(ended="yes", exit_code=str(summary["exit_code"]))
        if self._as_json:
            print_line(summary)
        self._print(summary)
        return int(summary["exit_code"])

    def _device(self, device: Device, plans: list[Plan]) -> Ending:
        try:
            bench = open_bench(self._spec, device)
        except (PortError, InstrumentError) as error:
            return Ending(bench_lost=str(error))
        self._mark = bench.mark
        if bench.mark:
            self._notes.print(f"[bold yellow]{bench.mark}[/]", highlight=False)
            self._journal.about(mark=bench.mark)
        watcher = JsonWatcher(bench.mark) if self._as_json else TerminalWatcher(Console())
        try:
            person = None if self._spec.simulated else TerminalPerson()
            return Engine(device, bench, self._journal, watcher, person).run(plans)
        finally:
            watcher.end()
            bench.close()

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
            "record": str(self._journal.folder),
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


def _troubles(ending: Ending) -> list[str]:
    """What went wrong beside the verdicts, in words."""
    found = [trouble for trouble in (ending.bench_lost, ending.unfit) if trouble]
    found += ["interrupted by the operator"] if ending.interrupted else []
    found += [f"making safe: {action.name}: {action.problem}" for action in ending.made_safe if action.problem]
    return found + ending.not_put_back


PRECEDENCE = (130, 2, 5, 1, 4, 3, 0)
"""Exit codes, the one that wins first."""


def _describe(journal: Journal, spec: BenchSpec, work: Work) -> None:
    journal.about(
        version=version("breakerbench"),
        python=platform.python_version(),
        host=platform.node(),
        started=datetime.now(UTC).isoformat(timespec="seconds"),
        bench=spec.name,
        seed=str(spec.seed),
    )
    plans = [plan for _, its in work for plan in its]
    files = [spec.path, *(file for plan in plans for file in (plan.path, *device_files(plan.device)))]
    for file in dict.fromkeys(files):
        journal.keep_input(file)


@contextmanager
def _interruptible() -> Iterator[None]:
    """The first Ctrl-C or SIGTERM interrupts, so that the bench is made safe; making safe cannot be interrupted."""

    def interrupt(number: int, frame: object) -> None:
        for each in (signal.SIGINT, signal.SIGTERM):
            signal.signal(each, signal.SIG_IGN)
        raise KeyboardInterrupt

    before = {each: signal.signal(each, interrupt) for each in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield
    finally:
        for each, handler in before.items():
            signal.signal(each, handler)
