"""Measuring the bank's loop with the breaker out of it: what the limits of every short-circuit shot follow from."""

from __future__ import annotations

import math

from harness.plan.steps import CalibrateLoop
from harness.quantity import show
from harness.record.result import Measurement, Verdict
from harness.run.bank_shot import Window, analysed, high_voltage_of, keep, take
from harness.run.clipping import refuse_clipped
from harness.run.context import Context, Outcome
from harness.run.observe import stable_status
from harness.run.step_errors import StepError, StepNotRun
from harness.run.verdict import judge
from harness.trip.loop import MeasuredLoop, measure_loop
from harness.trip.waveform import NotUsable

_POINTS = 5000
_BEFORE = 1000  # of them ahead of the current
_QUARTERS = 1.5  # of the time in which bank and loop swing to zero voltage: all of the rise, and some of the diode's
_TRIGGER = 0.05  # of the greatest current that bank and loop can come to


def run_calibrate_loop(step: CalibrateLoop, context: Context, outcome: Outcome) -> None:
    """Bypass closed, a shot at a low voltage, L and R out of its rise; compared with what the bench file declares."""
    gate, bank, _, recorder = high_voltage_of(context)
    declared, backup = context.bench.spec.loop, context.bench.spec.backup
    if declared is None:
        raise StepNotRun("the bench file declares no loop to compare with")
    lock = context.bench.spec.interlock
    if lock is None or "bypass" not in lock.relays:
        raise StepNotRun("the interlock has no relay 'bypass': nothing takes the breaker out of the loop")
    status = stable_status(context.device, context.bench)
    if status.switch != "open":
        raise StepError(f"the breaker must be open, so that the link alone carries the current; {status}")
    most = step.voltage.si * math.sqrt(bank.capacitance / declared.inductance)
    quarter = math.pi / 2 * math.sqrt(bank.capacitance * declared.inductance)
    interval = max(recorder.shortest_interval, _QUARTERS * quarter / (_POINTS - _BEFORE))
    context.ledger.loop = None  # whatever was measured before, it is asked anew
    gate.bypass()
    try:
        shot = take(context, step.voltage.si, Window(interval, _POINTS, _BEFORE, _TRIGGER * most))
    finally:
        gate.unlink()
    keep(shot, outcome)
    refuse_clipped(shot.spec, shot.window)
    try:
        loop = measure_loop(interval, shot.channel("current"), shot.channel("bank"), recorder.clock)
    except NotUsable as error:
        raise analysed(error) from error
    agrees = _compare(step, loop, declared.inductance, declared.resistance, outcome)
    current = loop.prospective(bank.voltage)
    at_most = None if backup is None else backup.breaking_current
    agrees &= _note(
        Measurement("prospective current", current.value, "A", None, at_most, None, current.uncertainty), outcome
    )
    outcome.facts["prospective_at"] = bank.voltage
    if agrees:
        context.ledger.loop_measured(context.bench.clock.now_ns(), loop)


def _compare(step: CalibrateLoop, loop: MeasuredLoop, inductance: float, resistance: float, outcome: Outcome) -> bool:
    good = True
    for name, found, wanted, unit in (
        ("loop inductance", loop.inductance, inductance, "H"),
        ("loop resistance", loop.resistance, resistance, "ohm"),
    ):
        slack = step.tolerance.si * wanted
        limits = wanted - slack, wanted + slack
        good &= _note(Measurement(name, found.value, unit, *limits, wanted, found.uncertainty), outcome)
    return good


def _note(measurement: Measurement, outcome: Outcome) -> bool:
    """Keep it; the loop is the bench's, so that one that is not as declared is an error and no breaker's fail."""
    verdict, reason = judge(measurement)
    outcome.measurements.append(measurement)
    if verdict is not Verdict.PASS:
        shown = "" if measurement.value is None else show(measurement.value, measurement.unit)
        outcome.error(f"the loop is not what the bench file says: {reason or shown}")
    return verdict is Verdict.PASS
