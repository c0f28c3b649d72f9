"""What is wrong with a plan for this device on this bench, before anything is sent.

A step is checked in the state that the steps before it lead to. Whatever makes a result worthless is refused here: a
value that the device cannot hold, a current at which a good breaker may or may not operate, a start that nobody knows.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from harness.bench.spec import BenchSpec
from harness.check.action_rules import check_force, check_health, check_silence
from harness.check.course import Course
from harness.check.diagnosis_rules import (
    check_disturb,
    check_mode,
    check_request,
    check_routine,
    check_session,
    check_sleep,
    check_unlock,
)
from harness.check.hold_rules import check_hold, check_let_go, supply_is_healthy
from harness.check.reach import barred_by, closable
from harness.check.set_point_rules import check_power_cut, check_read, check_write, held
from harness.check.shot_rules import check_calibrate_loop, check_short_circuit
from harness.check.spot import Faults, Spot, lasts, may_be
from harness.check.status_rules import check_codes, check_live, check_snapshot, check_status
from harness.check.stimulus_rules import check_no_trip, check_trip
from harness.files.marks import FileError
from harness.plan.plan import Plan
from harness.plan.steps import (
    CalibrateLoop,
    CheckCodes,
    CheckHealth,
    CheckSnapshot,
    CheckStatus,
    ClearCodes,
    CloseSwitch,
    Disturb,
    ExpectNoTrip,
    ExpectTrip,
    Flash,
    Force,
    Hold,
    Identify,
    LetGo,
    OpenSwitch,
    PowerCut,
    PowerCycle,
    ReadLive,
    ReadSetPoints,
    Request,
    Reset,
    RunRoutine,
    SetMode,
    ShortCircuit,
    Silence,
    SleepAndWake,
    StartSession,
    Step,
    Unlock,
    Wait,
    WaitUntilCool,
    WriteSetPoints,
)
from harness.quantity import show
from protocol.device import Device


def check_plan(plan: Plan, device: Device, bench: BenchSpec | None = None) -> list[FileError]:
    """Everything that is wrong, in the order of the file. Without ``bench``, what depends on one is left out."""
    if device.name != plan.device.stem:
        message = f"this plan is for {plan.device.stem}, not for {device.name}"
        return [FileError(plan.document.mark(("device",)), message)]
    course, faults = Course(device), []
    for place in plan.places:
        spot = Spot(plan, place, device, bench, course)
        found = [*_roles(place.step, spot), *RULES[type(place.step)](place.step, spot)]
        faults += found
        course.take(place.step if not found else _harmless(place.step, device))
    return sorted(set(faults))


def _harmless(step: Step, device: Device) -> Step:
    """``step`` without what is wrong with it, so that a fault is not reported of every step that follows."""
    if isinstance(step, WriteSetPoints | PowerCut):
        values = {name: value for name, value in step.values.items() if held(device, name, value)}
        return step.model_copy(update={"values": values})
    return step


def _roles(step: Step, spot: Spot) -> Faults:
    if spot.bench is not None:
        for role in sorted(step.roles - spot.bench.resources.keys()):
            yield spot.error(f"bench {spot.bench.name} has no {role}")


def _no_rule(step: Step, spot: Spot) -> Faults:
    return iter(())


def _close(step: CloseSwitch, spot: Spot) -> Faults:
    state, hot = spot.course.state, spot.course.hot
    if not step.refused:
        if state != "on":
            yield from closable(spot)
    elif state == "on":
        yield spot.error("the breaker is closed here; there is nothing to refuse")
    elif not hot and not barred_by(spot) and state not in ("tripped", "cooling", "locked_out"):
        yield spot.error("nothing will refuse this: no trip before it, and every function is below its reset level")


def _lasting(step: Wait, spot: Spot) -> Faults:
    yield from lasts(step.duration, spot, "duration")


def _power_cycle(step: PowerCycle, spot: Spot) -> Faults:
    yield from lasts(step.duration, spot, "duration")
    yield from supply_is_healthy(spot)


def _power_cut(step: PowerCut, spot: Spot) -> Faults:
    yield from check_power_cut(step, spot)
    yield from supply_is_healthy(spot)


def _flash(step: Flash, spot: Spot) -> Faults:
    if spot.course.state == "on":
        yield spot.error("the breaker is closed here: open it before anything is put in")


def _cool(step: WaitUntilCool, spot: Spot) -> Faults:
    if not 0 < step.level.exact <= 1:
        yield spot.error("want more than 0 %, up to 100 %", "level")
        return
    situation = spot.course.situation
    for name, level in spot.course.levels.items():
        needed = situation.time_to_cool(name, level, step.level.si)
        if needed is None:
            yield spot.error(f"{name} is never certain to be below {step.level}", "level")
        elif needed > step.at_most.si:
            message = f"{name} may take {show(needed, 's')} to fall to {step.level}: {may_be(name, spot)}"
            yield spot.error(message, "at_most")


RULES: Mapping[type[Step], Callable[[Any, Spot], Faults]] = {
    WriteSetPoints: check_write,
    ReadSetPoints: check_read,
    CloseSwitch: _close,
    OpenSwitch: _no_rule,
    SetMode: check_mode,
    ExpectTrip: check_trip,
    ExpectNoTrip: check_no_trip,
    CalibrateLoop: check_calibrate_loop,
    ShortCircuit: check_short_circuit,
    Hold: check_hold,
    LetGo: check_let_go,
    Silence: check_silence,
    CheckStatus: check_status,
    CheckCodes: check_codes,
    CheckSnapshot: check_snapshot,
    CheckHealth: check_health,
    ClearCodes: _no_rule,
    ReadLive: check_live,
    Identify: _no_rule,
    StartSession: check_session,
    Unlock: check_unlock,
    Request: check_request,
    Force: check_force,
    RunRoutine: check_routine,
    Reset: _no_rule,
    SleepAndWake: check_sleep,
    Disturb: check_disturb,
    PowerCut: _power_cut,
    Wait: _lasting,
    WaitUntilCool: _cool,
    PowerCycle: _power_cycle,
    Flash: _flash,
}
"""Step model -> its rule. Total over the step kinds, and a test says so."""
