"""From a recording to instants: onset, decision, and what the stimulus was between them.

Instants are those of the field: onset, the measured current crosses half of its commanded value; decision, the gate
output falls through half of its level. Both are interpolated between samples, and known to half a sample interval.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.bench.instrument import Acquisition

GATE_THRESHOLD_V = 2.5
"""Half of the gate output's 5 V."""
EDGE_UNCERTAINTY = 1 / np.sqrt(12)
"""Standard uncertainty of one edge in sample intervals: it lies anywhere between two samples (JCGM 100, 4.3.7)."""


@dataclass(frozen=True)
class Instants:
    """What happened when, in s from the start of the recording."""

    onset: float
    ended: float  # the stimulus fell below half of its commanded value, or the recording ended
    decision: float | None  # None: the gate stayed on
    plateau: float  # mean of the stimulus between its rise and the decision or its end, A
    before_decision: float  # mean of the stimulus in the last samples of the plateau, A


def crossing(samples: NDArray[np.float64], level: float, rising: bool, start: int = 0) -> float | None:
    """Index, interpolated, of the first crossing of ``level`` from sample ``start`` on; None where there is none."""
    above = samples[start:] >= level if rising else samples[start:] < level
    hits = np.flatnonzero(above)
    if hits.size == 0:
        return None
    k = start + int(hits[0])
    if k == start:
        return float(k)
    before, after = samples[k - 1], samples[k]
    return float(k - 1 + (level - before) / (after - before))


class NotRecorded(Exception):
    """The recording shows no stimulus to measure from: the bench's fault."""


def instants(acquisition: Acquisition, stimulus: str, commanded: float, tail_s: float) -> Instants:
    """Analyse a recording of ``stimulus`` and ``gate``.

    ``tail_s`` is the averaging time for the current just before the decision. Raises NotRecorded where the stimulus
    never reached half of ``commanded``, and where the gate was not on before it did.
    """
    current, gate = acquisition.channels[stimulus], acquisition.channels["gate"]
    onset = crossing(current, commanded / 2, rising=True)
    if onset is None:
        raise NotRecorded(f"the recorded {stimulus} never came to half of {commanded:g} A")
    if not (gate[: max(int(onset), 1)] > GATE_THRESHOLD_V).all():
        raise NotRecorded("the gate output was not on before the current: look at the recorder's gate channel")
    decision = crossing(gate, GATE_THRESHOLD_V, rising=False, start=int(onset))
    end = _plateau_end(current, commanded, int(onset), decision)
    begin = min(int(onset) + 2, end - 1)
    tail = max(end - max(2, round(tail_s / acquisition.interval_s)), begin)
    fall = crossing(current, commanded / 2, rising=False, start=int(onset) + 1)
    return Instants(
        onset * acquisition.interval_s,
        (len(current) - 1 if fall is None else fall) * acquisition.interval_s,
        None if decision is None else decision * acquisition.interval_s,
        float(np.mean(current[begin:end])),
        float(np.mean(current[tail:end])),
    )


def _plateau_end(current: NDArray[np.float64], commanded: float, onset: int, decision: float | None) -> int:
    fall = crossing(current, commanded / 2, rising=False, start=onset + 1)
    ends = [instant for instant in (fall, decision) if instant is not None]
    return max(int(min(ends, default=len(current))), onset + 1)
