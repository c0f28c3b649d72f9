"""A short circuit from the capacitor bank: what the breaker lets through, judged by first principles.

Limits follow from the loop as this run has measured it, the bank's voltage, and the profile's accuracies alone; see
harness/trip/clearing.py. A record that is clipped is the bench's error and never a verdict.
"""

from __future__ import annotations

import math

from harness.bench.instrument import Acquisition
from harness.bench.spending import spending_of
from harness.clock import S
from harness.plan.steps import ShortCircuit
from harness.record.result import Applied, Coverage, Measurement, Verdict
from harness.run.bank_shot import BankShot, NotSeen, Window, analysed, high_voltage_of, keep, take
from harness.run.clipping import Clipped, refuse_clipped
from harness.run.context import Context, Outcome
from harness.run.ledger import LastTrip
from harness.run.observe import Status, stable_status
from harness.run.step_errors import StepError, StepFail, StepNotRun
from harness.run.switch import send_command
from harness.trip.clearing import FIGURES, UNITS, Fault, Limits, clearing_limits, uncertain_limits
from harness.trip.corner import pickup_zone
from harness.trip.fault_current import Loop
from harness.trip.loop import MeasuredLoop
from harness.trip.trace import Segments, Trace
from harness.trip.waveform import LetThrough, NotUsable, Value, joined_i2t, let_through
from protocol.protection import Instantaneous

_ONSET = 0.5  # of the least threshold: where the clearing time counts from
_TRIGGER = 0.2
_SPANS = 2.0  # of the longest clearing time are recorded
_BEFORE = 6.0  # times the rise up to the onset is recorded ahead, so that little of it is taken for the offset
_FINENESS = 20  # samples in the shortest response
_ONE_VALUE = 0.02  # of the peak: for heat, samples so near to one another are one
_CLOSED_NS = S // 2  # a close command has had its effect by then, at the slow schedule
_BORNE = {"current": "a short-circuit current", "switch_voltage": "the voltage that breaks a short circuit"}
_ROOT3 = math.sqrt(3)


def run_short_circuit(step: ShortCircuit, context: Context, outcome: Outcome) -> None:
    """One shot; the comparator must clear it within what its profile allows."""
    function = context.device.function(step.function)
    loop = _ready(step, context, outcome)
    assert isinstance(function, Instantaneous)
    ledger, clock = context.ledger, context.bench.clock
    onset = _ONSET * pickup_zone(function, ledger.set_points, ledger.mode).low
    window = _window(step, context, function, loop, onset)
    spending = spending_of(step, context.device, context.bench.spec)
    ledger.wear.shot(spending.short_circuits, spending.clamp_energy, step.function)
    began_ns = clock.now_ns()
    ledger.current_begins(began_ns)
    ledger.wear.strains("a short circuit")
    try:
        shot = take(context, step.voltage.si, window, lambda: _close(step, context))
    except NotSeen as error:
        if error.flowed:
            ledger.quarantined(clock.now_ns(), "a short-circuit current flowed that nobody recorded")
            raise
        ledger.current_ended(clock.now_ns(), Segments.constant(0.0, 1e-3))
        if step.closing:
            raise StepFail("the breaker was told to close onto the fault, and no current flowed") from error
        raise
    keep(shot, outcome)
    _refuse_clipped(shot, shot.window, context)
    current = shot.window.channels["current"]
    heating = Trace(0.0, shot.window.interval_s, current).segments.merged(_ONE_VALUE * float(current.max()))
    ledger.current_ended(clock.now_ns(), heating)
    status = stable_status(context.device, context.bench)
    try:
        found = let_through(
            window.interval, shot.channel("current"), shot.channel("switch_voltage"), onset, _rest(context)
        )
    except NotUsable as error:
        raise analysed(error) from error
    _judge(step, context, outcome, function, loop, shot, found, onset)
    if outcome.verdict is not Verdict.FAIL:  # it came back after the window; one that never went has failed by that
        _refuse_clipped(shot, shot.log, context)
    _expect_cause(function, context, outcome, status)
    ledger.tripped(function.cause, LastTrip(function.name, Coverage.PRIMARY, (began_ns, clock.now_ns()), {}))


def _ready(step: ShortCircuit, context: Context, outcome: Outcome) -> MeasuredLoop:
    """Everything that must hold before anything is charged; returns the loop. Raises StepNotRun, StepError."""
    ledger = context.ledger
    outcome.function, outcome.coverage = step.function, Coverage.PRIMARY
    outcome.stimulus = Applied("short_circuit", None, "A", step.voltage.si, "from_history")
    outcome.set_points = ledger.set_points
    if ledger.mode is not None:
        outcome.facts["mode"] = ledger.mode
    high_voltage_of(context)
    if ledger.loop is None:
        raise StepNotRun("the loop has not been measured in this run: want a step calibrate_loop before")
    status = stable_status(context.device, context.bench)
    wanted = "open" if step.closing else "closed"
    if status.switch != wanted:
        raise StepError(f"the breaker must be {wanted} before the shot; {status}")
    return ledger.loop


def _window(step: ShortCircuit, context: Context, function: Instantaneous, loop: MeasuredLoop, onset: float) -> Window:
    """So fine that the shortest response is seen, so long that the longest clearing is."""
    spec = context.bench.spec.recorder
    assert spec is not None
    ledger, volts = context.ledger, step.voltage.si
    fault = Fault((volts, volts), loop.inductance.value, loop.resistance.value)
    try:
        longest = clearing_limits(function, context.device, ledger.set_points, ledger.mode, fault, onset, step.closing)[
            "clearing time"
        ].high
    except ValueError as error:
        raise StepError(str(error)) from error
    ahead = _BEFORE * (Loop(volts, fault.inductance, fault.resistance).time_to(onset) or 0.0)
    span = ahead + _SPANS * longest
    interval = max(spec.shortest_interval, function.response[0] / _FINENESS, span / spec.points)
    return Window(interval, math.ceil(span / interval), math.ceil(ahead / interval), _TRIGGER * 2 * onset)


def _close(step: ShortCircuit, context: Context) -> None:
    """Close the breaker onto the fault where that is asked for."""
    if not step.closing:
        return
    send_command(context, "none")
    try:
        send_command(context, "close")
        context.bench.idle(_CLOSED_NS)
    finally:
        send_command(context, "none")


def _refuse_clipped(shot: BankShot, acquisition: Acquisition, context: Context) -> None:
    """Raises Clipped; what the unit has borne then nobody knows."""
    try:
        refuse_clipped(shot.spec, acquisition)
    except Clipped as error:
        found = [words for name, words in _BORNE.items() if name in error.names]
        if found:
            reason = f"{' and '.join(found)} left the recorder's range: nobody knows it"
            context.ledger.quarantined(context.bench.clock.now_ns(), reason)
        raise


def _rest(context: Context) -> float:
    return context.device.ratings.off_state_leakage


def _judge(
    step: ShortCircuit,
    context: Context,
    outcome: Outcome,
    function: Instantaneous,
    loop: MeasuredLoop,
    shot: BankShot,
    found: LetThrough,
    onset: float,
) -> None:
    ledger, bank = context.ledger, shot.channel("bank")
    ahead = bank.samples[: max(int(found.onset.value / shot.window.interval_s * 0.8), 1)]
    first = float(ahead.mean())
    volts = first, min(float(bank.samples[-len(ahead) :].mean()), first)
    error = math.hypot(bank.gain * first, bank.offset) / _ROOT3
    try:
        limits = uncertain_limits(
            function, context.device, ledger.set_points, ledger.mode, volts, error, loop, onset, step.closing
        )
    except ValueError as problem:
        raise StepError(str(problem)) from problem
    if found.interruption is None:
        context.ledger.quarantined(context.bench.clock.now_ns(), f"{step.function} did not clear a short circuit")
    values = _values(shot, found)
    for name in FIGURES:
        _measure(name, values[name], limits[name], outcome)
    if outcome.verdict is Verdict.FAIL and not ledger.quarantine:
        ledger.quarantined(context.bench.clock.now_ns(), f"{step.function} let more through than it may")


def _values(shot: BankShot, found: LetThrough) -> dict[str, Value | None]:
    window = shot.window
    begin = shot.triggered_s + window.start_s
    span = begin, begin + len(window.channels["current"]) * window.interval_s
    squares = joined_i2t(shot.logged, shot.log.interval_s, found.i2t, span)
    return dict(
        zip(FIGURES, (found.peak, squares, found.clearing, found.over_voltage, found.clamp_energy), strict=True)
    )


def _measure(name: str, value: Value | None, limits: Limits, outcome: Outcome) -> None:
    if value is None:
        outcome.measure(Measurement(name, None, UNITS[name], limits.low, limits.high, None, limits.uncertainty))
        return
    uncertainty = math.hypot(value.uncertainty, limits.uncertainty)
    outcome.measure(Measurement(name, value.value, UNITS[name], limits.low, limits.high, None, uncertainty))


def _expect_cause(function: Instantaneous, context: Context, outcome: Outcome, status: Status) -> None:
    wanted = (function.cause, *context.device.fault_codes[function.cause].follow_on)
    outcome.expect(
        status.cause in wanted, f"the breaker gives {status.cause} as the cause, wanted {' or '.join(wanted)}"
    )
