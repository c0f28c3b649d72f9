"""How each stimulus is given by the bench's instruments: made ready, started, stopped.

A current has a cut-off that its instrument holds. Any other quantity goes back to its healthy value with ``stop``, at
the rate at which it came, so that the way back is no stimulus of its own.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Protocol

from harness.bench.bench import Bench
from harness.bench.instrument import CurrentStimulus, SignalSource
from harness.bench.proof import TOUCH_LIMIT_V
from harness.clock import MS, S
from harness.plan.steps import SENSOR_FAULTS, STIMULI, Stimulus
from harness.quantity import show
from harness.run.course import Course, course_of
from harness.run.step_errors import StepNotRun
from protocol.device import Device
from protocol.protection import SensorCheck

_SOURCE_NS = 100 * MS  # a source's output has risen by then
_SETTLE_NS = 50 * MS  # a signal is at its value by then
_JUMP_NS = MS  # an instrument is where its ramp begins by then
_PIECE_NS = 20 * MS  # of a ramp on an instrument that has none of its own


class Drive(Protocol):
    """One stimulus on its instruments."""

    @property
    def course(self) -> Course:
        """How it is meant to go."""
        ...

    def ready(self) -> None:
        """Everything but the stimulus itself; nothing reaches the breaker that it would act on."""
        ...

    def start(self, cut_off: float) -> None:
        """Begin; a current ends by itself ``cut_off`` s later."""
        ...

    def limited(self) -> str | None:
        """Which instrument says that it cannot hold what it was told, while the stimulus is on; None: none does."""
        ...

    def stop(self) -> None:
        """A current off; anything else back at its healthy value."""
        ...


def drive_of(step: Stimulus, device: Device, bench: Bench, held: Mapping[str, float]) -> Drive:
    """The drive of ``step``, which begins and ends where its quantity is ``held``. Raises StepNotRun."""
    missing = [role for role in sorted(step.roles) if getattr(bench, role) is None]
    if missing:
        raise StepNotRun(f"the bench has no {' and no '.join(missing)}")
    recorder = bench.spec.recorder
    assert recorder is not None
    for channel in (STIMULI[step.key].channel, "gate"):
        if channel not in recorder.channels:
            raise StepNotRun(f"the bench's recorder has no channel {channel}")
    return _DRIVES[step.key](step, device, bench, held.get(step.key))


def feed(bench: Bench, volts: float, opened: bool, precharge: bool = True) -> None:
    """The source on at ``volts``; see HighVoltage.feed. On a simulated bench without a gate it is simply switched on.

    Raises InstrumentError.
    """
    if bench.high_voltage is not None:
        bench.high_voltage.feed(volts, opened, precharge)
        return
    source, spec = bench.source, bench.spec.source
    assert source is not None and spec is not None
    source.configure(volts, spec.current)
    source.output(True)


@dataclass
class _Injected:
    course: Course
    bench: Bench
    injector: CurrentStimulus
    stop_input: bool

    def ready(self) -> None:
        """Nothing: an injector is at rest."""

    def start(self, cut_off: float) -> None:
        if self.stop_input:
            self.injector.stop_by_gate(True)
        _start(self.injector, self.course, cut_off, self.bench)

    def limited(self) -> str | None:
        return "the injector cannot deliver its current" if self.injector.limiting() else None

    def stop(self) -> None:
        self.injector.off()
        if self.stop_input:
            self.injector.stop_by_gate(False)


@dataclass
class _Drawn:
    course: Course
    bench: Bench
    voltage: float  # V
    closing: bool  # its cut-off counts from where the current begins

    def ready(self) -> None:
        """The source on; the load takes nothing yet."""
        feed(self.bench, self.voltage, opened=self.closing)
        self.bench.idle(_SOURCE_NS)

    def start(self, cut_off: float) -> None:
        assert self.bench.load is not None
        self.bench.load.count_from_flow(self.closing)
        _start(self.bench.load, self.course, cut_off, self.bench)

    def limited(self) -> str | None:
        """The source alone: a load behind a breaker that has opened cannot draw anything, and should not."""
        assert self.bench.source is not None
        return "the source limits its current" if self.bench.source.limiting() else None

    def stop(self) -> None:
        """At the source first."""
        assert self.bench.source is not None and self.bench.load is not None
        self.bench.source.off()
        self.bench.load.off()


def _start(stimulus: CurrentStimulus, course: Course, cut_off: float, bench: Bench) -> None:
    if course.train:
        count = len(course.train) // 2
        stimulus.apply_list(course.train[:2], count, course.rate, cut_off)
    elif course.is_ramp:
        stimulus.apply(course.begin, course.usual, cut_off + course.jump_s + _JUMP_NS / S)
        bench.idle(round(course.jump_s * S) + _JUMP_NS)
        stimulus.go(course.value, course.rate)
    else:
        stimulus.apply(course.value, course.rate, cut_off)


@dataclass
class _Signal:
    course: Course
    bench: Bench
    signal: SignalSource
    fault: str | None  # OPEN, SHOR: of a thermistor's line

    def ready(self) -> None:
        """At its healthy value, where it is already unless a step before went wrong."""
        self.signal.output(True)
        self.bench.idle(_SETTLE_NS)

    def start(self, cut_off: float) -> None:
        if self.fault is not None:
            self.signal.show(self.fault)
        elif not self.signal.slews:
            _staircase(self.course, self.bench, self.signal.go)
        else:
            if self.course.is_ramp:
                self.signal.go(self.course.begin, self.course.usual)
                self.bench.idle(round(self.course.jump_s * S) + _JUMP_NS)
            self.signal.go(self.course.value, self.course.rate)

    def limited(self) -> str | None:
        """None: what stands in for a sensor drives nothing that could ask too much of it."""
        return None

    def stop(self) -> None:
        if self.fault is not None:
            self.signal.show("TEMP")
        slews = self.signal.slews and self.fault is None
        self.signal.go(self.course.healthy, self.course.back if slews else None)
        self.bench.idle(round(self.course.back_s * S) + _SETTLE_NS)


@dataclass
class _Supply:
    course: Course
    bench: Bench

    def ready(self) -> None:
        """Nothing: the breaker lives on it."""

    def start(self, cut_off: float) -> None:
        _staircase(self.course, self.bench, self.bench.supply_12v.go)

    def limited(self) -> str | None:
        return "the 12 V supply limits its current" if self.bench.supply_12v.limiting() else None

    def stop(self) -> None:
        self.bench.supply_12v.go(self.course.healthy)
        self.bench.idle(_SETTLE_NS)


def _staircase(course: Course, bench: Bench, go: Callable[[float], None]) -> None:
    """The way to the value in steps, on an instrument that knows no slew; the recording says when each one came."""
    pieces = min(math.ceil(course.rise_s * S / _PIECE_NS), 500)
    for number in range(pieces):
        go(course.begin + (course.value - course.begin) * number / pieces)
        bench.idle(round(course.rise_s * S / pieces))
    go(course.value)


def _inject(step: Stimulus, device: Device, bench: Bench, held: float | None) -> Drive:
    spec = bench.spec.injector
    assert bench.injector is not None and spec is not None
    _refuse_live_input(bench, spec.isolated_for)
    course = course_of(step, 0.0, spec.slew)
    return _Injected(course, bench, bench.injector, spec.stop_input and step.switch == "closed")


def _refuse_live_input(bench: Bench, isolated_for: float) -> None:
    """Nothing is injected into a sensing input that lies higher than its injector is ``isolated_for``, V.

    `check` refuses it from the plan; this goes by what the voltmeter reads. Raises StepNotRun and InstrumentError.
    """
    high_voltage = bench.high_voltage
    if high_voltage is None or not high_voltage.in_doubt:
        return
    most = max(TOUCH_LIMIT_V, isolated_for)
    for side, volts in zip(("source side", "load side"), high_voltage.readings(), strict=True):
        if abs(volts) > most:
            isolated = f"is isolated for {show(isolated_for, 'V')}" if isolated_for else "declares no isolation"
            raise StepNotRun(
                f"the sensing input is energised: the {side} reads {show(volts, 'V')}, and the injector {isolated}"
                " (isolated_for); nothing was injected"
            )


def _draw(step: Stimulus, device: Device, bench: Bench, held: float | None) -> Drive:
    assert bench.spec.load is not None and step.voltage is not None
    return _Drawn(course_of(step, 0.0, bench.spec.load.slew), bench, step.voltage.si, step.closing)


def _supply(step: Stimulus, device: Device, bench: Bench, held: float | None) -> Drive:
    rest = bench.spec.supply_12v.voltage if held is None else held
    return _Supply(course_of(step, rest, math.inf), bench)


def _signal(step: Stimulus, device: Device, bench: Bench, held: float | None) -> Drive:
    role = next(iter(step.roles - {"recorder"}))
    spec, signal = getattr(bench.spec, role), bench.signals[role]
    checks = [function for function in device.functions.values() if isinstance(function, SensorCheck)]
    plausible = checks[0].plausible if checks else None
    rest = spec.healthy if held is None else held
    course = course_of(step, rest, spec.fastest or spec.slew, plausible, spec.slew)
    fault = {"open": "OPEN", "short": "SHOR"}[str(step.level)] if step.level in SENSOR_FAULTS else None
    return _Signal(course, bench, signal, fault)


_DRIVES: dict[str, Callable[[Stimulus, Device, Bench, float | None], Drive]] = {
    "inject": _inject,
    "draw": _draw,
    "supply": _supply,
    "bus": _signal,
    "gate_rail": _signal,
    "heat_sink": _signal,
}
"""Key of STIMULI -> its drive."""


def rest_signals(bench: Bench) -> None:
    """Every stand-in for a sensor or a rail connected, at its healthy value."""
    for role, signal in bench.signals.items():
        signal.go(getattr(bench.spec, role).healthy)
        signal.output(True)
