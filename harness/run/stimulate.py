"""Applying a quantity and timing what the breaker makes of it.

The band that a result is judged by follows from the set-points asked for and the stimulus that was recorded, not the
one commanded; the current's cut-off is computed from it before anything flows.
"""

from __future__ import annotations

import math

from harness.bench.cut_off import CutOff, of_hold, of_trip
from harness.bench.spending import spending_of
from harness.clock import S
from harness.plan.steps import COLD_AT_MOST, SENSOR_FAULTS, STIMULI, ExpectNoTrip, ExpectTrip, Stimulus
from harness.quantity import show
from harness.record.result import Applied, Coverage, Measurement, Verdict
from harness.run import repeat as repeatability
from harness.run.context import Context, Outcome
from harness.run.drives import Drive, drive_of
from harness.run.instants import EDGE_UNCERTAINTY, Look
from harness.run.observe import Status, stable_status
from harness.run.oracle import forecast, level_after, may_operate, onset_level, operate_band, watching
from harness.run.shot import Aim, Shot, keep, shoot
from harness.run.step_errors import StepError, StepNotRun
from harness.run.traces import note_trip
from harness.trip.band import Band, InPickupZone
from harness.trip.trace import Segments, joined
from harness.trip.watch import REMEMBERS
from harness.trip.waveform import last_above, rest_level
from protocol.protection import Instantaneous, ProtectionFunction

_CLEARING_S = 5e-3  # no switch with its commutation takes longer; common practice, no source
_EDGES_S = 1.0  # a hundredth of it is how finely the begin and end of a hold are recorded, at least
_ROOT3 = math.sqrt(3)


def run_expect_trip(step: ExpectTrip, context: Context, outcome: Outcome) -> None:
    """Apply the stimulus, time the trip, judge it against the band of what was recorded."""
    function = context.device.function(step.function)
    outcome.function = step.function
    drive = _ready(step, context, outcome)
    start = _start_level(step, context, outcome)
    now_ns = context.bench.clock.now_ns()
    levels = {name: context.ledger.level(name, now_ns) for name in context.ledger.remembering}
    try:
        expected = forecast(function, context.ledger, drive.course, start, step.closing)
    except InPickupZone as error:
        raise StepError(str(error)) from error
    if expected.late_s is None:
        raise StepError("no breaker has to operate on this stimulus; nothing would end it but the cut-off")
    until = _cut_off(of_trip(step, context.device, context.bench.spec, expected.late_s), expected.late_s, outcome)
    width = max(expected.late_s - max(expected.early_s, 0.0) - drive.course.rise_s, 0.0)
    aim = Aim(until, width, _look(step, drive, onset_level(function, context.ledger, drive.course)))
    spending = spending_of(step, context.device, context.bench.spec)
    context.ledger.wear.shot(spending.short_circuits, spending.clamp_energy, step.function)
    shot = shoot(step, context, drive, aim)
    keep(shot, outcome, STIMULI[step.key].unit)
    band = _band(function, context, shot, start)
    if step.switch == "open":
        _polled(step, context, outcome, shot, band)
    elif shot.instants.decision is None:
        _no_decision(step, context, outcome, shot, band)
        return
    else:
        measured = shot.instants.decision - shot.instants.onset
        uncertainty = math.hypot(shot.time_uncertainty(measured), _quantity_uncertainty(band, shot))
        repeat = repeatability.of_operate_time(function, context.device, shot.look, shot.instants, band)
        outcome.measure(_operate_time(band, measured, uncertainty, repeat), "late", "early")
    if step.draw is not None:
        _interruption(context, outcome, shot)
    _expect_cause(function, context, outcome, shot.said or stable_status(context.device, context.bench))
    if shot.instants.decision is not None:
        note_trip(function, context, outcome.coverage, shot, levels)


def run_expect_no_trip(step: ExpectNoTrip, context: Context, outcome: Outcome) -> None:
    """Apply the stimulus for its duration; the gate must stay as it is, and state, switch and cause must not change."""
    drive = _ready(step, context, outcome)
    before = stable_status(context.device, context.bench)
    now_ns = context.bench.clock.now_ns()
    watchers = watching(context.device, step)
    starts = {name: context.ledger.level(name, now_ns) for name in watchers}
    seconds = _cut_off(of_hold(step, context.device, context.bench.spec, step.seconds), step.seconds, outcome)
    # The level that is left follows from the record, so its edges must be known however long it is.
    shot = shoot(step, context, drive, Aim(seconds, min(seconds, _EDGES_S), _look(step, drive, drive.course.half)))
    keep(shot, outcome, STIMULI[step.key].unit)
    onset = shot.instants.onset if step.closing else 0.0
    for name, function in watchers.items():
        if may_operate(function, context.ledger, shot.seen_by(function).after(onset), starts[name]):
            outcome.error(f"{name} may operate on this stimulus within this time, so nothing can be told")
    if shot.instants.decision is not None:
        after = shot.instants.decision - shot.instants.onset
        outcome.fail(f"operated after {show(after, 's')}, and must not")
    elif not step.pulses and shot.lasted < seconds - drive.course.rise_s - 2 * shot.acquisition.interval_s:
        wanted = show(seconds, "s")
        outcome.error(f"stimulus not reached: it lasted {show(shot.lasted, 's')}, {wanted} were commanded")
    outcome.expect(shot.said is None, "the breaker said that it had operated, and must not")
    _expect_bits(step, outcome, shot)
    state = stable_status(context.device, context.bench)
    wanted_state = ("closed", "none", "on") if step.switch == "closed" else ("open", before.cause, before.state)
    healthy = (state.switch, state.cause, state.state) == wanted_state
    outcome.expect(healthy, f"afterwards the breaker is not as it was: {state}")


def _cut_off(found: CutOff, wanted: float, outcome: Outcome) -> float:
    """Seconds, noted with what they follow from. Raises StepError where they end before ``wanted``."""
    outcome.facts["cut_off"] = {"s": found.seconds, "ruled_by": found.ruled_by}
    if found.seconds < wanted:
        limit, needed = show(found.seconds, "s"), show(wanted, "s")
        raise StepError(f"{found.ruled_by} stands this for {limit}, and {needed} are needed: nothing was applied")
    return found.seconds


def _expect_bits(step: ExpectNoTrip, outcome: Outcome, shot: Shot) -> None:
    """Status bits while the stimulus was there; it was too short where nobody could look."""
    during = shot.polled.during
    if step.bits and during is None:
        outcome.error(f"the status frame was not read within {show(step.seconds, 's')}: make the stimulus longer")
    for name, wanted in step.bits.items():
        found = wanted if during is None else during.bits[name]
        outcome.expect(found == wanted, f"status bit {name} was {int(found)} while the stimulus was there")


def _ready(step: Stimulus, context: Context, outcome: Outcome) -> Drive:
    """Everything that must hold before anything may be applied."""
    outcome.coverage = Coverage.PRIMARY if step.draw is not None else Coverage.SECONDARY
    bench, ledger = context.bench, context.ledger
    outcome.stimulus, outcome.set_points = _applied(step), ledger.set_points
    if ledger.mode is not None:
        outcome.facts["mode"] = ledger.mode  # which bank of set-points counts
    if bench.recorder is None:
        raise StepNotRun("the bench has no recorder to time the trip with")
    drive = drive_of(step, context.device, bench, ledger.held)
    status = stable_status(context.device, bench)
    wanted = "open" if step.closing or step.switch == "open" else "closed"
    if status.switch != wanted:
        raise StepError(f"the breaker must be {wanted} before the stimulus; {status}")
    return drive


def _applied(step: Stimulus) -> Applied:
    value = None if step.level in SENSOR_FAULTS else step.value
    start = step.start if isinstance(step, ExpectTrip) else "from_history"
    return Applied(step.key, value, STIMULI[step.key].unit, None if step.voltage is None else step.voltage.si, start)


def _start_level(step: ExpectTrip, context: Context, outcome: Outcome) -> tuple[float, float]:
    level = context.ledger.level(step.function, context.bench.clock.now_ns())
    outcome.facts["start_level"] = list(level)
    if step.start == "cold" and level[1] > COLD_AT_MOST:
        raise StepError(f"start cold was asked for, but the level may be {level[1]:.1%}; wait until it is cool")
    return level


def _look(step: Stimulus, drive: Drive, onset: float) -> Look:
    gate = "rising" if step.closing else "off" if step.switch == "open" else "on"
    return Look(STIMULI[step.key].channel, drive.course, onset, gate)


def _band(function: ProtectionFunction, context: Context, shot: Shot, start: tuple[float, float]) -> Band:
    """The band of what was recorded, its times from the onset."""
    held, onset = _as_if_held(shot, shot.seen_by(function)), shot.instants.onset
    if shot.look.gate != "rising":
        band = operate_band(function, context.ledger, held, start)
        late = None if band.late_s is None else band.late_s - onset
        return Band(band.early_s - onset, band.nominal_s - onset, late, band.early_slope, band.late_slope)
    closed_at = 0.0 if isinstance(function, Instantaneous) else None
    if isinstance(function, REMEMBERS):  # an injected current was there before the switch was closed
        start = start[0], level_after(function, context.ledger, held.first(onset), start)[1]
    return operate_band(function, context.ledger, held.after(onset), start, closed_at)


def _as_if_held(shot: Shot, segments: Segments) -> Segments:
    """The recorded stimulus up to the decision, and what would have followed for as long as a band could need."""
    found, course = shot.instants, shot.look.course
    if found.decision is None:
        if course.train:
            return segments
        return segments.then(found.plateau, 10 * segments.duration_s)
    segments = segments.first(found.decision)
    if course.train:
        gone = course.scaled(found.plateau / course.value).segments(sum(seconds for _, seconds in course.train))
        rest = gone.after(max(found.decision - found.onset, 0.0))
        return joined(segments, rest)
    last = found.plateau
    if course.rise_s > 0 and (share := course.share(float(segments.currents[-1]))) < 1:
        segments = joined(segments, course.segments(course.rise_s).after(share * course.rise_s))
        last = course.value
    return segments.then(last, 10 * max(shot.quantity.duration_s, course.rise_s))


def _polled(step: ExpectTrip, context: Context, outcome: Outcome, shot: Shot, band: Band) -> None:
    """The gate is off all along: the status frame says when, as well as it is asked."""
    if shot.said is None:
        _no_decision(step, context, outcome, shot, band)
        return
    polled = shot.polled
    seen = (polled.not_yet_ns + polled.seen_ns) / 2 - (polled.began_ns + polled.started_ns) / 2
    halves = (polled.seen_ns - polled.not_yet_ns) / 2 / S, (polled.started_ns - polled.began_ns) / 2 / S
    repeat = repeatability.of_decision(context.device.function(step.function), context.device)
    outcome.measure(_operate_time(band, seen / S, math.hypot(*halves) / _ROOT3, repeat), "late", "early")


def _no_decision(step: ExpectTrip, context: Context, outcome: Outcome, shot: Shot, band: Band) -> None:
    """The gate stayed on: the breaker's fault only where the stimulus lasted and the breaker does not claim a trip."""
    late = math.inf if band.late_s is None else band.late_s
    if shot.said is not None:
        outcome.error("the breaker says that it tripped and the recorded gate stayed on: look at the gate channel")
        return
    if shot.lasted < late and not shot.look.course.train:
        outcome.error(
            f"stimulus not reached: it lasted {show(shot.lasted, 's')}, and a good breaker may take {show(late, 's')}"
        )
        return
    outcome.measure(_operate_time(band, None, 0.0), "late", "early")
    context.ledger.quarantined(context.bench.clock.now_ns(), f"{step.function} did not operate by the cut-off")


def _interruption(context: Context, outcome: Outcome, shot: Shot) -> None:
    """A gate that is off is not yet a circuit that is open: the current must be gone, soon and for good."""
    assert shot.instants.decision is not None
    interval, decision = shot.acquisition.interval_s, shot.instants.decision
    current, first = shot.acquisition.channels[shot.look.channel], int(decision / interval)
    before = current[: round(-shot.acquisition.start_s / interval) // 2]  # ahead of whatever rises up to the trigger
    rest = rest_level(before, max(context.device.ratings.off_state_leakage, 3 * shot.channel.offset))
    index = last_above(current[first:], rest)
    high = _CLEARING_S + 2 * interval
    cleared = None if index is None else max((first + index) * interval - decision, 0.0)
    clearing = Measurement("interruption after decision", cleared, "s", None, high, None, EDGE_UNCERTAINTY * interval)
    if outcome.measure(clearing, "late", "early") is Verdict.FAIL:
        context.ledger.quarantined(context.bench.clock.now_ns(), "current flowed on after the gate went off")


def _expect_cause(function: ProtectionFunction, context: Context, outcome: Outcome, status: Status) -> None:
    """The cause that the breaker gives is the function's own code, or one that may follow on it."""
    wanted = (function.cause, *context.device.fault_codes[function.cause].follow_on)
    outcome.expect(
        status.cause in wanted, f"the breaker gives {status.cause} as the cause, wanted {' or '.join(wanted)}"
    )


def _operate_time(band: Band, measured: float | None, uncertainty: float, repeat: float = 0.0) -> Measurement:
    nominal = band.nominal_s if math.isfinite(band.nominal_s) else None
    return Measurement("operate time", measured, "s", max(band.early_s, 0.0), band.late_s, nominal, uncertainty, repeat)


def _quantity_uncertainty(band: Band, shot: Shot) -> float:
    """Standard uncertainty in s that the recorded value's errors give the band's edges; the steeper one counts."""
    gain, offset = shot.channel.gain / _ROOT3, shot.channel.offset / _ROOT3
    slopes = [slope for slope in (band.early_slope, band.late_slope) if slope is not None]
    return max((slope.uncertainty(gain, offset) for slope in slopes), default=0.0)
