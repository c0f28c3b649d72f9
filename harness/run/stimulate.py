"""Applying a current and timing what the breaker makes of it.

The cut-off is fixed before the current starts and held by the instrument, not by this program. The band that a result
is judged by follows from the set-points asked for and the current that was recorded, not the one commanded.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from harness.bench.bench import Bench
from harness.bench.gate import Hazard, refusal
from harness.bench.instrument import Acquisition
from harness.bench.spec import ChannelSpec
from harness.clock import MS, S
from harness.plan.steps import COLD_AT_MOST, ExpectNoTrip, ExpectTrip, Stimulus
from harness.quantity import show
from harness.record.result import Coverage, Measurement, Verdict, Waveform
from harness.run.context import Context, Outcome, StepError, StepNotRun
from harness.run.instants import EDGE_UNCERTAINTY, Instants, NotRecorded, crossing, instants
from harness.run.ledger import LastTrip
from harness.run.observe import read_status, stable_status
from harness.trip.band import Band, InPickupZone, level_interval, must_not_operate, operate_band
from harness.trip.trace import Segments, Trace
from protocol.protection import ProtectionFunction

_MARGIN = 1.1  # cut-off over the latest time that a good breaker needs
_MARGIN_S = 0.1
_BEFORE_S = 0.01  # recorded ahead of the onset
_MOST_POINTS = 50_000  # per recording: enough for a hundredth of any band, and integrated in milliseconds
_AFTER_NS = 30 * MS  # a stimulus stays on for so long after a trip; its own cut-off still holds
_CLEARING_S = 5e-3  # no switch with its commutation takes longer; common practice, no source
_UNREACHED = 0.02  # a plateau this far from the commanded current, beyond declared errors, is no stimulus
_ROOT3 = math.sqrt(3)


def cut_off_s(band: Band) -> float:
    """Longest time in s that a current with this band may flow. Raises StepError where nothing need operate."""
    if band.late_s is None:
        raise StepError("no breaker has to operate at this current; nothing would end it but the cut-off")
    return band.late_s * _MARGIN + _MARGIN_S


def run_expect_trip(step: ExpectTrip, context: Context, outcome: Outcome) -> None:
    """Apply the current, time the trip, judge it against the band of the current that was recorded."""
    function = context.device.function(step.function)
    outcome.function = step.function
    start = _ready(step, context, outcome)
    try:
        forecast = operate_band(function, context.ledger.set_points, context.device.accuracy, step.current, start)
    except InPickupZone as error:
        raise StepError(str(error)) from error
    assert forecast.late_s is not None or math.isinf(forecast.nominal_s)
    shot = _shoot(step, context, cut_off_s(forecast), (forecast.late_s or 0.0) - forecast.early_s)
    _keep(shot, outcome)
    current = _as_if_held(shot)
    band = operate_band(function, context.ledger.set_points, context.device.accuracy, current, start)
    if shot.instants.decision is None:
        _no_decision(step, context, outcome, shot, band)
        return
    measured = shot.instants.decision - shot.instants.onset
    timing = _time_uncertainty(shot, measured)
    uncertainty = math.hypot(timing, _current_uncertainty(band, shot))
    outcome.measure(_operate_time(band, shot, measured, uncertainty), "late", "early")
    if step.draw is not None:
        _interruption(context, outcome, shot)
    cause = stable_status(context.device, context.bench).cause
    outcome.expect(cause == function.cause, f"the breaker gives {cause} as the cause, wanted {function.cause}")
    context.ledger.last_trip = LastTrip(
        step.function,
        outcome.coverage,
        shot.instants.before_decision,
        shot.current_uncertainty(shot.instants.before_decision),
        _level_at_decision(function, context, shot.instants.before_decision),
        measured,
        timing,
        context.bench.supply_12v.voltage(),
    )


def run_expect_no_trip(step: ExpectNoTrip, context: Context, outcome: Outcome) -> None:
    """Apply the current for its duration; the gate must stay on, and state, switch and cause must not change."""
    _ready(step, context, outcome)
    starts = {name: context.ledger.level(name, context.bench.clock.now_ns()) for name in context.device.functions}
    shot = _shoot(step, context, step.duration.si, step.duration.si)
    _keep(shot, outcome)
    for name, function in context.device.functions.items():
        if not must_not_operate(
            function,
            context.ledger.set_points,
            context.device.accuracy,
            shot.current,
            shot.current.duration_s,
            starts[name],
        ):
            outcome.error(f"{name} may operate at this current within this time, so nothing can be told")
    if shot.instants.decision is not None:
        after = shot.instants.decision - shot.instants.onset
        outcome.fail(f"operated after {show(after, 's')}, and must not")
    elif shot.lasted < step.duration.si - 2 * shot.acquisition.interval_s:
        outcome.error(f"stimulus not reached: it lasted {show(shot.lasted, 's')}, {step.duration} were commanded")
    outcome.expect(not shot.said_tripped, "the breaker said that it had tripped, and must not")
    state = stable_status(context.device, context.bench)
    healthy = state.switch == "closed" and state.cause == "none" and state.state == "on"
    outcome.expect(healthy, f"afterwards the breaker is not as it was: {state}")


@dataclass(frozen=True)
class _Shot:
    """One stimulus as it was recorded."""

    acquisition: Acquisition
    stimulus: str  # channel name
    channel: ChannelSpec
    clock: float  # relative error of the recorder's time base
    instants: Instants
    said_tripped: bool  # the breaker, twice in a row, while the current was meant to flow

    @property
    def lasted(self) -> float:
        """How long the stimulus was above half of its commanded value, s."""
        return self.instants.ended - self.instants.onset

    @property
    def current(self) -> Segments:
        return recorded(self.acquisition, self.stimulus)

    def current_uncertainty(self, current: float) -> float:
        """Standard uncertainty in A of a mean current; declared errors are taken as rectangular (JCGM 100, 4.3.7)."""
        return math.hypot(self.channel.gain * current, self.channel.offset) / _ROOT3


def _ready(step: Stimulus, context: Context, outcome: Outcome) -> tuple[float, float]:
    """Everything that must hold before a current may flow; returns the thermal level of the step's function."""
    primary = step.draw is not None
    outcome.coverage = Coverage.PRIMARY if primary else Coverage.SECONDARY
    bench, ledger = context.bench, context.ledger
    refused = refusal(Hazard.HIGH_VOLTAGE if primary else Hazard.LOW_VOLTAGE, bench.simulated)
    if refused:
        raise StepNotRun(refused, refused_by_gate=True)
    if ledger.quarantine:
        raise StepNotRun(f"the unit is quarantined for this run: {ledger.quarantine}")
    if bench.recorder is None:
        raise StepNotRun("the bench has no recorder to time the trip with")
    if (bench.source is None or bench.load is None) if primary else (bench.injector is None):
        raise StepNotRun(f"the bench has no {'source and load' if primary else 'injector'}")
    status = stable_status(context.device, bench)
    if status.switch != "closed":
        raise StepError(f"the breaker must be closed before a current flows; {status}")
    if not isinstance(step, ExpectTrip):
        return (0.0, 0.0)
    level = ledger.level(step.function, bench.clock.now_ns())
    outcome.facts["start_level"] = list(level)
    if step.start == "cold" and level[1] > COLD_AT_MOST:
        raise StepError(f"start cold was asked for, but the thermal level may be {level[1]:.1%}; wait until it is cool")
    return level


def _shoot(step: Stimulus, context: Context, cut_off: float, width: float) -> _Shot:
    """Record, apply, watch, switch off, fetch. ``width`` is the time difference that must be resolved."""
    bench = context.bench
    recorder = bench.recorder
    assert recorder is not None and bench.spec.recorder is not None
    channel = "injected" if step.inject is not None else "current"
    look_ns = round(min(max(cut_off / 50, 0.02), 1.0) * S)
    whole = _BEFORE_S + cut_off + 3 * look_ns / S + 0.2
    interval = max(bench.spec.recorder.shortest_interval, width / 100, whole / _MOST_POINTS)
    before = math.ceil(_BEFORE_S / interval)
    recorder.arm(interval, math.ceil(whole / interval) + before, before, channel, step.current / 2)
    bench.idle(round(2 * before * interval * S))  # a recorder cannot trigger before it has its pre-trigger samples
    context.ledger.current_begins(bench.clock.now_ns())
    try:
        _apply(step, bench, cut_off)
        said_tripped = _watch(context, round(cut_off * S), look_ns)
        if said_tripped:
            bench.idle(_AFTER_NS + round(2 * interval * S))  # what flows on through a welded switch must be seen
    finally:
        _stop(step, bench)
    bench.idle(max(2 * MS, round(2 * interval * S)))
    end_ns = bench.clock.now_ns()
    names = ("injected", "gate") if step.inject is not None else ("current", "gate", "switch_voltage")
    acquisition = recorder.fetch(*names)
    if acquisition is None:
        raise StepError(f"stimulus not reached: the recorder saw nothing of {show(step.current, 'A')}")
    context.ledger.current_ended(end_ns, recorded(acquisition, channel))
    try:
        found = instants(acquisition, channel, step.current, tail_s=0.02)
    except NotRecorded as error:
        raise StepError(f"stimulus not reached: {error}") from error
    spec = bench.spec.recorder.channels[channel]
    allowed = step.current * (_UNREACHED + spec.gain) + spec.offset
    if abs(found.plateau - step.current) > allowed:
        raise StepError(
            f"stimulus not reached: {show(found.plateau, 'A')} recorded, {show(step.current, 'A')} commanded"
        )
    return _Shot(acquisition, channel, spec, bench.spec.recorder.clock, found, said_tripped)


def _no_decision(step: ExpectTrip, context: Context, outcome: Outcome, shot: _Shot, band: Band) -> None:
    """The gate stayed on: the breaker's fault only where the current lasted and the breaker does not claim a trip."""
    onset = shot.instants.onset
    late = math.inf if band.late_s is None else band.late_s - onset
    if shot.said_tripped:
        outcome.error("the breaker says that it tripped and the recorded gate stayed on: look at the gate channel")
        return
    if shot.lasted < late:
        outcome.error(
            f"stimulus not reached: it lasted {show(shot.lasted, 's')}, and a good breaker may take {show(late, 's')}"
        )
        return
    context.ledger.quarantined(context.bench.clock.now_ns(), f"{step.function} did not operate by the cut-off")
    outcome.measure(_operate_time(band, shot, None, 0.0), "late", "early")


def _interruption(context: Context, outcome: Outcome, shot: _Shot) -> None:
    """A gate that is off is not yet a circuit that is open: the current must be gone, and soon."""
    assert shot.instants.decision is not None
    interval, decision = shot.acquisition.interval_s, shot.instants.decision
    rest = max(context.device.ratings.off_state_leakage, 3 * shot.channel.offset)
    current = shot.acquisition.channels[shot.stimulus]
    index = crossing(current, rest, rising=False, start=int(decision / interval))
    high = _CLEARING_S + 2 * interval
    cleared = None if index is None else max(index * interval - decision, 0.0)
    clearing = Measurement("interruption after decision", cleared, "s", None, high, None, EDGE_UNCERTAINTY * interval)
    if outcome.measure(clearing, "late", "early") is Verdict.FAIL:
        context.ledger.quarantined(context.bench.clock.now_ns(), "current flowed on after the gate went off")


def recorded(acquisition: Acquisition, channel: str) -> Segments:
    """One recorded channel as a current over time."""
    return Trace(acquisition.start_s, acquisition.interval_s, acquisition.channels[channel]).segments


def _apply(step: Stimulus, bench: Bench, cut_off: float) -> None:
    if step.inject is not None:
        assert bench.injector is not None and bench.spec.injector is not None
        bench.injector.apply(step.current, step.slew.si if step.slew else bench.spec.injector.slew, cut_off)
        return
    assert step.voltage is not None and bench.source is not None and bench.spec.source is not None
    assert bench.load is not None and bench.spec.load is not None
    bench.source.configure(step.voltage.si, bench.spec.source.current)
    bench.source.output(True)
    bench.idle(100 * MS)
    bench.load.apply(step.current, step.slew.si if step.slew else bench.spec.load.slew, cut_off)


def _watch(context: Context, cut_off_ns: int, look_ns: int) -> bool:
    """Let the bus run until the cut-off has passed, or the breaker says twice in a row that it tripped: then True."""
    clock = context.bench.clock
    end_ns = clock.now_ns() + cut_off_ns
    while clock.now_ns() < end_ns:
        context.bench.idle(min(look_ns, end_ns - clock.now_ns()))
        if all(read_status(context.device, context.bench).state == "tripped" for _ in range(2)):
            return True
    return False


def _stop(step: Stimulus, bench: Bench) -> None:
    """The current off: primary at the source first."""
    if step.inject is not None:
        assert bench.injector is not None
        bench.injector.off()
        return
    assert bench.source is not None and bench.load is not None
    bench.source.off()
    bench.load.off()


def _as_if_held(shot: _Shot) -> Segments:
    """The recorded current up to the decision, and its last value for as long again as any band could need."""
    segments = shot.current
    if shot.instants.decision is not None:
        segments = segments.first(shot.instants.decision)
    return segments.then(shot.instants.plateau, 10 * shot.current.duration_s)


def _operate_time(band: Band, shot: _Shot, measured: float | None, uncertainty: float) -> Measurement:
    onset = shot.instants.onset
    late = None if band.late_s is None else band.late_s - onset
    early = max(band.early_s - onset, 0.0)
    nominal = band.nominal_s - onset if math.isfinite(band.nominal_s) else None
    return Measurement("operate time", measured, "s", early, late, nominal, uncertainty)


def _level_at_decision(function: ProtectionFunction, context: Context, current: float) -> tuple[float, float]:
    """From the trip level to what the level can rise to within the declared latency."""
    accuracy = context.device.accuracy
    late = Segments.constant(current, accuracy.latency[1])
    return 1.0, level_interval(function, context.ledger.set_points, accuracy, late, (1.0, 1.0))[1]


def _time_uncertainty(shot: _Shot, measured: float) -> float:
    """Standard uncertainty in s of a time between two edges of the recording."""
    edges = math.sqrt(2) * EDGE_UNCERTAINTY * shot.acquisition.interval_s
    return math.hypot(edges, shot.clock * measured / _ROOT3)


def _current_uncertainty(band: Band, shot: _Shot) -> float:
    """Standard uncertainty in s that the recorded current's errors give the band's edges; the steeper one counts."""
    gain, offset = shot.channel.gain / _ROOT3, shot.channel.offset / _ROOT3
    slopes = [slope for slope in (band.early_slope, band.late_slope) if slope is not None]
    return max((slope.uncertainty(gain, offset) for slope in slopes), default=0.0)


def _keep(shot: _Shot, outcome: Outcome) -> None:
    for name, samples in shot.acquisition.channels.items():
        outcome.waveforms.append(
            Waveform(
                name,
                "V" if name in ("gate", "switch_voltage") else "A",
                shot.acquisition.start_s,
                shot.acquisition.interval_s,
                np.asarray(samples, dtype=">f4").tobytes(),
            )
        )
    outcome.facts["plateau"] = shot.instants.plateau
