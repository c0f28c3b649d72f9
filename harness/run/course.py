"""How a stimulus is meant to go, as data: what is commanded before anything is recorded.

A course is piecewise constant, fine enough for a forecast of the band and for what would have flowed on after a trip.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from harness.plan.steps import SENSOR_FAULTS, Stimulus
from harness.trip.trace import Segments

_PIECES = 400  # of a ramp or a slew
_THERE = 0.98
_BEYOND = 1e3  # K beyond what is plausible: an open or shorted thermistor


@dataclass(frozen=True)
class Course:
    """A stimulus from its start: the value that it comes from, where it goes, how long that takes, what follows."""

    healthy: float  # unit of the quantity
    value: float
    begin: float  # where the ramp begins; ``healthy`` where there is none
    rate: float  # unit per second
    train: tuple[tuple[float, float], ...] = ()  # (value, s), for pulses
    usual: float = math.inf  # unit per second, to where a ramp begins and back to what is healthy
    fault: bool = False  # of a thermistor's line: ``value`` only says on which side it reads

    @property
    def rise_s(self) -> float:
        """Time from the start to ``value``."""
        return abs(self.value - self.begin) / self.rate

    @property
    def back(self) -> float:
        """Rate at which it goes back to what is healthy, unit per second: never as a jump."""
        return min(self.rate, self.usual)

    @property
    def back_s(self) -> float:
        """Time that this takes."""
        return abs(self.value - self.healthy) / self.back

    @property
    def jump_s(self) -> float:
        """Time to where its ramp begins."""
        return abs(self.begin - self.healthy) / self.usual

    @property
    def shortest_s(self) -> float | None:
        """The shortest pulse or pause; None where there is none."""
        return min((seconds for _, seconds in self.train), default=None)

    @property
    def half(self) -> float:
        """Half way between what it comes from and where it goes."""
        return (self.healthy + self.value) / 2

    @property
    def upwards(self) -> bool:
        """Whether the value lies above the healthy one."""
        return self.value >= self.healthy

    @property
    def is_ramp(self) -> bool:
        """Whether the way to the value is part of the test."""
        return self.begin != self.healthy

    def share(self, value: float) -> float:
        """How much of the way is behind it at ``value``, 0 to 1; taken as all of it where it is nearly there."""
        whole = self.value - self.begin
        share = (value - self.begin) / whole if whole else 1.0
        return 1.0 if share > _THERE else max(share, 0.0)

    def segments(self, seconds: float) -> Segments:
        """The first ``seconds`` of it."""
        if self.train:
            durations = np.array([duration for _, duration in self.train])
            values = np.array([value for value, _ in self.train])
            last = max(seconds - float(durations.sum()), 0.0)
            return Segments(durations, values).then(float(values[-1]), last).first(seconds)
        share = (np.arange(_PIECES) + 0.5) / _PIECES
        rise = Segments(np.full(_PIECES, self.rise_s / _PIECES), self.begin + (self.value - self.begin) * share)
        return rise.then(self.value, max(seconds - self.rise_s, 0.0)).first(seconds)

    def scaled(self, gain: float) -> Course:
        """The same with every value ``gain`` times as large, as an instrument's own error makes it."""
        return replace(
            self,
            value=self.value * gain,
            begin=self.begin * gain if self.is_ramp else self.begin,
            rate=self.rate * gain,
            train=tuple((value * gain, seconds) for value, seconds in self.train),
        )


def course_of(
    step: Stimulus,
    healthy: float,
    fastest: float,
    plausible: tuple[float, float] | None = None,
    usual: float | None = None,
) -> Course:
    """The course of ``step`` from ``healthy`` on an instrument whose greatest slew is ``fastest``.

    It goes at ``usual`` where the step names no slew, at its fastest where that is None. ``plausible`` is the range
    beyond which an open or shorted thermistor lies.
    """
    usual = fastest if usual is None else usual
    if step.level in SENSOR_FAULTS:
        low, high = plausible or (-_BEYOND, _BEYOND)
        # An NTC without end is as cold as can be, and one that is shorted as hot.
        return Course(healthy, low - _BEYOND if step.level == "open" else high + _BEYOND, healthy, 1e9, fault=True)
    if step.ramp is not None:
        return Course(healthy, step.value, step.ramp.begin.si, abs(step.ramp.rate.si) or usual, (), usual)
    rate = min(abs(step.slew.si), fastest) if step.slew is not None else usual
    return Course(healthy, step.value, healthy, rate, step.train, usual)
