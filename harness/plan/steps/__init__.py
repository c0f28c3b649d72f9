"""The steps of a test plan, as data: one model a step kind, one key a step.

A model says what the step needs and nothing about how it is done; harness/run holds a runner for each.
"""

from __future__ import annotations

from harness.plan.steps.diagnosis import (
    RESPONSE_DISTURBANCES,
    Disturb,
    Force,
    Pattern,
    Request,
    Reset,
    RunRoutine,
    SleepAndWake,
    StartSession,
    Unlock,
)
from harness.plan.steps.hold import HELD, Hold, LetGo
from harness.plan.steps.set_points import PowerCut, ReadSetPoints, WriteSetPoints
from harness.plan.steps.shots import CalibrateLoop, ShortCircuit
from harness.plan.steps.status import CheckCodes, CheckSnapshot, CheckStatus, ClearCodes, Identify, ReadLive
from harness.plan.steps.step import Step
from harness.plan.steps.stimulus import (
    COLD_AT_MOST,
    SENSOR_FAULTS,
    STIMULI,
    CheckHealth,
    ExpectNoTrip,
    ExpectTrip,
    Silence,
    Start,
    Stimulus,
)
from harness.plan.steps.switch import CloseSwitch, OpenSwitch, SetMode
from harness.plan.steps.time import Flash, PowerCycle, Wait, WaitUntilCool

STEP_KINDS: dict[str, type[Step]] = {
    "write_set_points": WriteSetPoints,
    "read_set_points": ReadSetPoints,
    "close": CloseSwitch,
    "open": OpenSwitch,
    "set_mode": SetMode,
    "expect_trip": ExpectTrip,
    "expect_no_trip": ExpectNoTrip,
    "calibrate_loop": CalibrateLoop,
    "short_circuit": ShortCircuit,
    "hold": Hold,
    "let_go": LetGo,
    "silence": Silence,
    "check_status": CheckStatus,
    "check_codes": CheckCodes,
    "check_snapshot": CheckSnapshot,
    "check_health": CheckHealth,
    "clear_codes": ClearCodes,
    "read_live": ReadLive,
    "identify": Identify,
    "start_session": StartSession,
    "unlock": Unlock,
    "request": Request,
    "force": Force,
    "run_routine": RunRoutine,
    "reset": Reset,
    "sleep_and_wake": SleepAndWake,
    "disturb": Disturb,
    "power_cut": PowerCut,
    "wait": Wait,
    "wait_until_cool": WaitUntilCool,
    "power_cycle": PowerCycle,
    "flash": Flash,
}
"""Key in a plan -> model. Total over the step kinds: run/steps.py has a runner for each, and a test says so."""

__all__ = [
    "COLD_AT_MOST",
    "HELD",
    "RESPONSE_DISTURBANCES",
    "SENSOR_FAULTS",
    "STEP_KINDS",
    "STIMULI",
    "CalibrateLoop",
    "CheckCodes",
    "CheckHealth",
    "CheckSnapshot",
    "CheckStatus",
    "ClearCodes",
    "CloseSwitch",
    "Disturb",
    "ExpectNoTrip",
    "ExpectTrip",
    "Flash",
    "Force",
    "Hold",
    "Identify",
    "LetGo",
    "OpenSwitch",
    "Pattern",
    "PowerCut",
    "PowerCycle",
    "ReadLive",
    "ReadSetPoints",
    "Request",
    "Reset",
    "RunRoutine",
    "SetMode",
    "ShortCircuit",
    "Silence",
    "SleepAndWake",
    "Start",
    "StartSession",
    "Step",
    "Stimulus",
    "Unlock",
    "Wait",
    "WaitUntilCool",
    "WriteSetPoints",
]
