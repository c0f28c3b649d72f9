"""One stimulus, recorded: arm, apply, watch, take away, fetch.

The cut-off of a current is fixed before it starts and held by the instrument, not by this program.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from harness.bench.instrument import Acquisition, Trigger
from harness.bench.instrument_spec import ChannelSpec
from harness.clock import MS, S
from harness.plan.steps import STIMULI, Stimulus
from harness.quantity import show
from harness.record.result import Waveform
from harness.run.clipping import Clipped, refuse_clipped
from harness.run.context import Context, Outcome
from harness.run.course import Course
from harness.run.drives import Drive
from harness.run.instants import EDGE_UNCERTAINTY, GATE_THRESHOLD_V, Instants, Look, NotRecorded, instants
from harness.run.observe import Status, read_status
from harness.run.step_errors import StepError, StepFail
from harness.run.switch import send_command
from harness.trip.trace import Segments, Trace, joined
from harness.trip.watch import REMEMBERS
from protocol.protection import ProtectionFunction

LEFT_RANGE = "a drawn current left the recorder's range: nobody knows it"
"""Why a unit is quarantined that a current went through which nobody recorded whole."""
_BEFORE_S = 0.01  # recorded ahead of the onset
_FAST_S = 0.01  # a stimulus shorter than this is recorded as a single sweep, its bus traffic afterwards
_CLOSING_S = 0.6  # a close command has had its effect by then, at the slow schedule
_CLOSED_NS = 50 * MS  # a close command that has been sent has had its effect by then
_MOST_POINTS = 50_000  # per recording: enough for any band, and integrated in milliseconds
_AFTER_NS = 30 * MS  # a stimulus stays on for so long after a trip; its own cut-off still holds
_TAIL_S = 0.02  # averaging time for the value just before the decision
_UNREACHED = 0.02  # a plateau this far from the commanded value, beyond declared errors, is no stimulus
_UNITS = {"gate": "V", "switch_voltage": "V"}
_FINENESS = 250  # samples in the time that must be resolved
_NOISE = 0.002  # share of a plateau within which its samples are one value
_ROOT3 = math.sqrt(3)


@dataclass(frozen=True)
class Aim:
    """What is to be recorded: how long the stimulus may last, which time must be resolved, what to look for."""

    cut_off: float  # s, from the start of the stimulus or, where the breaker is closed onto it, from the closing
    width: float  # s
    look: Look


@dataclass(frozen=True)
class Polled:
    """When the status frame was seen to change, on the bench's own clock; for a breaker whose gate is off all along."""

    began_ns: int  # the stimulus was about to start
    started_ns: int  # it had been started, and the breaker been told to close where it is closed onto it
    not_yet_ns: int  # last reading that did not say it
    seen_ns: int
    during: Status | None = None  # last reading while the stimulus was sure to be there
    limited: str | None = None  # an instrument left its regulation mode while it was to hold the stimulus


@dataclass(frozen=True)
class Shot:
    """One stimulus as it was recorded."""

    acquisition: Acquisition
    look: Look
    channel: ChannelSpec
    clock: float  # relative error of the recorder's time base
    skew: float  # s, limit of error between its channels
    instants: Instants
    said: Status | None  # by the breaker, twice in a row, while the stimulus was meant to be there: that it operated
    polled: Polled

    @property
    def lasted(self) -> float:
        """How long the stimulus was beyond half of its way, s."""
        return self.instants.ended - self.instants.onset

    @cached_property
    def quantity(self) -> Segments:
        """The recorded stimulus."""
        return recorded(self.acquisition, self.look.channel)

    @cached_property
    def heating(self) -> Segments:
        """The same for what heats by it: plateaus as one value each."""
        return plateaus(self.quantity, self.look.course, self.channel)

    def seen_by(self, function: ProtectionFunction) -> Segments:
        """What ``function`` is judged by."""
        return self.heating if isinstance(function, REMEMBERS) else self.quantity

    def uncertainty(self, value: float) -> float:
        """Standard uncertainty of a mean value; declared errors are taken as rectangular (JCGM 100, 4.3.7)."""
        return math.hypot(self.channel.gain * value, self.channel.offset) / _ROOT3

    def time_uncertainty(self, measured: float) -> float:
        """Standard uncertainty in s of a time between two edges of the recording."""
        edges = math.sqrt(2) * EDGE_UNCERTAINTY * self.acquisition.interval_s
        return math.hypot(edges, self.clock * measured / _ROOT3, self.skew / _ROOT3)


def recorded(acquisition: Acquisition, channel: str) -> Segments:
    """One recorded channel as a quantity over time."""
    return Trace(acquisition.start_s, acquisition.interval_s, acquisition.channels[channel]).segments


def plateaus(quantity: Segments, course: Course, channel: ChannelSpec) -> Segments:
    """Plateaus as one value each, for what only asks how much heat there was: a record without its noise is short."""
    return quantity.merged(max(channel.offset, _NOISE * abs(course.value)))


def shoot(step: Stimulus, context: Context, drive: Drive, aim: Aim) -> Shot:
    """Record, apply, watch, take away, fetch. Raises StepError for a stimulus that did not come as it should."""
    bench, ledger = context.bench, context.ledger
    assert bench.recorder is not None and bench.spec.recorder is not None
    if step.is_current:
        ledger.current_begins(bench.clock.now_ns())
    try:
        drive.ready()  # first: what it takes to charge both sides is nothing to be recorded
        interval = _arm(step, context, drive, aim)
        if step.draw is not None:
            ledger.wear.strains(str(step.level))
        said, polled = _apply(step, context, drive, aim)
        if said is not None:
            bench.idle(_AFTER_NS + round(2 * interval * S))  # what flows on through a welded switch must be seen
    finally:
        drive.stop()
    bench.idle(max(2 * MS, round(2 * interval * S)))
    end_ns = bench.clock.now_ns()
    acquisition = bench.recorder.fetch(*_channels(step, context))
    spec = bench.spec.recorder.channels[aim.look.channel]
    if acquisition is None:
        if polled.limited is None and step.closing:
            raise StepFail("the breaker was told to close onto the stimulus, and its gate never came on")
        raise StepError(f"stimulus not reached: the recorder saw nothing of {step.level}")
    try:
        refuse_clipped(bench.spec.recorder, acquisition)
    except Clipped as error:  # every level stays unknown
        if step.draw is not None and "current" in error.names:
            ledger.quarantined(end_ns, LEFT_RANGE)
        raise
    if step.is_current:
        whole = _whole(acquisition, step, drive, polled)
        ledger.current_ended(end_ns, plateaus(whole, drive.course, spec))
    if polled.limited is not None:
        raise StepError(f"stimulus not reached: {polled.limited}")
    try:
        found = instants(acquisition, aim.look, _TAIL_S)
    except NotRecorded as error:
        raise StepError(f"stimulus not reached: {error}") from error
    recorder = bench.spec.recorder
    shot = Shot(acquisition, aim.look, spec, recorder.clock, recorder.skew, found, said, polled)
    _check_reached(step, shot)
    return shot


def _arm(step: Stimulus, context: Context, drive: Drive, aim: Aim) -> float:
    """Start the recorder; returns its interval."""
    recorder, spec = context.bench.recorder, context.bench.spec.recorder
    assert recorder is not None and spec is not None
    course, fast = drive.course, aim.cut_off < _FAST_S
    trigger: Trigger | None = None
    if step.closing:
        trigger = Trigger("gate", GATE_THRESHOLD_V)
    elif step.is_current and not course.is_ramp and course.rise_s < _BEFORE_S:
        trigger = Trigger(aim.look.channel, min(course.half, aim.look.onset), course.upwards)
    lead = course.rise_s + aim.cut_off / 10 if fast else _BEFORE_S
    whole = lead + aim.cut_off * (1.2 if fast else 1) + (0 if fast else 3 * _look_ns(aim) / S + 0.2)
    if trigger is None:
        whole += course.rise_s + 0.3  # for what the instruments take to be told
    finest = aim.width / _FINENESS
    if course.shortest_s is not None:
        finest = min(finest, course.shortest_s / 20)
    interval = max(spec.shortest_interval, finest, whole / min(_MOST_POINTS, spec.points))
    before = math.ceil(lead / interval)
    recorder.arm(interval, math.ceil(whole / interval) + before, before, trigger)
    context.bench.idle(round(2 * before * interval * S))  # a recorder cannot trigger ahead of its pre-trigger samples
    return interval


def _apply(step: Stimulus, context: Context, drive: Drive, aim: Aim) -> tuple[Status | None, Polled]:
    clock = context.bench.clock
    began_ns = clock.now_ns()
    # A drawn current begins with the closing, and its cut-off counts from there; an injected one is there before.
    drive.start(aim.cut_off + (_CLOSING_S if step.closing and step.draw is None else 0.0))
    if not step.closing:
        return _watch(step, context, drive, aim, began_ns)
    send_command(context, "none")
    try:
        send_command(context, "close")
        return _watch(step, context, drive, aim, began_ns)
    finally:
        send_command(context, "none")


def _watch(step: Stimulus, context: Context, drive: Drive, aim: Aim, began_ns: int) -> tuple[Status | None, Polled]:
    """Let the bus run until the cut-off has passed, or the breaker says twice in a row that it operated.

    At each look the instruments are asked whether they hold the stimulus; one shorter than a look is judged by its
    recording alone.
    """
    bench, clock = context.bench, context.bench.clock
    look_ns = 0 if step.switch == "open" else _look_ns(aim)
    started_ns = not_yet_ns = clock.now_ns()
    end_ns = started_ns + round(aim.cut_off * S) + (_CLOSED_NS if step.closing else 0)
    there_ns = began_ns + round(aim.cut_off * S)
    during: Status | None = None
    limited: str | None = None
    while clock.now_ns() < end_ns:
        if look_ns:
            bench.idle(min(look_ns, end_ns - clock.now_ns()))
        if limited is None and clock.now_ns() < there_ns:
            limited = drive.limited()
        first = read_status(context.device, bench)
        seen_ns = clock.now_ns()
        during = first if seen_ns < there_ns else during
        if not operated(step, first):
            not_yet_ns = seen_ns
        elif operated(step, second := read_status(context.device, bench)):
            return second, Polled(began_ns, started_ns, not_yet_ns, seen_ns, during, limited)
    return None, Polled(began_ns, started_ns, not_yet_ns, clock.now_ns(), during, limited)


def operated(step: Stimulus, status: Status) -> bool:
    """Whether the breaker says that a function has operated; while closing, an open switch says nothing yet."""
    if status.state in ("tripped", "locked_out"):
        return True
    return step.switch == "closed" and not step.closing and status.switch == "open"


def _look_ns(aim: Aim) -> int:
    return round(min(max(aim.cut_off / 50, 0.02), 5.0) * S)


def _channels(step: Stimulus, context: Context) -> list[str]:
    assert context.bench.spec.recorder is not None
    wanted = [STIMULI[step.key].channel, "gate", *(["switch_voltage"] if step.draw is not None else [])]
    return [name for name in wanted if name in context.bench.spec.recorder.channels]


def _whole(acquisition: Acquisition, step: Stimulus, drive: Drive, polled: Polled) -> Segments:
    """The current that went through the sensing chain: ahead of a closing more than was recorded, as commanded.

    A drawn current flows from the closing on only.
    """
    current = recorded(acquisition, STIMULI[step.key].channel)
    if not step.closing or step.draw is not None:
        return current
    ahead = max((polled.started_ns - polled.began_ns) / S + acquisition.start_s, 0.0)
    return joined(Segments.constant(drive.course.value, ahead), current)


def _check_reached(step: Stimulus, shot: Shot) -> None:
    """A stimulus that is not where it was sent is the bench's fault; on its way there it is judged as it is."""
    course, found = shot.look.course, shot.instants
    if course.fault or (course.rise_s > 0 and _on_its_way(shot)):
        return  # an open or shorted thermistor has no value; a way that was cut short no end
    unit = STIMULI[step.key].unit
    value = found.plateau if course.rise_s < _TAIL_S or found.decision is None else found.before_decision
    size = max(abs(course.value), abs(course.value - course.healthy))
    if abs(value - course.value) > size * (_UNREACHED + shot.channel.gain) + shot.channel.offset:
        raise StepError(f"stimulus not reached: {show(value, unit)} recorded, {show(course.value, unit)} commanded")


def _on_its_way(shot: Shot) -> bool:
    decision = shot.instants.decision
    return decision is not None and decision - shot.instants.onset < shot.look.course.rise_s + _TAIL_S / 4


def keep(shot: Shot, outcome: Outcome, unit: str) -> None:
    """Put the recording into the step's outcome."""
    for name, samples in shot.acquisition.channels.items():
        outcome.waveforms.append(
            Waveform(
                name,
                _UNITS.get(name, unit),
                shot.acquisition.start_s,
                shot.acquisition.interval_s,
                np.asarray(samples, dtype=">f4").tobytes(),
            )
        )
    outcome.facts["plateau"] = shot.instants.plateau
