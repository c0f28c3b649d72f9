"""When a stimulus ends whatever the breaker does: fixed before it starts, the same for checking and for the run.

It is the earliest of what a good breaker needs with a margin, and of what cable, switch and bench stand. Only a current
drawn through the switch strains these; an injected one flows through the sensing input alone.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from harness.bench.spec import BenchSpec
from harness.plan.steps import ExpectTrip, Stimulus
from harness.trip.coordination import ADIABATIC_S, cable_i2t, withstand_line
from protocol.device import Device
from protocol.protection import Instantaneous

MARGIN = 1.1  # over the latest time that a good breaker needs
MARGIN_S = 0.1
FAST_MARGIN_S = 1e-4  # where a comparator is to act: no longer than anything else would take
_PIECES = 100  # of a ramp, each taken at the higher one of its ends
HEALTH_S = 2.0
"""Of a current that only measures the switch."""
HOST_S = 0.1
"""Shorter than this no program ends anything in time: only the instrument itself may."""


@dataclass(frozen=True)
class CutOff:
    """Seconds from the stimulus' start, or from the closing onto it, and what they follow from."""

    seconds: float
    ruled_by: str  # band, duration, or one of ``limits_of``


def limits_of(step: Stimulus, device: Device, bench: BenchSpec | None) -> dict[str, float]:
    """Seconds from the start until what carries the current of ``step`` has had all that it stands, by name.

    Each current of its course uses up its time over the time for which it is stood; nothing cools meanwhile. What is
    not strained, or stands all of it for ever, is left out.
    """
    if step.draw is None or step.voltage is None:
        return {}
    course, volts = _course(step), step.voltage.si
    stood = {current: strained(current, volts, device, bench) for current in dict(course)}
    names = dict.fromkeys(name for found in stood.values() for name in found)
    ends = {
        name: _end([(stood[current].get(name, math.inf), seconds) for current, seconds in course]) for name in names
    }
    dwelt = _dwells(step)
    return {name: max(end - dwelt, 0.0) for name, end in ends.items() if end < math.inf}


def _course(step: Stimulus) -> list[tuple[float, float]]:
    """(A, s) one after the other, the last one for ever; never less than what flows.

    A ramp goes on from its begin as soon as a program says so. Nobody knows where it is when the breaker is closed
    onto it.
    """
    if step.train:
        return [*step.train, (step.train[-1][0], math.inf)]
    if step.ramp is None or step.closing:
        return [(step.highest, math.inf)]
    ends = np.linspace(step.ramp.begin.si, step.current, _PIECES + 1).tolist()
    pieces = [(max(pair), step.ramp_s / _PIECES) for pair in pairwise(ends)]
    return [(ends[0], _dwells(step)), *pieces, (step.current, math.inf)]


def _dwells(step: Stimulus) -> float:
    """Seconds for which a ramp may stay where it begins, before the time of the stimulus counts."""
    return 0.0 if step.ramp is None or step.closing else HOST_S


def _end(pieces: Iterable[tuple[float, float]]) -> float:
    """Seconds until the shares of ``pieces``, each (s that it is stood, s that it lasts), come to 1; inf: never."""
    at = used = 0.0
    for stands, lasts in pieces:
        left = (1 - used) * stands
        if left <= lasts:
            return at + left
        at, used = at + lasts, used + lasts / stands
    return math.inf


def strained(current: float, volts: float, device: Device, bench: BenchSpec | None) -> dict[str, float]:
    """The same of a lasting ``current`` (A) through the switch, from a source of ``volts``."""
    found: dict[str, float] = {}
    if min(current, volts) <= 0:
        return found
    if device.cable is not None and (seconds := cable_i2t(device.cable) / current**2) <= ADIABATIC_S:
        found["the cable"] = seconds
    if device.withstand is not None and (seconds := _withstands(device, current)) < math.inf:
        found["the switch"] = seconds
    drawn = None if bench is None or bench.limits is None else bench.limits.drawn
    if drawn is not None:
        found["the bench's energy"] = drawn / (volts * current)
    return found


def _withstands(device: Device, current: float) -> float:
    """By the line of its withstand; below it for ever, beyond it by the heat of its last point."""
    assert device.withstand is not None
    line = withstand_line(device.withstand)
    (low, _), (high, shortest) = line.points[0], line.points[-1]
    if current < low:
        return math.inf
    return float(line.times(np.array([current]))[0]) if current <= high else shortest * (high / current) ** 2


def of_trip(step: ExpectTrip, device: Device, bench: BenchSpec | None, late_s: float) -> CutOff:
    """The cut-off of a stimulus on which every good breaker has operated after ``late_s``."""
    margin = FAST_MARGIN_S if isinstance(device.functions.get(step.function), Instantaneous) else MARGIN_S
    return _earliest(late_s * MARGIN + margin, "band", limits_of(step, device, bench))


def of_hold(step: Stimulus, device: Device, bench: BenchSpec | None, seconds: float) -> CutOff:
    """The cut-off of a stimulus that is to last ``seconds``."""
    return _earliest(seconds, "duration", limits_of(step, device, bench))


def of_health(current: float, volts: float, device: Device, bench: BenchSpec | None) -> CutOff:
    """The cut-off of a current that measures the switch."""
    return _earliest(HEALTH_S, "duration", strained(current, volts, device, bench))


def _earliest(wanted: float, ruled_by: str, limits: Mapping[str, float]) -> CutOff:
    name = min(limits, key=limits.__getitem__, default=None)
    return CutOff(wanted, ruled_by) if name is None or wanted <= limits[name] else CutOff(limits[name], name)
