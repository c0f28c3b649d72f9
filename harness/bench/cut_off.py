"""When a stimulus ends whatever the breaker does: fixed before it starts, the same for checking and for the run.

It is the earliest of what a good breaker needs with a margin, and of what cable, switch, backup and bench stand. Only a
current drawn through the switch strains these; an injected one flows through the sensing input alone.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from harness.bench.spec import BenchSpec
from harness.plan.steps import ExpectTrip, Stimulus
from harness.trip.coordination import ADIABATIC_S, Line, cable_i2t
from protocol.device import Device
from protocol.protection import Instantaneous

MARGIN = 1.1  # over the latest time that a good breaker needs
MARGIN_S = 0.1
FAST_MARGIN_S = 1e-4  # where a comparator is to act: no longer than anything else would take
_PIECES = 100  # of a ramp, each taken at the higher one of its ends
HEALTH_S = 2.0
"""Of a current that only measures the switch."""
REST_S = 600.0
"""Without current for so long, a cable and a switch on its heat sink are as cold as they were; a guess, no source."""
HOST_S = 0.1
"""Shorter than this no program ends anything in time: only the instrument itself may."""

_NOTHING: Mapping[str, float] = {}


@dataclass(frozen=True)
class CutOff:
    """Seconds from the stimulus' start, or from the closing onto it, and what they follow from."""

    seconds: float
    ruled_by: str  # band, duration, or one of ``limits_of``


def limits_of(
    step: Stimulus, device: Device, bench: BenchSpec | None, used: Mapping[str, float] = _NOTHING
) -> dict[str, float]:
    """Seconds from the start until what carries the current of ``step`` has had all that it stands, by name.

    Each current of its course uses up its time over the time for which it is stood, beside the shares that are
    ``used`` already; nothing cools meanwhile. What is not strained, or stands all of it for ever, is left out.
    """
    found = {}
    for name, pieces in _strains(step, device, bench).items():
        end = _end(pieces, used.get(name, 0.0))
        if end < math.inf:
            found[name] = max(end - _dwells(step), 0.0)
    return found


def used_by(step: Stimulus, seconds: float, device: Device) -> dict[str, float]:
    """Share of what cable and switch stand that the first ``seconds`` of ``step`` use up, by name."""
    found = {}
    for name, pieces in _strains(step, device, None).items():
        left, found[name] = seconds + _dwells(step), 0.0
        for stands, lasts in pieces:
            found[name] += max(min(lasts, left), 0.0) / stands
            left -= lasts
    return found


def _strains(step: Stimulus, device: Device, bench: BenchSpec | None) -> dict[str, list[tuple[float, float]]]:
    """What is strained -> (s that it stands each current of the course, s that this lasts); inf: for ever."""
    if step.draw is None or step.voltage is None:
        return {}
    course, volts = _course(step), step.voltage.si
    stood = {current: strained(current, volts, device, bench) for current in dict(course)}
    names = dict.fromkeys(name for found in stood.values() for name in found)
    return {name: [(stood[current].get(name, math.inf), seconds) for current, seconds in course] for name in names}


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


def _end(pieces: Iterable[tuple[float, float]], used: float) -> float:
    """Seconds until ``used`` and the shares of ``pieces`` come to 1; inf: never."""
    at = 0.0
    for stands, lasts in pieces:
        left = max(1 - used, 0.0) * stands
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
    if device.withstand is not None and current >= device.withstand.points[0][0]:
        found["the switch"] = _by_line(device.withstand.points, current)
    if bench is not None and bench.backup is not None and current > bench.backup.current:
        found["the backup"] = _by_line(bench.backup.curve, current)
    drawn = None if bench is None or bench.limits is None else bench.limits.drawn
    if drawn is not None:
        found["the bench's energy"] = drawn / (volts * current)
    return found


def _by_line(points: Sequence[tuple[float, float]], current: float) -> float:
    """Seconds by a line of (A, s): ahead of its first point as there, beyond its last one by the heat of that."""
    (low, _), (high, shortest) = points[0], points[-1]
    if current > high:
        return shortest * (high / current) ** 2
    return float(Line("", tuple(points), "", "").times(np.array([max(current, low)]))[0])


def of_trip(
    step: ExpectTrip, device: Device, bench: BenchSpec | None, late_s: float, used: Mapping[str, float] = _NOTHING
) -> CutOff:
    """The cut-off of a stimulus on which every good breaker has operated after ``late_s``."""
    margin = FAST_MARGIN_S if isinstance(device.functions.get(step.function), Instantaneous) else MARGIN_S
    return _earliest(late_s * MARGIN + margin, "band", limits_of(step, device, bench, used))


def of_hold(
    step: Stimulus, device: Device, bench: BenchSpec | None, seconds: float, used: Mapping[str, float] = _NOTHING
) -> CutOff:
    """The cut-off of a stimulus that is to last ``seconds``."""
    return _earliest(seconds, "duration", limits_of(step, device, bench, used))


def of_health(
    current: float, volts: float, device: Device, bench: BenchSpec | None, used: Mapping[str, float] = _NOTHING
) -> CutOff:
    """The cut-off of a current that measures the switch."""
    found = strained(current, volts, device, bench)
    return _earliest(HEALTH_S, "duration", {name: (1 - used.get(name, 0.0)) * each for name, each in found.items()})


def _earliest(wanted: float, ruled_by: str, limits: Mapping[str, float]) -> CutOff:
    name = min(limits, key=limits.__getitem__, default=None)
    return CutOff(wanted, ruled_by) if name is None or wanted <= limits[name] else CutOff(limits[name], name)
