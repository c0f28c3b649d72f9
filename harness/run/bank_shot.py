"""A shot from the capacitor bank, recorded: what both of its steps have in common."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from harness.bench.high_voltage import HighVoltage
from harness.bench.instrument import Acquisition, InstrumentError, Recorder, Trigger
from harness.bench.instrument_spec import RecorderSpec
from harness.bench.safety_spec import BankSpec
from harness.clock import MS
from harness.record.result import Waveform
from harness.run.clipping import channel_of
from harness.run.context import Context, Outcome
from harness.run.step_errors import StepError, StepNotRun
from harness.trip import waveform

CHANNELS = ("current", "switch_voltage", "bank")
"""What has to be recorded of every shot."""
LOG_S = 1e-4
"""Interval of the slow log beside the triggered window, s."""
_UNITS = {"current": "A", "switch_voltage": "V", "bank": "V", "gate": "V"}
_LOST = 0.02  # of the bank's voltage: more than a breaker that clears takes out of it
_MADE_NS = 50 * MS  # the making switch has closed and the shot is over by then; common practice, no source


@dataclass(frozen=True)
class Window:
    """The triggered window: samples, those ahead of the trigger, the current that triggers."""

    interval: float  # s
    points: int
    before: int
    level: float  # A


@dataclass(frozen=True)
class BankShot:
    """What was recorded, and the bank's voltage before."""

    window: Acquisition
    log: Acquisition
    triggered_s: float  # from the begin of the log
    volts: float
    spec: RecorderSpec

    def channel(self, name: str) -> waveform.Channel:
        """A recorded channel with its limits of error and its range."""
        return channel_of(self.window.channels[name], self.spec.channels[name])

    @property
    def logged(self) -> waveform.Channel:
        """The slow log of the current, its offset removed: the median, since little of a log is a shot."""
        spec, samples = self.spec.channels["current"], self.log.channels["current"]
        return channel_of(samples - np.median(samples), spec)


class NotSeen(StepError):
    """The recorder did not trigger. ``flowed``: something did flow, by what the bank has lost."""

    def __init__(self, before: float, after: float, error: float) -> None:
        self.flowed = before - after > _LOST * before + 2 * error
        super().__init__(
            f"the recorder did not trigger, and the bank fell from {before:.4g} V to {after:.4g} V"
            if self.flowed
            else "no current flowed: look at making switch, loop, and link or breaker"
        )


def high_voltage_of(context: Context) -> tuple[HighVoltage, BankSpec, Recorder, RecorderSpec]:
    """What a shot takes. Raises StepNotRun."""
    bench = context.bench
    gate, bank, recorder, spec = bench.high_voltage, bench.spec.bank, bench.recorder, bench.spec.recorder
    if gate is None or gate.bank is None or bank is None:
        raise StepNotRun("the bench has no bank with gate, making switch and discharge")
    if recorder is None or spec is None:
        raise StepNotRun("the bench has no recorder")
    missing = [name for name in CHANNELS if name not in spec.channels]
    if missing:
        raise StepNotRun(f"the recorder has no channel {', no '.join(missing)}")
    return gate, bank, recorder, spec


def take(context: Context, volts: float, window: Window, then: Callable[[], None] = lambda: None) -> BankShot:
    """Record a shot from the bank at ``volts``; ``then`` happens while it is made.

    Raises StepNotRun, NotSeen, InstrumentError.
    """
    gate, bank, recorder, spec = high_voltage_of(context)
    bench = context.bench

    def during() -> None:
        bench.idle(_MADE_NS)
        then()

    trigger = Trigger("current", window.level)
    recorder.arm(window.interval, window.points, window.before, trigger, log=LOG_S)
    before, after = gate.shot(volts, during)
    wanted = [name for name in _UNITS if name in spec.channels]
    acquisition = recorder.fetch(*wanted)
    if acquisition is None:
        raise NotSeen(before, after, bank.gain * before + bank.offset)
    log, triggered_s = recorder.fetch_log("current")
    if len(acquisition.channels["current"]) < window.points:
        raise InstrumentError("recorder: the window was not filled by the end of the shot")
    return BankShot(acquisition, log, triggered_s, before, spec)


def keep(shot: BankShot, outcome: Outcome) -> None:
    """Put the recording into the step's outcome."""
    for name, samples in shot.window.channels.items():
        data = np.asarray(samples, dtype=">f4").tobytes()
        outcome.waveforms.append(Waveform(name, _UNITS[name], shot.window.start_s, shot.window.interval_s, data))
    outcome.facts["bank_volts"] = shot.volts


def analysed(error: waveform.NotUsable) -> StepError:
    """A record that cannot be judged is the bench's."""
    return StepError(f"recording not usable: {error}")
