"""``breakerbench bench``: looks at a bench before its first use, with at most 50 V; a table with what to fix."""

from __future__ import annotations

import re
import sys
from collections.abc import Iterable
from pathlib import Path

import click

from harness.bench.instrument import InstrumentError
from harness.bench.spec import BenchSpec, load_bench
from harness.cautions import CAUTIONS
from harness.cli.arming import TerminalPerson
from harness.cli.describe import now
from harness.cli.interrupt import interruptible
from harness.cli.progress import print_line
from harness.cli.run import RUNS
from harness.clock import Clock, S, WallClock
from harness.files.marks import FileErrors
from harness.files.profile import load_device, shipped_device
from harness.inspection.checks import Check
from harness.inspection.course import Inspection
from harness.inspection.low_voltage import WATCHDOG
from harness.inspection.opened import Opened, opened
from harness.inspection.operator import Operator, StandIn, Task
from harness.inspection.rig import VOLTS
from harness.inspection.row import Row, Verdict, exit_code
from harness.record.inspection import InspectionUnreadable, Measured, forget_measured, write_measured
from protocol.device import Device

_ANSWER_NS = 120 * S
_COLOURS = {Verdict.OK: "green", Verdict.FAULT: "bold red", Verdict.NOT_LOOKED_AT: "yellow"}


class _AtTerminal:
    """The person at the terminal: agreed to what is going to be done, and is told what to do at the bench."""

    def __init__(self, bench: str) -> None:
        self._absent = TerminalPerson().absent() and "nobody is at a terminal to do it"
        if self._absent is None:
            self._absent = _agreed(TerminalPerson(), WallClock(), f"check {bench} with {VOLTS:g} V")

    def absent(self) -> str | None:
        """See Operator."""
        return self._absent

    def ask(self, task: Task) -> None:
        """See Operator."""
        click.secho(f"Now: {task.value}.", err=True, bold=True)

    def waiting(self, task: Task, left_s: float) -> None:
        """See Operator."""
        click.echo(f"\r  waiting for somebody to {task.value}: {left_s:3.0f} s left ", err=True, nl=False)

    def done(self, task: Task, seen: bool) -> None:
        """See Operator."""
        click.echo(f"\r  {'seen' if seen else 'not seen in time'}{' ' * 72}", err=True)


def _agreed(person: TerminalPerson, clock: Clock, phrase: str) -> str | None:
    person.show(
        [f"Relays will move; up to {VOLTS:g} V will be put on both sides of the breaker and on the bank, and once"]
    )
    person.show(["the doors are to be opened meanwhile, with nothing reached for. Is nobody at it?"])
    person.show([f"To go on, type exactly: {phrase}"])
    typed = person.answer(phrase, _ANSWER_NS, lambda ns: clock.sleep_until(clock.now_ns() + ns))
    return None if typed is not None and typed.strip() == phrase else "nobody agreed to it"


@click.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="JSON Lines on stdout: one check a line, the summary last.")
@click.option(
    "--runs", type=click.Path(path_type=Path), default=RUNS, show_default=True, help="Folder for the measured times."
)
@click.option(
    "--within",
    type=click.FloatRange(0.1, 600),
    default=60.0,
    show_default=True,
    help="Seconds that somebody has for each thing to do at the bench.",
)
@click.option(
    "--device", default="heater", show_default=True, help="Device whose bit rate the LIN port is opened with."
)
def bench(file: Path, as_json: bool, runs: Path, within: float, device: str) -> None:
    """Look at the bench of FILE before its first use, with at most 50 V.

    Every role is asked who it is; interlock, contactor, discharge, 12 V cut, both watchdogs and the capacitor bank are
    tried; emergency stop and doors have to take the source away in hardware. How soon it goes off is measured and kept
    for `run`. Somebody has to be at the bench and at a terminal: without one,
    outputs are commanded off, the contactor open and both discharges on, and what was not looked at is said.

    Exit codes: 0 all is well; 5 something is at fault; 3 something was not looked at; 2 usage or file error; 130
    interrupted, with everything switched off.
    """
    try:
        spec = load_bench(file)
        its_device = load_device(shipped_device(device))
    except FileErrors as error:
        click.echo(str(error), err=True)
        sys.exit(2)
    except KeyError as error:
        raise click.UsageError(str(error.args[0])) from error
    sys.exit(_Inspecting(spec, its_device, as_json, runs, within).run())


class _Inspecting:
    """One inspection, with its rows, on the screen and in the file of measured times."""

    def __init__(self, spec: BenchSpec, device: Device, as_json: bool, runs: Path, within_s: float) -> None:
        self._spec = spec
        self._device = device
        self._as_json = as_json
        self._runs = runs
        self._within_s = within_s
        self._rows: list[Row] = []
        self._measured: dict[str, float] = {}
        self._mark: str | None = None
        self._kept: Path | None = None

    def run(self) -> int:
        """Look at everything; returns the exit code."""
        _say(CAUTIONS, f"This check goes up to {VOLTS:g} V and no further. Bench {self._spec.name}: {self._spec.title}")
        trouble: list[str] = []
        interrupted = False
        try:
            with interruptible():
                self._inspect()
        except KeyboardInterrupt:
            interrupted = True
            trouble.append("interrupted; everything was switched off")
        except (InstrumentError, InspectionUnreadable) as error:
            trouble.append(str(error))
        code = 130 if interrupted else 5 if trouble else exit_code(self._rows)
        self._conclude(code, trouble)
        return code

    def _inspect(self) -> None:
        operator: Operator | None = None if self._spec.simulated else _AtTerminal(self._spec.name)
        with opened(self._spec, self._device, now(), self._add) as its_bench:
            self._mark = its_bench.mark
            if its_bench.mark:
                click.secho(its_bench.mark, err=True, bold=True, fg="yellow")
            operator = operator or _stand_in(its_bench)
            forget = True  # what was found before counts no more where anything is at fault, or breaks it off
            try:
                Inspection(its_bench, operator, self._within_s, self._add, _begins, self._measured).run()
                forget = any(row.verdict is Verdict.FAULT for row in self._rows)
            finally:
                if forget:
                    forget_measured(self._runs, self._spec.name)
        if WATCHDOG in self._measured and not forget:
            measured = Measured(self._spec.name, self._spec.digest, now(), self._measured)
            self._kept = write_measured(self._runs, measured)

    def _add(self, row: Row) -> None:
        self._rows.append(row)
        if self._as_json:
            print_line({"type": "check", **row.as_data()})

    def _conclude(self, code: int, trouble: list[str]) -> None:
        counts = {verdict.value: sum(row.verdict is verdict for row in self._rows) for verdict in Verdict}
        if self._as_json:
            print_line(
                {
                    "type": "summary",
                    "mark": self._mark,
                    "bench": self._spec.name,
                    "digest": self._spec.digest,
                    "counts": counts,
                    "cut_s": self._measured,
                    "kept": None if self._kept is None else str(self._kept),
                    "trouble": trouble,
                    "exit_code": code,
                }
            )
        else:
            show_table(self._rows)
        for line in trouble:
            click.secho(line, err=True, fg="red", bold=True)
        if self._kept is not None:
            click.echo(f"times to off kept in {self._kept}", err=True)
        click.echo(", ".join(f"{number} {word}" for word, number in counts.items() if number), err=True)


def _stand_in(its_bench: Opened) -> Operator:
    assert its_bench.panel is not None
    return StandIn(its_bench.panel)


def _begins(check: Check) -> None:
    if sys.stderr.isatty():
        click.secho(f"{check.role}: {check.done}", err=True, dim=True)


def _say(cautions: Iterable[str], last: str) -> None:
    for caution in cautions:
        click.echo(f"- {caution}", err=True)
    click.secho(last, err=True, bold=True)


def show_table(rows: Iterable[Row]) -> None:
    """The rows as a table, and below it what to fix: a line for each fault."""
    from rich.console import Console
    from rich.markup import escape
    from rich.table import Table

    console = Console()
    table = Table(show_lines=False, pad_edge=False, box=None)
    for title in ("role", "done", "found", "wanted", ""):
        table.add_column(title, overflow="fold")
    fixes: dict[tuple[str, str], list[str]] = {}
    for row in rows:
        colour = _COLOURS[row.verdict]
        texts = (row.role, row.done, re.sub(r",(?=\S)", ", ", row.found), row.wanted)  # an identity has no blanks
        cells = [escape(text) for text in texts]
        table.add_row(*cells, f"[{colour}]{row.verdict.value}[/]")
        if row.fix:
            fixes.setdefault((row.done, row.fix), []).append(row.role)
    console.print(table, highlight=False)
    if fixes:
        console.print("[bold]what to fix[/]")
    for (done, fix), roles in fixes.items():
        whole = f"{', '.join(roles)} ({done}): {fix}"
        console.print(f"- {escape(whole)}", highlight=False)
