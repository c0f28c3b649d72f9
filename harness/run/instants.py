"""From a recording to instants: onset, decision, and what the stimulus was between them.

Instants are those of the field: onset, the recorded quantity crosses the level that its time counts from, or the gate
rises where the breaker is closed onto the stimulus; decision, the gate output falls through half of its level. Both are
interpolated between samples, and known to half a sample interval.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.bench.instrument import Acquisition
from harness.run.course import Course

GATE_THRESHOLD_V = 2.5
"""Half of the gate output's 5 V."""
EDGE_UNCERTAINTY = 1 / np.sqrt(12)
"""Standard uncertainty of one edge in sample intervals: it lies anywhere between two samples (JCGM 100, 4.3.7)."""


_NEAR = 0.05  # share of the way: so near to its value a stimulus is taken to be there


@dataclass(frozen=True)
class Look:
    """What to look for in a recording: the channel, the level that the onset is at, where the gate is meanwhile."""

    channel: str
    course: Course
    onset: float  # unit of the channel
    gate: str = "on"  # on, rising (closed onto the stimulus) or off


@dataclass(frozen=True)
class Instants:
    """What happened when, in s from the start of the recording."""

    onset: float
    ended: float  # the stimulus came back half of its way, or the recording ended
    decision: float | None  # None: the gate stayed on, or was off all along
    plateau: (
        float  # mean (median, where it takes its time) of the stimulus between its rise and the decision or its end
    )
    before_decision: float  # mean of the stimulus in the last samples of the plateau


def crossing(samples: NDArray[np.float64], level: float, rising: bool, start: int = 0) -> float | None:
    """Index, interpolated, of the first crossing of ``level`` from sample ``start`` on; None where there is none."""
    above = samples[start:] >= level if rising else samples[start:] < level
    if not above.any():
        return None
    k = start + int(above.argmax())
    if k == start:
        return float(k)
    before, after = samples[k - 1], samples[k]
    return float(k - 1 + (level - before) / (after - before))


class NotRecorded(Exception):
    """The recording shows no stimulus to measure from: the bench's fault."""


def instants(acquisition: Acquisition, look: Look, tail_s: float) -> Instants:
    """Analyse a recording of the stimulus' channel and ``gate``.

    ``tail_s`` is the averaging time for the value just before the decision. Raises NotRecorded where the stimulus never
    came to its onset, and where the gate was not as it should be before it did.
    """
    samples, gate = acquisition.channels[look.channel], acquisition.channels["gate"]
    course, interval = look.course, acquisition.interval_s
    there = crossing(samples, look.onset, course.upwards)
    if there is None:
        raise NotRecorded(f"the recorded {look.channel} never came to {look.onset:g}, on its way to {course.value:g}")
    onset = _gate_rise(gate) if look.gate == "rising" else there
    _check_gate(gate, look, onset)
    start = int(onset) + (look.gate == "rising")
    decision = None if look.gate == "off" else crossing(gate, GATE_THRESHOLD_V, rising=False, start=start)
    half = crossing(samples, course.half, course.upwards)
    fall = None if half is None else _end(samples, course, int(half))
    left = _left(samples, course, fall, interval) if course.back_s > tail_s else fall
    ends = [int(instant) for instant in (left, decision) if instant is not None]
    end = max(min(ends, default=len(samples)), int(onset) + 1)
    begin = min(int(onset) + 2, end - 1)
    plateau = samples[begin:end]
    if course.train:
        plateau = _crests(plateau, course)
    tail = max(end - max(2, round(tail_s / interval)), begin)
    return Instants(
        onset * interval,
        (len(samples) - 1 if fall is None else fall) * interval,
        None if decision is None else decision * interval,
        float(np.median(plateau) if course.back_s > tail_s else np.mean(plateau)),
        float(np.mean(samples[tail:end])),
    )


def _crests(samples: NDArray[np.float64], course: Course) -> NDArray[np.float64]:
    """The samples in which pulses are at their value or, where they never come near it, beyond half of the way."""
    for level in (course.value - _NEAR * (course.value - course.healthy), course.half):
        if (samples >= level).any():
            return samples[samples >= level]
    return samples


def _left(samples: NDArray[np.float64], course: Course, fall: float | None, interval: float) -> float | None:
    """Where a stimulus that takes its time begins to leave its value; None: it stayed, or never came near.

    Looked for backwards from where it is half of its way back, so that noise on the way there is not taken for it.
    """
    near = course.value - _NEAR * (course.value - course.healthy)
    until = samples if fall is None else samples[: int(fall) + 1]
    at_value = np.flatnonzero(until >= near if course.upwards else until <= near)
    if at_value.size == 0 or at_value[-1] == len(samples) - 1:
        return None
    return max(float(at_value[-1]) - _NEAR * course.back_s / interval, float(at_value[0]))


def _gate_rise(gate: NDArray[np.float64]) -> float:
    rise = crossing(gate, GATE_THRESHOLD_V, rising=True)
    if rise is None:
        raise NotRecorded("the gate output never came on: look at the recorder's gate channel")
    return rise


def _check_gate(gate: NDArray[np.float64], look: Look, onset: float) -> None:
    before = gate[: max(int(onset), 1)] > GATE_THRESHOLD_V
    if look.gate == "on" and not before.all():
        raise NotRecorded("the gate output was not on before the stimulus: look at the recorder's gate channel")
    if look.gate == "rising" and before.any():
        raise NotRecorded("the gate output was on before the breaker was closed: look at the recorder's gate channel")


def _end(samples: NDArray[np.float64], course: Course, half: int) -> float | None:
    """Where the stimulus comes back for the first time; for pulses, after the last of them."""
    if not course.train:
        return crossing(samples, course.half, not course.upwards, half + 1)
    above = np.flatnonzero(samples[half:] >= course.half)
    last = half + int(above[-1])
    return None if last + 1 >= len(samples) else float(last + 1)
