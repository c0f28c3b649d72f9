"""A run as it is followed on a terminal, or as JSON Lines by another program.

Everything for people goes to stderr but for the results themselves, which go to stdout in either form.
"""

from __future__ import annotations

import json
import sys
from typing import TYPE_CHECKING

from rich.console import Console
from rich.markup import escape

from harness.plan.plan import Plan, PlanStep
from harness.quantity import show
from harness.record.export import result_values
from harness.record.result import Measurement, Result, Verdict

if TYPE_CHECKING:
    from rich.status import Status

_STYLE = {
    Verdict.PASS: "green",
    Verdict.NOT_RUN: "dim",
    Verdict.INCONCLUSIVE: "yellow",
    Verdict.FAIL: "bold red",
    Verdict.ERROR: "bold magenta",
}


class TerminalWatcher:
    """One line a result, below the title of its plan; the step that is under way stands last, with a spinner."""

    def __init__(self, console: Console) -> None:
        self._console = console
        self._plan: str | None = None
        self._status: Status | None = console.status("") if console.is_terminal else None
        if self._status:
            self._status.start()

    def started(self, plan: Plan, step: PlanStep) -> None:
        """See Watcher."""
        self._title(plan.name, plan.title)
        if self._status:
            self._status.update(f"{escape(step.name)} ...")
            self._status.start()

    def finished(self, result: Result) -> None:
        """See Watcher."""
        self._title(result.plan, "")
        style = _STYLE[result.verdict]
        shown = "; ".join(_say(measurement) for measurement in result.measurements if result.function)
        line = f"  [{style}]{result.verdict.value:<12}[/] {escape(result.step):<34} {escape(shown)}"
        self._console.print(line.rstrip(), highlight=False, soft_wrap=True)
        for reason in result.reasons:
            self._console.print(f"               [{style}]{escape(reason)}[/]", highlight=False, soft_wrap=True)

    def end(self) -> None:
        """Take the spinner away."""
        if self._status:
            self._status.stop()

    def still(self) -> None:
        """No spinner until the next step begins: somebody is asked something."""
        if self._status:
            self._status.stop()

    def _title(self, name: str, title: str) -> None:
        if name != self._plan:
            self._plan = name
            self._console.print(f"[bold]{escape(name)}[/]  {escape(title)}".rstrip(), highlight=False)


class JsonWatcher:
    """One JSON line a result, as it happens; ``mark`` stands in each where the breaker is a simulated one."""

    def __init__(self, mark: str | None) -> None:
        self._mark = mark

    def started(self, plan: Plan, step: PlanStep) -> None:
        """See Watcher."""

    def still(self) -> None:
        """Nothing moves here."""

    def finished(self, result: Result) -> None:
        """See Watcher."""
        print_line(result_values(result, self._mark))

    def end(self) -> None:
        """Nothing to take away."""


def print_line(values: dict[str, object]) -> None:
    """One JSON line on stdout, out at once."""
    sys.stdout.write(json.dumps(values, allow_nan=False) + "\n")
    sys.stdout.flush()


def _say(measurement: Measurement) -> str:
    unit = measurement.unit
    value = "-" if measurement.value is None else show(measurement.value, unit)
    limits = [show(limit, unit) for limit in (measurement.low, measurement.high) if limit is not None]
    return f"{measurement.name} {value} ({' to '.join(limits)})" if limits else f"{measurement.name} {value}"
