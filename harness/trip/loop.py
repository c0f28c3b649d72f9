"""Inductance and resistance of a fault loop out of a recorded rise: v = L di/dt + R i, integrated and fitted.

    integral of v dt = L (i - i0) + R integral of i dt

The first current i0 is fitted as well, since one sample of it would carry its noise into all others. Integrals suffer
little from noise, and nothing is differentiated. Least squares over all samples of the rise; limits of error are taken
as rectangular (JCGM 100, 4.3.7).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from harness.trip.waveform import Channel, NotUsable, Samples, Value, clipped

_FEWEST = 50  # samples in the rise
_BEGUN = 0.02  # of the greatest current: the rise has begun
_DRIVEN = 0.1  # of its first voltage: until then the bank drives the current, later its diode may carry it
_QUIET = 0.5  # of the samples ahead of the rise, of which the current's offset is the mean
_ROOT3 = math.sqrt(3)


@dataclass(frozen=True)
class MeasuredLoop:
    """Inductance in H and resistance in ohm, with standard uncertainties."""

    inductance: Value
    resistance: Value

    def prospective(self, volts: float) -> Value:
        """The current in A that ``volts`` would drive if they lasted."""
        current = volts / self.resistance.value
        return Value(current, current * self.resistance.uncertainty / self.resistance.value)


def measure_loop(interval: float, current: Channel, voltage: Channel, clock: float = 0.0) -> MeasuredLoop:
    """The loop whose ``current`` a recorded ``voltage`` drove, sampled together every ``interval`` s.

    ``clock`` is the relative error of the recorder's time base. Raises NotUsable: clipped, no current, too few samples.
    """
    for name, channel in (("current", current), ("voltage", voltage)):
        if clipped(channel):
            raise NotUsable(f"the recorded {name} is clipped at the end of the recorder's range: lower the voltage")
    first = int(np.argmax(current.samples >= _BEGUN * current.samples.max()))
    quiet = current.samples[: int(first * _QUIET)]
    if len(quiet) < _FEWEST:
        raise NotUsable("too little was recorded ahead of the current to know its offset: want more pre-trigger")
    amperes = current.samples - quiet.mean()
    volts = voltage.samples
    low = np.flatnonzero(volts[first:] < _DRIVEN * volts[first])
    last = first + (int(low[0]) if len(low) else len(volts) - first)
    if last - first < _FEWEST:
        raise NotUsable("the rise of the current has too few samples: want a shorter interval")
    i, v = amperes[first:last], volts[first:last]
    columns = np.column_stack([i, _integral(i, interval), np.ones_like(i)])
    flux = _integral(v, interval)
    fitted, *_ = np.linalg.lstsq(columns, flux, rcond=None)
    inductance, resistance, _ = fitted
    rest = flux - columns @ fitted
    spread = np.linalg.inv(columns.T @ columns) * float(rest @ rest) / (len(flux) - 3)
    if inductance <= 0 or resistance <= 0:
        raise NotUsable("no loop with an inductance and a resistance above 0 fits what was recorded")
    gains = math.hypot(current.gain, voltage.gain) / _ROOT3
    offset = voltage.offset / _ROOT3
    # A constant error of the voltage acts as a flux that grows with time.
    drift = np.linalg.lstsq(columns, _integral(np.full_like(v, offset), interval), rcond=None)[0]
    scatter = np.sqrt(np.diag(spread))
    return MeasuredLoop(
        Value(
            float(inductance),
            math.hypot(gains * inductance, clock / _ROOT3 * inductance, float(drift[0]), float(scatter[0])),
        ),
        Value(float(resistance), math.hypot(gains * resistance, float(drift[1]), float(scatter[1]))),
    )


def _integral(values: Samples, interval: float) -> Samples:
    """From the first sample to each."""
    found: Samples = np.concatenate([[0.0], np.cumsum((values[:-1] + values[1:]) / 2)]) * interval
    return found
