"""High-voltage steps of a plan: confirmed once, energised with the first, taken away and proved dead after the plan."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from harness.bench.arming import ArmingRequest, Person, confirm, digest_of, missing_roles, state_dead
from harness.bench.bench import Bench
from harness.bench.gate import State
from harness.bench.guard import BenchUnsafe, GateRefused
from harness.bench.hazard import Hazard, hazard_of, volts_of
from harness.bench.high_voltage import HighVoltage
from harness.bench.instrument import InstrumentError
from harness.bench.making_safe import SafeAction, finish_safe, make_dead
from harness.bus.port import PortError
from harness.plan.plan import Plan, PlanStep
from harness.plan.steps import Disturb, Flash, PowerCut, PowerCycle, Reset, Silence, SleepAndWake, Step
from harness.record.journal import Journal, JournalError
from harness.record.standing import Standing
from harness.run.cut_time import cut_time
from harness.run.observe import stable_status
from harness.run.step_errors import StepNotRun
from protocol.device import Device

INTERRUPTED = "interrupted before anybody stated that both sides are dead"
_DEAF = (PowerCycle, PowerCut, Reset, Flash, Silence, SleepAndWake, Disturb)
"""While these are carried out the breaker cannot be told to open, or nobody looks after the gate."""


def is_hazardous(step: Step) -> bool:
    """Whether the step puts high voltage on the breaker."""
    return hazard_of(step.roles) is Hazard.HIGH_VOLTAGE


def fed_by(step: Step) -> str:
    """What feeds the breaker in a high-voltage step: source or bank."""
    return "bank" if "bank" in step.roles else "source"


@dataclass
class HighVoltageSteps:
    """What the engine asks before, between and after the steps of its plans."""

    device: Device
    bench: Bench
    person: Person
    note_safe: Callable[[list[SafeAction]], list[SafeAction]]
    runs: Path  # folder of the runs, beside which the measured cut time lies

    def refusal(self, plan: Plan) -> str | None:
        """Why ``plan`` is not begun here: half of it would mean nothing. None where it may be."""
        if self.bench.simulated or not any(is_hazardous(place.step) for place in plan.places):
            return None
        missing = missing_roles(self.bench.spec)
        if missing:
            return f"high-voltage step refused: the bench file has no {', no '.join(missing)}"
        if (absent := self.person.absent()) is not None:
            return f"high-voltage step refused: {absent}"
        known = cut_time(self.bench.spec, self.runs)
        return f"high-voltage step refused: {known.text}" if known is not None and known.refused else None

    def open(self, plan: Plan, journal: Journal) -> None:
        """The gate, shut, where ``plan`` needs high voltage and the bench has what it takes, or was left in doubt.

        Raises InstrumentError, and BenchUnsafe for a bench that an earlier run left in doubt.
        """
        bench = self.bench
        standing = Standing(None if bench.simulated else self.runs, bench.spec.name)
        wanted = any(is_hazardous(place.step) for place in plan.places) or standing.doubt() is not None
        if bench.high_voltage is not None or not wanted:
            return
        if bench.interlock is None or bench.voltmeter is None:
            return
        if bench.spec.discharge is None or bench.spec.contactor is None:
            return
        watchdog = bench.start_watchdog(journal.folder)
        bench.high_voltage = HighVoltage(bench, bench.interlock, bench.voltmeter, watchdog, journal.event, standing)
        bench.high_voltage.begin()
        if bench.high_voltage.in_doubt:
            left = f"an earlier run left it in doubt ({bench.high_voltage.doubt})"
            raise BenchUnsafe(f"{left}: nothing is energised before a person has stated that it is dead")

    def before(self, plan: Plan, step: PlanStep) -> None:
        """Look after the gate, and high voltage on where ``step`` is the first of ``plan`` to need it.

        Raises StepNotRun, StepFail, StepError, InstrumentError.
        """
        high_voltage = self.bench.high_voltage
        if high_voltage is None:
            return
        high_voltage.look_after()
        if not is_hazardous(step.step):
            if isinstance(step.step, _DEAF):
                self.after(plan)
            return
        feed = fed_by(step.step)
        if high_voltage.state is State.ENERGISED:
            if high_voltage.fed_by != feed:
                raise StepNotRun(f"the breaker is fed by the {high_voltage.fed_by} in this plan: make two plans of it")
            return
        if high_voltage.state is not State.SAFE:
            raise BenchUnsafe(f"the bench is {high_voltage.state.value}")
        opened = stable_status(self.device, self.bench).switch == "open"
        request = self._request(plan)
        try:
            button = not self.bench.simulated
            confirmation = confirm(request, self.person, self.bench.clock, self.bench.idle, high_voltage, button)
            high_voltage.arm(confirmation, request.digest)
            volts = request.volts if feed == "bank" else volts_of(step.step)
            high_voltage.energise(self._request(plan).digest, volts, feed, opened)
        except GateRefused as error:
            if high_voltage.in_doubt:
                raise BenchUnsafe(str(error)) from error
            raise StepNotRun(f"refused by the gate: {error}", refused_by_gate=True) from error

    def after(self, plan: Plan) -> None:
        """High voltage off and proved off, where the plan had it on.

        Raises BenchUnsafe where that is not proved, and where something of the bench did not follow on the way.
        """
        high_voltage = self.bench.high_voltage
        if high_voltage is None or not high_voltage.in_doubt:
            return
        unseen: list[str] = []
        try:
            high_voltage.retrace()
        except InstrumentError as error:  # once and no more: it is taken away all the same
            unseen.append(str(error))
        problems = [action for action in self.note_safe(make_dead(self.bench)) if action.problem]
        if unseen or any(action.backed for action in problems) or high_voltage.in_doubt:
            raise BenchUnsafe("; ".join([*unseen, *(str(action.problem) for action in problems)]))

    def at_the_end(self, made_safe: list[SafeAction]) -> str | None:
        """After making safe: where nothing is proved, a person's statement is asked for. What is still unsafe."""
        high_voltage = self.bench.high_voltage
        if high_voltage is None:
            return None
        unsafe = None
        if high_voltage.in_doubt and self.bench.simulated:
            unsafe = "on a simulated bench there is nobody to state it"
        elif high_voltage.in_doubt:
            try:
                unsafe = state_dead(self.person, self.bench.idle, high_voltage)
            except (InstrumentError, PortError, JournalError) as error:
                unsafe = str(error)
            except KeyboardInterrupt:
                unsafe = INTERRUPTED
        if unsafe is None and made_safe[-1].problem is not None:  # the supply stayed on, until it was stated
            made_safe += finish_safe(self.bench)
        high_voltage.close()
        return unsafe

    def _request(self, plan: Plan) -> ArmingRequest:
        volts = max(volts_of(place.step) for place in plan.places)
        limits = repr((self.bench.spec.limits, self.bench.spec.backup, volts))
        digest = digest_of(plan.digest, self.device.digest, self.bench.spec.digest, limits)
        return ArmingRequest(self.bench.spec.name, plan.name, plan.title, self.device.name, volts, digest)
