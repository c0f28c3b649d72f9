"""Runs plans on a bench: order, commit, clean-up, and the way to a safe bench whatever happens.

The engine knows no step kind; runners do. Each result is committed to the journal before the next step starts. A plan's
clean-up runs whatever its steps came to, and the bench is made safe whatever the plans came to.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
from typing import Protocol, TypeVar

from harness.bench.arming import Nobody, Person
from harness.bench.bench import Bench
from harness.bench.instrument import InstrumentError
from harness.bench.making_safe import SafeAction, make_safe, stop_currents
from harness.bus.port import PortError
from harness.files.build import Build
from harness.plan.plan import Plan, PlanStep
from harness.record.journal import Journal, JournalError
from harness.record.note import Moment
from harness.record.result import Exchange, Result, Verdict
from harness.run.configure import put_back
from harness.run.context import Context, Outcome, ask
from harness.run.drives import rest_signals
from harness.run.ending import Ending
from harness.run.flash import FlashError, put_in
from harness.run.high_voltage import INTERRUPTED, HighVoltageSteps
from harness.run.hold import let_go
from harness.run.identity import differing
from harness.run.ledger import Ledger
from harness.run.observe import read_identity, read_set_points
from harness.run.resumption import OtherUnit, Resumption, go_on
from harness.run.step_errors import StepError, StepFail, StepNotRun
from harness.run.steps import RUNNERS
from harness.run.supply import power_up
from harness.run.switch import set_mode
from harness.run.watch import Watch, look_whole
from harness.run.wear import open_unit, refuse_in_quarantine
from protocol.device import Device

T = TypeVar("T")
BENCH_LOST = (PortError, InstrumentError)
"""Nothing further can be asked of the bench."""


class Watcher(Protocol):
    """Whoever follows a run as it goes."""

    def started(self, plan: Plan, step: PlanStep) -> None:
        """A step begins."""
        ...

    def finished(self, result: Result) -> None:
        """A step's result is in the record."""
        ...


class Engine:
    """One run of some plans on one bench."""

    def __init__(
        self,
        device: Device,
        bench: Bench,
        journal: Journal,
        watcher: Watcher,
        build: Build | None = None,
        resumption: Resumption | None = None,
        person: Person | None = None,
    ) -> None:
        """``build`` is put in before anything is tested, and again where a plan has the step `flash`.

        ``resumption`` says what an earlier part of this run knew. ``person`` confirms high voltage; None: nobody does,
        which is enough on the simulated bench alone.
        """
        self._resumption = resumption
        self._device = device
        self._build = build
        self._bench = bench
        self._journal = journal
        self._watcher = watcher
        self._ledger = Ledger(device, journal)
        self._watch = Watch()
        self._ending = Ending()
        self._leaving: str | None = None
        person = person or Nobody(bench.simulated)
        self._high_voltage = HighVoltageSteps(device, bench, person, self._note_safe, journal.folder.parent)

    @property
    def ending(self) -> Ending:
        """How the run ended, once ``steps`` has."""
        return self._ending

    def run(self, plans: Sequence[Plan]) -> Ending:
        """Run every plan in the order given, then make the bench safe. Raises for nothing a bench or a person did."""
        course = self.steps(plans)
        try:
            for _ in course:
                pass
        except KeyboardInterrupt as interrupt:  # between two steps: the same as in one
            with contextlib.suppress(StopIteration):
                course.throw(interrupt)
        return self._ending

    def steps(self, plans: Iterable[Plan]) -> Generator[Result]:
        """The same, one result at a time, each handed on once it is committed.

        ``plans`` is asked for the next one when the last is over. Closing the iterator makes the bench safe as well.
        """
        began_ns = self._bench.clock.now_ns()
        ending = self._ending
        rest = iter(plans)
        seen: list[Plan] = []
        begun = False
        try:
            for plan in rest:
                if self._refused(plan):
                    yield from self._results_of(plan)
                    continue
                seen.append(plan)
                if not begun:
                    begun = True
                    self._begin()
                yield from self._run_plan(plan)
            if begun:
                self._end()
        except JournalError as error:
            ending.record_lost = str(error)
        except OtherUnit as error:
            ending.other_unit = str(error)
        except BENCH_LOST as error:
            ending.bench_lost = str(error)
        except FlashError as error:
            ending.not_flashed = str(error)
        except StepFail as error:
            ending.unfit = str(error)
        except KeyboardInterrupt:
            ending.interrupted = True
        finally:
            ending.made_safe = self._whole(lambda: make_safe(self._bench))
            self._whole(self._ask_if_dead)
            ending.bench_ns = self._bench.clock.now_ns() - began_ns
            self._close_record(begun)
        if ending.record_lost is None:
            self._fill_up([*seen, *(plan for plan in rest if not self._refused(plan))])

    def _whole(self, act: Callable[[], T]) -> T:
        """From its begin once more where a run's first signal comes only now; those after it are ignored."""
        try:
            return act()
        except KeyboardInterrupt:
            self._ending.interrupted = True
            return act()

    def _end(self) -> None:
        """Ask the unit once more who it is."""
        try:
            self._ask_who("end")
        except StepError as error:
            self._journal.event(self._bench.clock.now_ns(), "identity", {"moment": "end", "problem": str(error)})

    def _ask_who(self, moment: Moment) -> None:
        """Note who the unit says that it is. Raises StepFail where that has changed since the start of the run.

        Read once; only where it has changed again, so that no single frame decides.
        """
        began = self._ledger.unit
        now = read_identity(self._device, self._bench, once=True)
        if now != began:
            now = read_identity(self._device, self._bench)
        self._journal.identity(self._bench.clock.now_ns(), self._device.name, moment, now.values)
        if began is not None and (words := differing(began.values, now.values)):
            raise StepFail(f"it does not say the same of itself as before ({moment}): {words}")

    def _close_record(self, begun: bool) -> None:
        """What a run leaves once the bench is safe; a record that is lost takes nothing more."""
        now_ns = self._bench.clock.now_ns()
        try:
            self._whole(lambda: self._note_safe(self._ending.made_safe))
            self._whole(self._note_bus)
            if begun:
                self._whole(lambda: self._journal.event(now_ns, "ledger", self._ledger.final(now_ns)))
        except JournalError as error:
            self._ending.record_lost = self._ending.record_lost or str(error)

    def leave(self, reason: str) -> None:
        """Begin no further step of the plan that is on; its clean-up is carried out."""
        self._leaving = reason

    def _results_of(self, plan: Plan) -> list[Result]:
        return [result for result in self._ending.results if result.plan == plan.name]

    def _refused(self, plan: Plan) -> bool:
        """A plan with a step that the gate will not let through is not begun: half of it would mean nothing."""
        reason = self._high_voltage.refusal(plan)
        if reason is not None:
            self._ending.refused_by_gate = True
            self._skip_rest(plan, reason)
        return reason is not None

    def _begin(self) -> None:
        try:
            power_up(self._device, self._bench, self._ledger)
            rest_signals(self._bench)
            self._ledger.found(read_set_points(self._device, self._bench, self._device.set_points))
            self._ledger.unit = read_identity(self._device, self._bench)
            self._journal.identity(self._bench.clock.now_ns(), self._device.name, "start", self._ledger.unit.values)
            self._ledger.wear = open_unit(self._device, self._ledger.unit, self._bench, self._journal.folder)
            self._ledger.quarantine = self._ledger.wear.quarantine
            self._note_ambient()
            if self._resumption is not None:
                go_on(self._resumption, self._ledger, self._bench.clock.now_ns())
            if self._build is not None:
                self._put_in(self._build)
        except StepError as error:
            raise PortError(str(error)) from error

    def _ask_if_dead(self) -> None:
        """Where nothing proved both sides dead, a person is asked; then the supply may go as well."""
        unsafe = self._high_voltage.at_the_end(self._ending.made_safe)
        self._ending.interrupted |= unsafe == INTERRUPTED
        if unsafe is not None:
            alarm = f"NOT PROVED DEAD, treat as live: {unsafe}"
            lost = self._ending.bench_lost
            self._ending.bench_lost = alarm if lost is None else f"{lost}; {alarm}"

    def _note_ambient(self) -> None:
        """The heat sink before anything has heated it, as the breaker says: runs are compared at like ambients."""
        live = self._device.live.get("heat_sink_temperature")
        if live is None:
            return
        try:
            value = float(ask(self._device, self._bench, lambda: self._bench.diagnostics.live(live)))
        except StepFail:
            return  # a breaker that does not say it is judged by the plans that ask for it
        self._journal.remark(self._bench.clock.now_ns(), "ambient", {"device": self._device.name, "value": value})

    def _put_in(self, build: Build) -> None:
        """Before any plan. Set-points that it should not have changed are the breaker's fault."""
        if faults := put_in(build, self._device, self._bench, self._ledger):
            raise StepFail(f"build {build.name}: {'; '.join(faults)}")

    def _run_plan(self, plan: Plan) -> Iterator[Result]:
        context = Context(self._device, self._bench, self._ledger, plan, self._build)
        stopped: str | None = None
        self._leaving = None
        self._high_voltage.open(plan, self._journal)
        try:
            self._start_plan(context)
            for step in plan.places:
                stopped = stopped or self._leaving
                if stopped is not None and step.section != "clean_up":
                    yield self._skip(plan, step, stopped)
                    continue
                quarantine = self._ledger.quarantine
                result = self._run_step(context, step)
                stopped = stopped or _stops(step, result)
                if stopped is not None or self._ledger.quarantine != quarantine:
                    self._high_voltage.after(plan)  # whatever went wrong: nothing stays on for what follows
                yield result
        except KeyboardInterrupt:
            self._ending.interrupted = True
            self._note_safe(stop_currents(self._bench))
            raise
        except JournalError as error:
            self._ending.record_lost = str(error)
            self._ending.not_put_back += [
                f"{plan.name}: {name} was not put back to {float(value):g}: it could not be recorded"
                for name, value in self._ledger.restore.items()
            ]
            raise
        finally:
            if self._ending.bench_lost is None and self._ending.record_lost is None:
                let_go(context)
                left = put_back(context)
                self._ending.not_put_back += [f"{plan.name}: {name}" for name in left]
                self._high_voltage.after(plan)
        self._journal.event(self._bench.clock.now_ns(), "plan_ended", {"device": self._device.name, "plan": plan.name})

    def _start_plan(self, context: Context) -> None:
        """Every plan begins in the device's first mode, whatever the one before it left."""
        try:
            if self._device.command.modes:
                set_mode(next(iter(self._device.command.modes)), self._device, self._bench, self._ledger)
            self._watch.begin(context)
        except (StepError, StepFail):
            self._watch.forget()  # whatever it is, the plan's own steps meet it

    def _run_step(self, context: Context, step: PlanStep) -> Result:
        outcome = Outcome()
        began_ns, starts = self._bench.clock.now_ns(), self._ledger.starts
        self._journal.begun(began_ns, self._device.name, context.plan.name, step.name)
        self._watcher.started(context.plan, step)
        self._bench.take_exchanges()
        try:
            self._carry_out(context, step, outcome)
            if self._ledger.starts != starts:
                self._after_reset(outcome)
            self._look(context, step, outcome)
        except BENCH_LOST as error:
            outcome.error(str(error))
            self._ending.bench_lost = str(error)
            raise
        except FlashError as error:
            outcome.error(str(error))
            raise
        except KeyboardInterrupt as interrupt:
            outcome.error(str(interrupt) or "interrupted by the operator")
            raise
        except Exception as error:
            outcome.error(f"internal error, please report it: {type(error).__name__}: {error}")
            raise
        finally:
            result = self._commit(context.plan, step, outcome, began_ns, self._bench.take_exchanges())
        return result

    def _carry_out(self, context: Context, step: PlanStep, outcome: Outcome) -> None:
        trips = self._ledger.trips
        try:
            refuse_in_quarantine(step, self._ledger.quarantine)
            self._high_voltage.before(context.plan, step)
            RUNNERS[type(step.step)](step.step, context, outcome)
        except StepFail as error:
            outcome.fail(str(error))
        except StepError as error:
            outcome.error(str(error))
        except StepNotRun as error:
            outcome.not_run(str(error))
            self._ending.refused_by_gate |= error.refused_by_gate
        except KeyboardInterrupt:
            self._settle(outcome)
            raise
        self._settle(outcome)
        if outcome.verdict in (Verdict.ERROR, Verdict.NOT_RUN):
            self._watch.forget()
        else:
            self._watch.after(context, step.step, outcome, trips)

    def _settle(self, outcome: Outcome) -> None:
        try:
            self._ledger.wear.settled()
        except StepError as error:
            outcome.error(str(error))

    def _after_reset(self, outcome: Outcome) -> None:
        """A step that restarted the unit: it must come up as what it was."""
        if outcome.verdict in (Verdict.ERROR, Verdict.NOT_RUN):
            return
        try:
            self._ask_who("after reset")
        except StepFail as error:
            outcome.fail(str(error))
        except StepError as error:
            outcome.error(str(error))

    def _look(self, context: Context, step: PlanStep, outcome: Outcome) -> None:
        """What is looked at once a plan."""
        if step is context.plan.places[-1] and outcome.verdict not in (Verdict.ERROR, Verdict.NOT_RUN):
            look_whole(context, outcome)

    def _skip(self, plan: Plan, step: PlanStep, reason: str) -> Result:
        outcome = Outcome()
        outcome.not_run(reason)
        return self._commit(plan, step, outcome, self._bench.clock.now_ns(), [])

    def _commit(
        self, plan: Plan, step: PlanStep, outcome: Outcome, began_ns: int, exchanges: Iterable[Exchange]
    ) -> Result:
        result = Result(
            id=f"{plan.name}/{step.name}",
            plan=plan.name,
            step=step.name,
            kind=step.kind,
            section=step.section,
            where=str(step.mark),
            verdict=outcome.verdict,
            reasons=tuple(reason for _, reason in outcome.findings),
            measurements=tuple(outcome.measurements),
            coverage=outcome.coverage,
            function=outcome.function,
            start_ns=began_ns,
            end_ns=self._bench.clock.now_ns(),
            exchanges=tuple(exchanges),
            waveforms=tuple(outcome.waveforms),
            facts=outcome.facts or None,
            device=self._device.name,
            stimulus=outcome.stimulus,
            set_points=outcome.set_points,
        )
        self._journal.result(result)
        self._ending.results.append(result)
        self._watcher.finished(result)
        return result

    def _note_safe(self, actions: list[SafeAction]) -> list[SafeAction]:
        for action in actions:
            detail = {"action": action.name, "problem": action.problem, "note": action.note}
            self._journal.event(self._bench.clock.now_ns(), "making_safe", detail)
        return actions

    def _note_bus(self) -> None:
        self._bench.master.flush()
        self._journal.event(self._bench.clock.now_ns(), "bus", self._bench.master.statistics.figures)

    def _fill_up(self, plans: Sequence[Plan]) -> None:
        """Every step that was not reached still has a result."""
        why = self._ending.why_over or "the run was interrupted"
        for plan in plans:
            self._skip_rest(plan, f"not reached: {why}")

    def _skip_rest(self, plan: Plan, reason: str) -> None:
        reached = {result.id for result in self._ending.results}
        for step in plan.places:
            if f"{plan.name}/{step.name}" not in reached:
                self._skip(plan, step, reason)


def _stops(step: PlanStep, result: Result) -> str | None:
    """Why the steps that follow, the clean-up excepted, are not begun; None where they are."""
    if result.verdict in (Verdict.ERROR, Verdict.NOT_RUN):
        return f"not begun: {result.step} came to {result.verdict.value}"
    if step.section == "preconditions" and result.verdict is not Verdict.PASS:
        return f"not begun: precondition {result.step} came to {result.verdict.value}"
    return None
