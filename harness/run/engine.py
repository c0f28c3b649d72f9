"""Runs plans on a bench: order, commit, clean-up, and the way to a safe bench whatever happens.

The engine knows no step kind; runners do. Each result is committed to the journal before the next step starts. A plan's
clean-up runs whatever its steps came to, and the bench is made safe whatever the plans came to.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from harness.bench.arming import Nobody, Person
from harness.bench.bench import Bench
from harness.bench.gate import State
from harness.bench.high_voltage import HighVoltage
from harness.bench.instrument import InstrumentError
from harness.bench.making_safe import SafeAction, finish_safe, make_safe, stop_currents
from harness.bus.port import PortError
from harness.plan.plan import Plan, PlanStep
from harness.record.journal import Journal
from harness.record.result import Exchange, Result, Verdict
from harness.run.configure import put_back
from harness.run.context import Context, Outcome, StepError, StepFail, StepNotRun
from harness.run.drives import rest_signals
from harness.run.high_voltage import HighVoltageSteps, needs_high_voltage
from harness.run.ledger import Ledger
from harness.run.observe import read_identity, read_set_points
from harness.run.steps import RUNNERS
from harness.run.supply import power_up
from harness.run.switch import set_mode
from harness.run.watch import Watch, look_whole
from protocol.device import Device

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


@dataclass
class Ending:
    """How a run ended; with the results, all that an exit code needs."""

    results: list[Result] = field(default_factory=list)
    bench_lost: str | None = None
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
    def exit_code(self) -> int:
        """130 interrupted, 5 bench or bus error, 1 failed, 4 refused by the gate, 3 inconclusive or not-run, 0 pass."""
        verdicts = {result.verdict for result in self.results}
        if self.interrupted:
            return 130
        if self.bench_lost or Verdict.ERROR in verdicts or any(action.problem for action in self.made_safe):
            return 5
        if Verdict.FAIL in verdicts or self.unfit or self.not_put_back:
            return 1
        if self.refused_by_gate:
            return 4
        return 3 if verdicts & {Verdict.INCONCLUSIVE, Verdict.NOT_RUN} or not verdicts else 0


class Engine:
    """One run of some plans on one bench."""

    def __init__(
        self, device: Device, bench: Bench, journal: Journal, watcher: Watcher, person: Person | None = None
    ) -> None:
        """``person`` confirms high voltage; None: nobody does, which is enough on the simulated bench alone."""
        self._device = device
        self._bench = bench
        self._journal = journal
        self._watcher = watcher
        self._ledger = Ledger(device, journal)
        self._watch = Watch()
        self._ending = Ending()
        self._high_voltage = HighVoltageSteps(device, bench, person or Nobody(bench.simulated), self._note_safe)

    def run(self, plans: Sequence[Plan]) -> Ending:
        """Run every plan in the order given, then make the bench safe. Raises for nothing a bench or a person did."""
        began_ns = self._bench.clock.now_ns()
        ending = self._ending
        allowed = [plan for plan in plans if not self._refused(plan)]
        try:
            if allowed:
                self._begin(needs_high_voltage(allowed))
            for plan in allowed:
                self._run_plan(plan)
        except BENCH_LOST as error:
            ending.bench_lost = str(error)
        except StepFail as error:
            ending.unfit = str(error)
        except KeyboardInterrupt:
            ending.interrupted = True
        finally:
            ending.made_safe = self._note_safe(make_safe(self._bench))
            self._at_the_end()
            self._note_bus()
            ending.bench_ns = self._bench.clock.now_ns() - began_ns
        self._fill_up(allowed)
        return ending

    def _refused(self, plan: Plan) -> bool:
        """A plan with a step that the gate will not let through is not begun: half of it would mean nothing."""
        reason = self._high_voltage.refusal(plan)
        if reason is not None:
            self._ending.refused_by_gate = True
            self._skip_rest(plan, reason)
        return reason is not None

    def _begin(self, high_voltage: bool) -> None:
        try:
            self._open_high_voltage(high_voltage)
            power_up(self._device, self._bench, self._ledger)
            rest_signals(self._bench)
            self._ledger.found(read_set_points(self._device, self._bench, self._device.set_points))
            self._ledger.unit = read_identity(self._device, self._bench)
        except StepError as error:
            raise PortError(str(error)) from error

    def _open_high_voltage(self, wanted: bool) -> None:
        """The gate, shut, on a bench that has what it takes."""
        bench = self._bench
        if not wanted or bench.interlock is None or bench.voltmeter is None or bench.spec.discharge is None:
            return
        watchdog = bench.start_watchdog(self._journal.folder)
        bench.high_voltage = HighVoltage(bench, bench.interlock, bench.voltmeter, watchdog, self._journal.event)

    def _at_the_end(self) -> None:
        """Where nothing proved both sides dead, a person is asked; then the supply may go as well."""
        high_voltage = self._bench.high_voltage
        if high_voltage is None:
            return
        unsafe = self._high_voltage.at_the_end()
        if unsafe is None and high_voltage.state is State.SAFE:
            self._note_safe(finish_safe(self._bench))
        elif unsafe is not None:
            self._ending.bench_lost = self._ending.bench_lost or f"NOT PROVED DEAD, treat as live: {unsafe}"
        high_voltage.close()

    def _run_plan(self, plan: Plan) -> None:
        context = Context(self._device, self._bench, self._ledger, plan)
        stopped: str | None = None
        try:
            self._start_plan(context)
            for step in plan.places:
                if stopped is not None and step.section != "clean_up":
                    self._skip(plan, step, stopped)
                    continue
                result = self._run_step(context, step)
                stopped = stopped or _stops(step, result)
        except KeyboardInterrupt:
            self._ending.interrupted = True
            self._note_safe(stop_currents(self._bench))
            raise
        finally:
            if self._ending.bench_lost is None:
                left = put_back(context)
                self._ending.not_put_back += [f"{plan.name}: {name}" for name in left]
                self._high_voltage.after(plan)

    def _start_plan(self, context: Context) -> None:
        """Every plan begins in the device's first mode, whatever the one before it left."""
        try:
            if self._device.command.modes:
                set_mode(next(iter(self._device.command.modes)), self._device, self._bench, self._ledger)
            self._watch.begin(context)
        except (StepError, StepFail):
            self._watch.forget()  # whatever it is, the plan's own steps meet it

    def _run_step(self, context: Context, step: PlanStep) -> Result:
        self._watcher.started(context.plan, step)
        outcome = Outcome()
        began_ns = self._bench.clock.now_ns()
        self._bench.take_exchanges()
        try:
            self._carry_out(context, step, outcome)
            self._look(context, step, outcome)
        except BENCH_LOST as error:
            outcome.error(str(error))
            self._ending.bench_lost = str(error)
            raise
        except KeyboardInterrupt:
            outcome.error("interrupted by the operator")
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
            self._high_voltage.before(context.plan, step)
            RUNNERS[type(step.step)](step.step, context, outcome)
        except StepFail as error:
            outcome.fail(str(error))
        except StepError as error:
            outcome.error(str(error))
        except StepNotRun as error:
            outcome.not_run(str(error))
            self._ending.refused_by_gate |= error.refused_by_gate
        if outcome.verdict in (Verdict.ERROR, Verdict.NOT_RUN):
            self._watch.forget()
        else:
            self._watch.after(context, step.step, outcome, trips)

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
        statistics = self._bench.master.statistics
        detail = {
            "frames": statistics.frames,
            "no_response": statistics.no_response,
            "faults": {kind.value: number for kind, number in statistics.faults.items()},
            "retries": statistics.retries,
            "no_echo": statistics.no_echo,
            "late_us_half": statistics.lateness.below_us(0.5),
            "late_us_99_of_100": statistics.lateness.below_us(0.99),
            "late_us_worst": statistics.lateness.worst_ns // 1000,
            "slots_missed": statistics.lateness.missed,
        }
        self._journal.event(self._bench.clock.now_ns(), "bus", detail)

    def _fill_up(self, plans: Sequence[Plan]) -> None:
        """Every step that was not reached still has a result."""
        ending = self._ending
        why = "the bench was lost" if ending.bench_lost else ending.unfit or "the run was interrupted"
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
