"""What tells a worn or damaged switch: its voltage drop, its leakage, and what its sensor says of no current."""

from __future__ import annotations

import math

import numpy as np

from harness.bench.cut_off import HEALTH_S, of_health
from harness.bench.instrument import Acquisition
from harness.bench.instrument_spec import ChannelSpec
from harness.clock import MS, S
from harness.plan.steps import CheckHealth
from harness.plan.steps.stimulus import Leakage, VoltageDrop, Zero
from harness.record.result import Coverage, Measurement, Verdict
from harness.run.clipping import Clipped, refuse_clipped
from harness.run.context import Context, Outcome
from harness.run.drives import feed
from harness.run.observe import live_repeatability, read_live, stable_status
from harness.run.shot import LEFT_RANGE, recorded
from harness.run.step_errors import StepError, StepNotRun

_RECORD_S = 0.2
_INTERVAL_S = 1e-4
_RISE_NS = 300 * MS  # a source and a load are at their values by then
_ROOT3 = math.sqrt(3)
_ACROSS = 0.9  # of the voltage, across a switch that leaks so little that it passes
_NOTHING = 0.02
_CURRENT_REACHED = 0.02  # share of the commanded current that may be missing


def run_check_health(step: CheckHealth, context: Context, outcome: Outcome) -> None:
    """Measure what the step names, each against its limit."""
    missing = [role for role in sorted(step.roles) if getattr(context.bench, role) is None]
    if missing:
        raise StepNotRun(f"the bench has no {' and no '.join(missing)}")
    outcome.coverage = Coverage.PRIMARY if step.roles else Coverage.NONE
    if step.zero is not None:
        _zero(step.zero, context, outcome)
    if step.leakage is not None:
        _leakage(step.leakage, context, outcome)
    if step.voltage_drop is not None:
        _voltage_drop(step.voltage_drop, context, outcome)


def _zero(zero: Zero, context: Context, outcome: Outcome) -> None:
    live = context.device.live.get("current")
    if live is None:
        raise StepNotRun(f"{context.device.name} reports no live value 'current'")
    for number in (1, 2):
        value = abs(float(read_live(context, live)))
        repeat = live_repeatability(context.device, live)
        name, limit = f"zero of the sensor, reading {number}", zero.at_most.si
        outcome.measure(Measurement(name, value, "A", None, limit, repeatability=repeat))


def _leakage(leakage: Leakage, context: Context, outcome: Outcome) -> None:
    """Against a recording without voltage just before, so that the channel's own offset does not count."""
    _expect_switch(context, "open")
    _channel(context, "switch_voltage")
    if context.bench.high_voltage is not None:
        context.bench.high_voltage.empty()  # what is still charged leaks as well, and no zero is read from it
    without, applied = _record(context, None, None), _record(context, leakage.voltage.si, None)
    zero, current = without.channels["current"], applied.channels["current"]
    value = float(np.mean(current) - np.mean(zero))
    noise = math.hypot(float(np.std(zero)) / math.sqrt(len(zero)), float(np.std(current)) / math.sqrt(len(current)))
    uncertainty = math.hypot(noise, _channel(context, "current").gain * value / _ROOT3)
    measurement = Measurement("leakage", value, "A", None, leakage.at_most.si, None, uncertainty, noise)
    passed = outcome.measure(measurement) is Verdict.PASS
    before, across = (float(np.mean(each.channels["switch_voltage"])) for each in (without, applied))
    if passed and (abs(before) > _NOTHING * leakage.voltage.si or across < _ACROSS * leakage.voltage.si):
        raise StepError(
            f"stimulus not reached: {before:.4g} V, then {across:.4g} V across the open switch, wanted 0 V, then"
            f" {leakage.voltage}"
        )


def _voltage_drop(drop: VoltageDrop, context: Context, outcome: Outcome) -> None:
    _expect_switch(context, "closed")
    stands = of_health(drop.draw.si, drop.voltage.si, context.device, context.bench.spec)
    if stands.ruled_by != "duration":
        raise StepError(f"{stands.ruled_by} stands this for {stands.seconds:.3g} s only: nothing was applied")
    acquisition = _record(context, drop.voltage.si, drop.draw.si)
    amperes = float(np.mean(acquisition.channels["current"]))
    if amperes < drop.draw.si * (1 - _CURRENT_REACHED):
        raise StepError(f"stimulus not reached: {amperes:.4g} A recorded, {drop.draw} commanded")
    volts = float(np.mean(acquisition.channels["switch_voltage"]))
    spec = _channel(context, "switch_voltage")
    uncertainty = math.hypot(spec.gain * volts, spec.offset) / _ROOT3
    noise = float(np.std(acquisition.channels["switch_voltage"])) / math.sqrt(len(acquisition.channels["current"]))
    outcome.facts["current"] = amperes
    outcome.measure(Measurement("voltage drop", volts, "V", None, drop.at_most.si, None, uncertainty, noise))


def _record(context: Context, voltage: float | None, current: float | None) -> Acquisition:
    """Source on where a voltage is wanted, load on where a current is, one recording, all off again."""
    bench, ledger = context.bench, context.ledger
    source, load, recorder = bench.source, bench.load, bench.recorder
    assert source is not None and recorder is not None and bench.spec.source is not None
    assert bench.spec.recorder is not None
    before = round(_RECORD_S / _INTERVAL_S / 10)
    began_ns = bench.clock.now_ns()
    ledger.current_begins(began_ns)
    try:
        if voltage is not None:
            # With a current the switch is closed; without one the voltage is to lie across it.
            feed(bench, voltage, opened=current is None, precharge=current is not None)
            bench.idle(_RISE_NS)
        if current is not None:
            assert load is not None and bench.spec.load is not None
            ledger.wear.strains(f"{current:g} A")
            load.apply(current, bench.spec.load.slew, HEALTH_S)
            bench.idle(_RISE_NS)
        recorder.arm(_INTERVAL_S, round(_RECORD_S / _INTERVAL_S), before, None)
        bench.idle(round(1.5 * _RECORD_S * S))
        limited = voltage is not None and source.limiting()
        if voltage is not None and current is None and bench.high_voltage is not None:
            bench.high_voltage.precharge()  # a load side that never read the voltage could not be proved dead
    finally:
        source.off()
        if load is not None:
            load.off()
    end_ns = bench.clock.now_ns()
    names = [name for name in ("current", "switch_voltage") if name in bench.spec.recorder.channels]
    acquisition = recorder.fetch(*names)
    if acquisition is None:
        raise StepError("the recorder did not record")
    try:
        refuse_clipped(bench.spec.recorder, acquisition)
    except Clipped as error:  # every level stays unknown
        if current is not None and "current" in error.names:
            ledger.quarantined(end_ns, LEFT_RANGE)
        raise
    # At most as recorded for all of the time, at least for the time of the recording alone: the longer one counts.
    mean = float(np.mean(acquisition.channels["current"]))
    ledger.current_ended(end_ns, recorded(acquisition, "current").then(mean, max((end_ns - began_ns) / S, 0.0)))
    if limited:
        raise StepError("stimulus not reached: the source limits its current")
    return acquisition


def _expect_switch(context: Context, wanted: str) -> None:
    status = stable_status(context.device, context.bench)
    if status.switch != wanted:
        raise StepError(f"the breaker must be {wanted} for this; {status}")


def _channel(context: Context, name: str) -> ChannelSpec:
    assert context.bench.spec.recorder is not None
    channel = context.bench.spec.recorder.channels.get(name)
    if channel is None:
        raise StepNotRun(f"the bench's recorder has no channel {name}")
    return channel
