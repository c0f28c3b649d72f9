"""A bench for a pytest session: plans carried out step by step, as far as the session asks for them.

The engine is the one that `breakerbench run` has, record and all; here it is advanced one result at a time.
"""

from __future__ import annotations

import os
import signal
import threading
import time
from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from types import FrameType

from harness.bench.bench import open_bench
from harness.bench.hazard import Hazard, hazard_of
from harness.bench.spec import BenchSpec, load_bench, shipped_bench
from harness.check import check_plan
from harness.check.prediction import step_seconds
from harness.cli.describe import conclude, describe, instruments
from harness.cli.work import input_files, plan_note
from harness.clock import S
from harness.files.marks import FileErrors
from harness.files.profile import load_device
from harness.plan import steps as kinds
from harness.plan.plan import Plan, PlanStep, load_plan
from harness.record.journal import Journal, new_folder
from harness.record.result import Result, Verdict, strongest
from harness.run.ending import Ending
from harness.run.engine import Engine
from protocol.device import Device

LONG_S = 60.0
"""A step that takes longer, in bench time and by the forecast of `check`, is marked `long`."""
_BUS_KINDS = (kinds.Disturb, kinds.Request, kinds.SleepAndWake, kinds.Silence)


@dataclass(frozen=True)
class StepReport:
    """What a step came to, for a test report. ``sections`` are titles with texts."""

    verdict: str
    reason: str
    where: str
    file: str
    line: int
    mark: str
    sections: list[tuple[str, str]] = field(default_factory=list)


def open_spec(bench: str, seed: int | None) -> BenchSpec:
    """The bench file called ``bench``: a path, or a shipped one's name. Raises FileErrors or KeyError."""
    path = Path(bench)
    return load_bench(path if path.suffix else shipped_bench(bench), seed)


def plan_for(path: Path, spec: BenchSpec) -> tuple[Plan, Device]:
    """The plan in ``path``, fit for the bench, with its device. Raises FileErrors with everything that is wrong."""
    plan = load_plan(_shown(path))
    device = load_device(plan.device)
    if errors := list(check_plan(plan, device, spec)):
        raise FileErrors(errors)
    return plan, device


def _shown(path: Path) -> Path:
    """``path`` as it would be named here, so that records and places do not depend on where the checkout lies."""
    return path.relative_to(Path.cwd()) if path.is_relative_to(Path.cwd()) else path


def marks_of(plan: Plan, device: Device) -> dict[str, list[str]]:
    """Names of the markers of each step. A whole plan is hazardous or not: its steps hang together."""
    hazardous = hazard_of(role for each in plan.places for role in each.step.roles) is Hazard.HIGH_VOLTAGE
    seconds = step_seconds(plan, device)
    return {
        place.name: [
            *(["hazardous"] if hazardous else []),
            *(["long"] if seconds[place.name] > LONG_S else []),
            *(["bus"] if isinstance(place.step, _BUS_KINDS) else []),
        ]
        for place in plan.places
    }


class Bout:
    """One device on the bench, from the first step that is asked for until ``close``; one run record."""

    def __init__(self, spec: BenchSpec, device: Device, runs: Path, worker: str) -> None:
        """Open the bench. Raises PortError and InstrumentError, JournalError where the record cannot be made."""
        self.device = device
        self._spec = spec
        folder = new_folder(runs)
        self._journal = Journal(folder.with_name(f"{folder.name}-{worker}") if worker else folder)
        self._kept: set[Path] = set()
        self._plans: list[Plan] = []
        self._told: set[str] = set()  # results that a test has reported
        try:
            describe(self._journal, spec, [(device, [])], None)
            self._bench = open_bench(spec, device)
        except BaseException:
            self._journal.close()
            raise
        self.mark = self._bench.mark or ""
        self._journal.about(mark=self.mark)
        for note in instruments(self._bench):
            self._journal.instrument(note)
        self._queue: deque[Plan] = deque()
        self._engine = Engine(device, self._bench, self._journal, _Nobody())
        self._course = self._engine.steps(self._asked_for())
        self._over = False
        self._began = time.perf_counter()
        self._interrupts = Interrupts()

    @property
    def folder(self) -> Path:
        """Of the record."""
        return self._journal.folder

    def report(self, plan: Plan, step: PlanStep, deadline_s: float | None) -> StepReport:
        """Carry out what is before ``step`` in its plan, and the step. Raises KeyboardInterrupt, on a safe bench."""
        self._ask_for(plan)
        wanted = f"{plan.name}/{step.name}"
        with self._interrupts.deadline(deadline_s):
            self._advance(wanted)
        result = self._results.get(wanted)
        if self._over and self._ending.interrupted and not self._interrupts.late:
            raise KeyboardInterrupt
        untold = [
            self._results[name]
            for place in plan.places
            if (name := f"{plan.name}/{place.name}") in self._results and name not in self._told and name != wanted
        ]
        self._told |= {wanted, *(each.id for each in untold)}
        sections = [(f"not selected, carried out: {each.step}", _said(each)) for each in untold if not _good(each)]
        where = (str(step.mark), step.mark.path, step.mark.line, self.mark)
        if result is None:
            return StepReport(Verdict.NOT_RUN.value, f"not begun: {self._why_over()}", *where, sections)
        return StepReport(result.verdict.value, "; ".join(result.reasons), *where, [*_measured(result), *sections])

    def finish(self, plan: Plan) -> list[str]:
        """Begin no further step of ``plan`` and carry out its clean-up; returns, in words, what went wrong in it."""
        if self._over or not self._plans or self._plans[-1].name != plan.name:
            return []
        self._engine.leave("not begun: no step from here on was selected")
        with self._interrupts.deadline(None):
            for place in plan.places:
                self._advance(f"{plan.name}/{place.name}")
        names = [f"{plan.name}/{place.name}" for place in plan.clean_up]
        found = [self._results[name] for name in names if name in self._results and name not in self._told]
        self._told |= set(names)
        return [f"{each.where}: {each.step}: {_said(each)}" for each in found if not _good(each)]

    def close(self) -> list[str]:
        """Finish the plan that is on, make the bench safe, end the record; returns, in words, what went wrong."""
        troubles = self.finish(self._plans[-1]) if self._plans else []
        self._over = True
        try:
            with self._interrupts.deadline(None):
                self._course.close()
        finally:
            self._interrupts.restore()
            self._end_record()
            self._bench.close()
            self._journal.close()
        ending = self._ending
        troubles += [f"making safe: {each.name}: {each.problem}" for each in ending.made_safe if each.problem]
        return troubles + ending.not_put_back

    def _end_record(self) -> None:
        ending = self._ending
        verdict = strongest(result.verdict for result in ending.results).value
        conclude(self._journal, ending.exit_code, verdict, ending.bench_ns / S, time.perf_counter() - self._began)

    @property
    def _ending(self) -> Ending:
        return self._engine.ending

    @property
    def _results(self) -> dict[str, Result]:
        return {result.id: result for result in self._ending.results}

    def _ask_for(self, plan: Plan) -> None:
        """Queue a plan that is asked for the first time; the one before it is over then."""
        if any(each.name == plan.name for each in self._plans) or self._over:
            return
        if self._plans:
            self.finish(self._plans[-1])
        self._plans.append(plan)
        self._queue.append(plan)
        for file, role in input_files(self._spec, [(self.device, [plan])]).items():
            if file not in self._kept:
                self._kept.add(file)
                self._journal.keep_input(file, role)
        self._journal.plan(plan_note(self.device, plan))
        self._journal.about(scope=", ".join(each.path.name for each in self._plans))

    def _asked_for(self) -> Iterator[Plan]:
        """What the engine asks for its next plan; it is not asked while the queue is empty, but at the end."""
        while self._queue:
            yield self._queue.popleft()

    def _advance(self, wanted: str) -> None:
        """Let the engine go on until ``wanted`` has a result, or the run is over."""
        while not self._over and wanted not in self._results:
            try:
                self._over = next(self._course, None) is None
            except KeyboardInterrupt as interrupt:  # between two steps: the same as in one
                self._over = True
                with suppress(StopIteration):
                    self._course.throw(interrupt)
            except BaseException:
                self._over = True  # the engine has made the bench safe on the way here
                raise

    def _why_over(self) -> str:
        late = self._interrupts.late and "a step before it came to its deadline"
        return self._ending.bench_lost or late or self._ending.why_over or "the run is over"


class Interrupts:
    """Ctrl-C, SIGTERM and a step's deadline, all as KeyboardInterrupt; only one of them, then making safe is let be.

    Does nothing outside the main thread, where no signal can be had.
    """

    def __init__(self) -> None:
        self.late: str | None = None
        self._numbers = (signal.SIGINT, signal.SIGTERM)
        self._before = {}
        self._lock = threading.Lock()
        self._at_step = False
        if threading.current_thread() is threading.main_thread():
            self._before = {number: signal.signal(number, self._interrupt) for number in self._numbers}

    def restore(self) -> None:
        """Give the signals back."""
        for number, handler in self._before.items():
            signal.signal(number, handler)

    @contextmanager
    def deadline(self, seconds: float | None) -> Iterator[None]:
        """Interrupt what is inside once ``seconds`` are over; None: never."""
        if seconds is None or not self._before:
            yield
            return
        timer = threading.Timer(seconds, self._too_late, [seconds])
        timer.daemon = True
        self._at_step = True
        timer.start()
        try:
            yield
        finally:
            with self._lock:
                self._at_step = False
            timer.cancel()

    def _too_late(self, seconds: float) -> None:
        with self._lock:
            if self._at_step:
                self.late = f"not over after its deadline of {seconds:g} s; the bench was made safe"
                os.kill(os.getpid(), signal.SIGINT)

    def _interrupt(self, number: int, frame: FrameType | None) -> None:
        for each in self._numbers:
            signal.signal(each, signal.SIG_IGN)
        raise KeyboardInterrupt(*([self.late] if self.late else []))


class _Nobody:
    """Nobody follows: pytest reports."""

    def started(self, plan: Plan, step: PlanStep) -> None:
        """See Watcher."""

    def finished(self, result: Result) -> None:
        """See Watcher."""


def _good(result: Result) -> bool:
    """A step that was not begun is somebody else's trouble."""
    return result.verdict in (Verdict.PASS, Verdict.NOT_RUN)


def _said(result: Result) -> str:
    return f"{result.verdict.value}: {'; '.join(result.reasons)}"


def _measured(result: Result) -> list[tuple[str, str]]:
    lines = [
        f"{each.name} {'did not come' if each.value is None else f'{each.value:g} {each.unit}'}"
        f" (wanted {'any' if each.low is None else f'{each.low:g}'} to"
        f" {'any' if each.high is None else f'{each.high:g}'} {each.unit})"
        for each in result.measurements
    ]
    return [("measured", "\n".join(lines))] if lines else []
