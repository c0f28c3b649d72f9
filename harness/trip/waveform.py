"""What a recorded fault current did: instants by interpolated crossings, let-through, I²t, over-voltage, clamp energy.

Pure: samples in, values with standard uncertainties out (JCGM 100). Between samples everything is taken as straight.
The offset of the current is what it read before anything flowed, and is taken off; a sample at the end of the
recorder's range makes the whole record worthless, and is an error.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Samples = NDArray[np.float64]

_ROOT3 = math.sqrt(3)
_ROOT12 = math.sqrt(12)
_COMMUTATED = 0.1  # of its peak: the switch voltage has begun to rise
_FEWEST_BEFORE = 4  # samples ahead of the onset, of which the offset is the mean
_NOISE = 6  # standard deviations that a current at rest may read


class NotUsable(ValueError):
    """The record shows no fault current that could be judged: the bench's fault."""


@dataclass(frozen=True)
class Value:
    """A value and its standard uncertainty."""

    value: float
    uncertainty: float


@dataclass(frozen=True)
class Channel:
    """One recorded channel: samples, limits of error (relative and fixed), ends of its range."""

    samples: Samples
    gain: float = 0.0
    offset: float = 0.0
    low: float = -math.inf
    high: float = math.inf


@dataclass(frozen=True)
class LetThrough:
    """Instants in s from the first sample; the rest in A, A²s, V and J. None: not in this record."""

    onset: Value
    commutation: Value | None
    interruption: Value | None
    peak: Value
    i2t: Value
    over_voltage: Value
    clamp_energy: Value | None

    @property
    def clearing(self) -> Value | None:
        """Onset to interruption, s."""
        if self.interruption is None:
            return None
        uncertainty = math.hypot(self.onset.uncertainty, self.interruption.uncertainty)
        return Value(self.interruption.value - self.onset.value, uncertainty)


def let_through(interval: float, current: Channel, voltage: Channel, pickup: float, leakage: float) -> LetThrough:
    """Analyse a current through the switch and the voltage across it, sampled together every ``interval`` s.

    ``pickup`` is the current that the onset is counted from, ``leakage`` what may flow on for good; both in A. Raises
    NotUsable: a clipped channel, no current, nothing recorded ahead of it, channels of different length.
    """
    _check(current, voltage)
    onset = _rise(current.samples, pickup)
    before = current.samples[: max(int(onset) - 1, 0)]
    before = before[: max(int(len(before) * 0.8), 0)]  # not the current's first rise
    if len(before) < _FEWEST_BEFORE:
        raise NotUsable("too little was recorded ahead of the current to know its offset: want more pre-trigger")
    zero, noise = float(before.mean()), float(before.std(ddof=1))
    amperes = current.samples - zero
    rest_noise = noise / math.sqrt(len(before))
    end = last_above(amperes, rest_level(before, leakage))
    begin = _commutation(voltage.samples, int(onset))
    stop = len(amperes) - 1 if end is None else min(math.ceil(end), len(amperes) - 1)
    peak_at = int(np.argmax(amperes))
    slope = float(np.max(np.abs(np.diff(amperes[max(peak_at - 1, 0) : peak_at + 2]))))
    peak = float(amperes[peak_at])
    gain = current.gain / _ROOT3
    squares = _square_integral(amperes[len(before) : stop + 1], interval)
    over = float(voltage.samples[int(onset) :].max())
    return LetThrough(
        onset=Value(onset * interval, _edge(current, amperes, onset, interval)),
        commutation=None if begin is None else Value(begin * interval, interval / _ROOT12),
        interruption=None if end is None else Value(end * interval, interval / _ROOT12),
        peak=Value(peak, math.hypot(gain * peak, slope / _ROOT12, noise, rest_noise)),
        i2t=Value(squares, math.hypot(2 * gain * squares, 2 * rest_noise * math.sqrt(squares * stop * interval))),
        over_voltage=Value(over, math.hypot(voltage.gain * over, voltage.offset) / _ROOT3),
        clamp_energy=None if begin is None or end is None else _energy(amperes, voltage, begin, stop, interval, gain),
    )


def joined_i2t(slow: Channel, slow_interval: float, fast: Value, fast_span: tuple[float, float]) -> Value:
    """I²t of a slow log with a fast window in it: the window's own between ``fast_span`` (s), the log's elsewhere."""
    first, last = (math.floor(edge / slow_interval) for edge in fast_span)
    outside = _square_integral(slow.samples[: first + 1], slow_interval)
    outside += _square_integral(slow.samples[last + 1 :], slow_interval)
    return Value(fast.value + outside, math.hypot(fast.uncertainty, 2 * slow.gain / _ROOT3 * outside))


def rest_level(before: Samples, leakage: float) -> float:
    """Below this a current is gone: the larger of ``leakage`` and the noise of a channel that read ``before`` at rest.

    Too few samples say nothing of noise.
    """
    return leakage if len(before) < _FEWEST_BEFORE else max(leakage, _NOISE * float(before.std(ddof=1)))


def last_above(samples: Samples, level: float) -> float | None:
    """Interpolated index from which on the samples stay below ``level``; None where they do not."""
    above = np.flatnonzero(np.abs(samples) >= level)
    if not len(above):
        return 0.0
    k = int(above[-1])
    if k == len(samples) - 1:
        return None
    before, after = abs(samples[k]), abs(samples[k + 1])
    return k + float((before - level) / (before - after))


def clipped(channel: Channel) -> bool:
    """Whether a sample lies at an end of the recorder's range."""
    return bool(channel.samples.max() >= channel.high or channel.samples.min() <= channel.low)


def _check(current: Channel, voltage: Channel) -> None:
    if len(current.samples) != len(voltage.samples):
        raise NotUsable("current and voltage have different numbers of samples")
    for name, channel in (("current", current), ("switch voltage", voltage)):
        if not len(channel.samples):
            raise NotUsable(f"the recorded {name} is empty")
        if clipped(channel):
            raise NotUsable(f"the recorded {name} is clipped at the end of the recorder's range: choose a larger one")


def _rise(samples: Samples, level: float) -> float:
    """Interpolated index of the first crossing of ``level`` upwards."""
    above = np.flatnonzero(samples >= level)
    if not len(above):
        raise NotUsable(f"the recorded current never came to {level:g} A")
    k = int(above[0])
    return 0.0 if k == 0 else k - 1 + (level - samples[k - 1]) / (samples[k] - samples[k - 1])


def _commutation(volts: Samples, onset: int) -> float | None:
    """Where the switch voltage begins to rise after the onset; None where it does not."""
    after = volts[onset:]
    level = after[0] + _COMMUTATED * (after.max() - after[0])
    above = np.flatnonzero(after >= level)
    if after.max() <= max(2 * abs(after[0]), 1.0) or not len(above) or above[0] == 0:
        return None
    k = int(above[0])
    return onset + k - 1 + float((level - after[k - 1]) / (after[k] - after[k - 1]))


def _edge(current: Channel, amperes: Samples, onset: float, interval: float) -> float:
    """Uncertainty of the onset: somewhere between two samples, and the level's error over the slope."""
    k = min(int(onset), len(amperes) - 2)
    slope = abs(float(amperes[k + 1] - amperes[k])) / interval
    error = math.hypot(current.gain * float(amperes[k + 1]), current.offset) / _ROOT3
    return math.hypot(interval / _ROOT12, error / slope if slope else 0.0)


def _square_integral(values: Samples, interval: float) -> float:
    """Integral of the square of a line through ``values``."""
    a, b = values[:-1], values[1:]
    return float(np.sum(a * a + a * b + b * b)) * interval / 3


def _energy(amperes: Samples, voltage: Channel, begin: float, stop: int, interval: float, gain: float) -> Value:
    """Integral of voltage times current, from the commutation on."""
    first = int(begin)
    i, v = amperes[first : stop + 1], voltage.samples[first : stop + 1]
    a, b, c, d = i[:-1], i[1:], v[:-1], v[1:]
    joules = float(np.sum(2 * a * c + a * d + b * c + 2 * b * d)) * interval / 6
    charge = float(np.sum(a + b)) * interval / 2
    of_voltage = math.hypot(voltage.gain * joules, voltage.offset * charge) / _ROOT3
    at_edge = abs(float(amperes[first] * voltage.samples[min(first + 1, stop)])) * interval / _ROOT12
    return Value(joules, math.hypot(gain * joules, of_voltage, at_edge))
