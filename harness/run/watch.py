"""The watch after every step: what a step has not said that it changes must be as it was.

Fault codes, status frame, resets and response errors are looked at after each step, set-points and identity at a plan's
end. What a step kind may change stands in MAY_CHANGE, and nowhere else.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum

from harness.plan import steps as plan
from harness.run.configure import differing
from harness.run.context import Context, Outcome, ask, steady
from harness.run.observe import Status, read_identity, read_set_points, read_status, stable_status
from harness.run.step_errors import StepError, StepFail
from protocol.device import Device
from protocol.services import CodeStatusBit, dtc_text


class Aspect(Enum):
    """What may change behind a step's back."""

    CODES = "fault codes"
    STATUS = "state, switch, cause"
    BITS = "status bits"  # that come on: one that goes off by itself is always right
    CYCLE = "operation cycle"  # a reset or a power-up begins another one
    ERRORS = "response errors"


_NOTHING: frozenset[Aspect] = frozenset()
_SWITCHES = frozenset({Aspect.STATUS, Aspect.BITS})
_OPERATES = _SWITCHES | {Aspect.CODES}
_RESTARTS = frozenset(Aspect)

MAY_CHANGE: Mapping[type[plan.Step], frozenset[Aspect]] = {
    plan.WriteSetPoints: frozenset({Aspect.BITS}),  # a pickup, a reset level
    plan.ReadSetPoints: _NOTHING,
    plan.CloseSwitch: _SWITCHES,
    plan.OpenSwitch: _SWITCHES,
    plan.SetMode: frozenset({Aspect.BITS}),  # the same, of another bank
    plan.ExpectTrip: _OPERATES,
    plan.ExpectNoTrip: frozenset({Aspect.BITS}),
    plan.CalibrateLoop: _NOTHING,
    plan.ShortCircuit: _OPERATES,
    plan.Hold: frozenset({Aspect.BITS}),
    plan.LetGo: frozenset({Aspect.BITS}),
    plan.Silence: _OPERATES,
    plan.CheckStatus: _NOTHING,
    plan.CheckCodes: _NOTHING,
    plan.CheckSnapshot: _NOTHING,
    plan.CheckHealth: frozenset({Aspect.BITS}),
    plan.ClearCodes: frozenset({Aspect.CODES, Aspect.CYCLE}),
    plan.ReadLive: _NOTHING,
    plan.Identify: _NOTHING,
    plan.StartSession: _NOTHING,
    plan.Unlock: _NOTHING,
    plan.Request: _RESTARTS,  # whatever the request may be
    plan.Force: _OPERATES,
    plan.RunRoutine: _SWITCHES,
    plan.Reset: _RESTARTS,
    plan.SleepAndWake: _RESTARTS,
    plan.Disturb: frozenset({Aspect.ERRORS}),
    plan.PowerCut: _RESTARTS,
    plan.Wait: _NOTHING,
    plan.WaitUntilCool: _NOTHING,
    plan.PowerCycle: _RESTARTS,
    plan.Flash: _RESTARTS,
}
"""Total over the step kinds; a test says so."""

_TRIPPED = ("tripped", "locked_out")


def may_change(step: plan.Step) -> frozenset[Aspect]:
    """What this very step may change: one that closes onto a stimulus leaves the switch closed."""
    closes = isinstance(step, plan.Stimulus) and step.closing
    blocks = isinstance(step, plan.Hold) and step.function is not None
    return MAY_CHANGE[type(step)] | (_SWITCHES if closes else _NOTHING) | (_OPERATES if blocks else _NOTHING)


@dataclass(frozen=True)
class Seen:
    """What the watch saw: the status frame, and each stored code with its status bits."""

    status: Status
    codes: Mapping[str, int]


class Watch:
    """What the breaker was like after the last step; None where that is not known."""

    def __init__(self) -> None:
        self._before: Seen | None = None

    def begin(self, context: Context) -> None:
        """Look, and complain of nothing."""
        self._before = _look(context)
        context.bench.take_response_errors()

    def after(self, context: Context, step: plan.Step, outcome: Outcome, trips: int) -> None:
        """Look again and compare. ``trips`` is how many the ledger knew of before the step.

        An answer that was left unfetched would be fetched by looking: the next step's look then counts for both.
        """
        if isinstance(step, plan.Request) and step.unfetched:
            return
        before, self._before = self._before, None
        try:
            now = _look(context, before)
        except (StepFail, StepError) as error:
            _blame(outcome, error)
            return
        self._before = now
        errors = context.bench.take_response_errors()
        if Aspect.ERRORS not in may_change(step) and errors:
            outcome.fail(f"after the step: response_error was set in {errors} status frame(s)")
        if before is None:
            return
        if now.status.state in _TRIPPED and before.status.state not in _TRIPPED and context.ledger.trips == trips:
            context.ledger.uncounted()
        for problem in _differences(context.device, step, before, now):
            outcome.fail(f"after the step: {problem}")

    def forget(self) -> None:
        """A step went wrong: what it left is not known."""
        self._before = None


def _differences(device: Device, step: plan.Step, before: Seen, now: Seen) -> list[str]:
    may, found = may_change(step), []
    if Aspect.CYCLE not in may:
        found += [f"code {name} shows a new operation cycle: a reset" for name in _new_cycle(before, now)]
    appeared = sorted(now.codes.keys() - before.codes.keys() - _own_codes(device, step, may))
    found += [f"code {name} is in the fault memory" for name in appeared]
    if Aspect.CODES not in may:
        gone = sorted(before.codes.keys() - now.codes.keys())
        found += [f"code {name} is gone from the fault memory" for name in gone]
    if Aspect.BITS not in may:
        came_on = [name for name, on in now.status.bits.items() if on and not before.status.bits[name]]
        found += [f"status bit {name} came on" for name in came_on]
    if Aspect.STATUS not in may:
        found += _status_differences(before.status, now.status)
    return found


def _own_codes(device: Device, step: plan.Step, may: frozenset[Aspect]) -> set[str]:
    """Codes that the step may bring: of the function that it is about where it says one, any where it says nothing."""
    if Aspect.CODES not in may:
        return set()
    name = getattr(step, "function", None)
    if name is None:
        return set(device.fault_codes) if Aspect.CYCLE in may else set()
    cause = device.functions[name].cause
    return {cause, *device.fault_codes[cause].follow_on}


def _new_cycle(before: Seen, now: Seen) -> list[str]:
    lost = [name for name in before.codes.keys() & now.codes.keys() if _restarted(before.codes[name], now.codes[name])]
    return sorted(lost)


def _restarted(before: int, now: int) -> bool:
    failed, open_test = CodeStatusBit.test_failed_this_cycle, CodeStatusBit.not_completed_this_cycle
    return bool(before & ~now & failed or now & ~before & open_test)


def _status_differences(before: Status, now: Status) -> list[str]:
    """A breaker that has cooled goes from cooling to off by itself; nothing else does."""
    found = []
    cooled = before.state == "cooling" and now.state == "off"
    if now.state != before.state and not cooled:
        found.append(f"state went from {before.state} to {now.state}")
    if now.switch != before.switch:
        found.append(f"switch went from {before.switch} to {now.switch}")
    if now.cause != before.cause and now.cause != "none":
        found.append(f"cause went from {before.cause} to {now.cause}")
    return found


def _look(context: Context, before: Seen | None = None) -> Seen:
    """One reading where it says what the last one did; else two that agree."""
    device, bench = context.device, context.bench
    status = read_status(device, bench)
    if before is None or status != before.status:
        status = stable_status(device, bench)
    codes = _codes(context)
    if before is not None and codes != before.codes:
        codes = steady(lambda: _codes(context))
    return Seen(status, codes)


def _codes(context: Context) -> dict[str, int]:
    names = {code.dtc: name for name, code in context.device.fault_codes.items()}
    found = ask(context.device, context.bench, context.bench.diagnostics.codes)
    return {names.get(code.dtc, dtc_text(code.dtc)): int(code.status) for code in found}


def look_whole(context: Context, outcome: Outcome) -> None:
    """At a plan's end: every set-point as it was asked for, and still the unit that the run began with."""
    device, bench, ledger = context.device, context.bench, context.ledger
    wanted = {name: ledger.asked(name) for name in device.set_points}
    try:
        held = read_set_points(device, bench, wanted, once=True)
        if held != wanted:
            held = read_set_points(device, bench, wanted)
        for name, text in differing(context, held, wanted):
            outcome.fail(f"after the plan: {name} {text}")
        if ledger.unit is not None and read_identity(device, bench) != ledger.unit:
            outcome.fail("after the plan: it is not the unit that the run began with")
    except (StepFail, StepError) as error:
        _blame(outcome, error)


def _blame(outcome: Outcome, error: StepFail | StepError) -> None:
    if isinstance(error, StepFail):
        outcome.fail(f"after the step: {error}")
    else:
        outcome.error(f"after the step: {error}")
