"""What the record costs a step: the time in its writer between two steps, median over a run. Limit: 1 ms."""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from harness.bench.bench import open_bench
from harness.bench.spec import load_bench, shipped_bench
from harness.cli.work import load_work
from harness.files.profile import shipped_plans
from harness.plan.plan import Plan, PlanStep
from harness.record.journal import Journal
from harness.record.result import Result
from harness.run.engine import Engine

LIMIT_MS = 1.0


class Timed(Journal):
    """A journal that adds up the time spent in it."""

    spent_s = 0.0
    inside = False

    def _write(self, statements: Any, durable: bool = True) -> None:
        began = time.perf_counter()
        super()._write(statements, durable)
        self.spent_s += time.perf_counter() - began

    def result(self, result: Result) -> None:
        """See Journal; what is worked out before it is written counts as well."""
        began, before = time.perf_counter(), self.spent_s
        super().result(result)
        self.spent_s = before + time.perf_counter() - began


class PerStep:
    """Time in the journal from one result to the next."""

    def __init__(self, journal: Timed) -> None:
        self._journal, self._seen = journal, 0.0
        self.steps_ms: list[float] = []

    def started(self, plan: Plan, step: PlanStep) -> None:
        """See Watcher."""

    def finished(self, result: Result) -> None:
        """See Watcher."""
        self.steps_ms.append((self._journal.spent_s - self._seen) * 1000)
        self._seen = self._journal.spent_s


def main() -> int:
    """Run the shipped low-voltage plans on the simulated bench."""
    spec = load_bench(shipped_bench("simulated"))
    ((device, plans),) = load_work([shipped_plans() / "low_voltage"], spec)
    with tempfile.TemporaryDirectory(dir=Path.cwd()) as folder:  # on a disk: a folder for temporary files may be none
        journal = Timed(Path(folder) / "run")
        watcher = PerStep(journal)
        Engine(device, open_bench(spec, device), journal, watcher).run(plans)
        journal.close()
    median, most = statistics.median(watcher.steps_ms), max(watcher.steps_ms)
    print(f"record: {median:.2f} ms a step (median of {len(watcher.steps_ms)}), {most:.1f} ms at most")
    return 0 if median < LIMIT_MS else 1


if __name__ == "__main__":
    sys.exit(main())
