"""How a run ended, and the exit code that follows from it."""

from __future__ import annotations

from dataclasses import dataclass, field

from harness.bench.making_safe import SafeAction
from harness.record.result import Result, Verdict


@dataclass
class Ending:
    """How a run ended; with the results, all that an exit code needs."""

    results: list[Result] = field(default_factory=list)
    bench_lost: str | None = None
    record_lost: str | None = None  # why nothing could be written into the record any more: the disk is full
    other_unit: str | None = None  # why a run could not be gone on with
    not_flashed: str | None = None  # why the breaker does not run the build that was to be tested
    unfit: str | None = None  # why the breaker could not be tested at all: its own fault
    interrupted: bool = False
    refused_by_gate: bool = False
    not_put_back: list[str] = field(default_factory=list)
    made_safe: list[SafeAction] = field(default_factory=list)
    bench_ns: int = 0

    def count(self, verdict: Verdict) -> int:
        """How many results have this verdict."""
        return sum(result.verdict is verdict for result in self.results)

    @property
    def why_over(self) -> str | None:
        """Why no further step was begun; None where nothing kept one from it."""
        if self.bench_lost:
            return "the bench was lost"
        why = self.other_unit or self.not_flashed or self.unfit
        return why or ("the run was interrupted" if self.interrupted else None)

    @property
    def exit_code(self) -> int:
        """130 interrupted, 2 cannot be gone on with, 5 bench, bus or record error, 1 failed, 4 refused by the gate,
        3 inconclusive or not-run, 0 pass.
        """
        verdicts = {result.verdict for result in self.results}
        if self.interrupted:
            return 130
        if self.other_unit:
            return 2
        if (
            self.record_lost
            or self.bench_lost
            or self.not_flashed
            or Verdict.ERROR in verdicts
            or any(action.problem for action in self.made_safe)
        ):
            return 5
        if Verdict.FAIL in verdicts or self.unfit or self.not_put_back:
            return 1
        if self.refused_by_gate:
            return 4
        return 3 if verdicts & {Verdict.INCONCLUSIVE, Verdict.NOT_RUN} or not verdicts else 0
