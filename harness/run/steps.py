"""Step kind to runner: total over the step models, so that a new kind is one model, one runner and one row here."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from harness.plan import steps as plan
from harness.run.calibrate import run_calibrate_loop
from harness.run.configure import run_read, run_write
from harness.run.context import Context, Outcome
from harness.run.diagnose import run_force, run_request, run_reset, run_routine, run_start_session, run_unlock
from harness.run.disturb import run_disturb, run_sleep_and_wake
from harness.run.flash import run_flash
from harness.run.health import run_check_health
from harness.run.hold import run_hold, run_let_go
from harness.run.observe import (
    run_check_codes,
    run_check_status,
    run_clear_codes,
    run_identify,
    run_read_live,
)
from harness.run.power_cut import run_power_cut
from harness.run.short_circuit import run_short_circuit
from harness.run.silence import run_silence
from harness.run.snapshot import run_check_snapshot
from harness.run.stimulate import run_expect_no_trip, run_expect_trip
from harness.run.supply import run_power_cycle
from harness.run.switch import run_close, run_open, run_set_mode
from harness.run.waiting import run_wait, run_wait_until_cool

Runner = Callable[[Any, Context, Outcome], None]
"""Carries out one step, notes what it found. Raises StepFail, StepError, StepNotRun, and what a lost bench raises."""

RUNNERS: dict[type[plan.Step], Runner] = {
    plan.WriteSetPoints: run_write,
    plan.ReadSetPoints: run_read,
    plan.CalibrateLoop: run_calibrate_loop,
    plan.ShortCircuit: run_short_circuit,
    plan.CloseSwitch: run_close,
    plan.OpenSwitch: run_open,
    plan.SetMode: run_set_mode,
    plan.ExpectTrip: run_expect_trip,
    plan.ExpectNoTrip: run_expect_no_trip,
    plan.Hold: run_hold,
    plan.LetGo: run_let_go,
    plan.Silence: run_silence,
    plan.CheckStatus: run_check_status,
    plan.CheckCodes: run_check_codes,
    plan.CheckSnapshot: run_check_snapshot,
    plan.CheckHealth: run_check_health,
    plan.ClearCodes: run_clear_codes,
    plan.ReadLive: run_read_live,
    plan.Identify: run_identify,
    plan.StartSession: run_start_session,
    plan.Unlock: run_unlock,
    plan.Request: run_request,
    plan.Force: run_force,
    plan.RunRoutine: run_routine,
    plan.Reset: run_reset,
    plan.SleepAndWake: run_sleep_and_wake,
    plan.Disturb: run_disturb,
    plan.PowerCut: run_power_cut,
    plan.Wait: run_wait,
    plan.WaitUntilCool: run_wait_until_cool,
    plan.PowerCycle: run_power_cycle,
    plan.Flash: run_flash,
}
