"""What a step came to: verdict, measured values with their limits, reasons in plain words."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import Enum


class Verdict(Enum):
    """Verdicts in the terms of ETSI ES 201 873-1 (TTCN-3), with not-run for steps that were never begun.

    Declared from the weakest to the strongest: the overall verdict of several is the strongest of them.
    """

    PASS = "pass"
    NOT_RUN = "not-run"
    INCONCLUSIVE = "inconclusive"
    FAIL = "fail"
    ERROR = "error"


_RANK = {verdict: rank for rank, verdict in enumerate(Verdict)}


def strongest(verdicts: Iterable[Verdict]) -> Verdict:
    """Overall verdict: error before fail before inconclusive before not-run before pass; not-run for none at all."""
    return max(verdicts, key=_RANK.__getitem__, default=Verdict.NOT_RUN)


class Coverage(Enum):
    """How the breaker was made to do what the result shows. Only the physical ones are protection coverage."""

    NONE = "none"
    PRIMARY = "primary"
    SECONDARY = "secondary"
    FORCED = "forced"  # by the tester's word: the firmware read a value that was not there


@dataclass(frozen=True)
class Measurement:
    """One measured value against its limits, all in ``unit`` (a base unit); a limit that is None does not bind."""

    name: str
    value: float | None  # None: the event did not come
    unit: str
    low: float | None = None
    high: float | None = None
    nominal: float | None = None
    uncertainty: float = 0.0  # standard uncertainty (JCGM 100) of ``value``
    repeatability: float = 0.0  # standard deviation of ``value`` that one healthy unit shows from repeat to repeat


@dataclass(frozen=True)
class Applied:
    """What was applied to the breaker, as commanded, in base units.

    ``value`` is None for an open or shorted sensor; ``voltage`` (V) is the source's where a current was drawn.
    """

    quantity: str  # a key of a stimulus: inject, draw, supply, bus, gate_rail, heat_sink; or silence
    value: float | None
    unit: str
    voltage: float | None
    start: str  # cold or from_history


@dataclass(frozen=True)
class Exchange:
    """One diagnostic request and its answer in bytes; ``answer`` is None where there was none."""

    at_ns: int
    request: bytes
    answer: bytes | None
    note: str


@dataclass(frozen=True)
class Waveform:
    """A recorded channel: ``samples`` (big-endian float32) at start_s + k * interval_s from the trigger."""

    channel: str
    unit: str
    start_s: float
    interval_s: float
    samples: bytes


@dataclass(frozen=True)
class Result:
    """One step of one plan, judged. ``id`` is plan/step and unique in a run."""

    id: str
    plan: str
    step: str
    kind: str
    section: str  # steps or clean_up
    where: str  # file:line:column of the step
    verdict: Verdict
    reasons: tuple[str, ...]
    measurements: tuple[Measurement, ...]
    coverage: Coverage
    function: str | None
    start_ns: int
    end_ns: int
    exchanges: tuple[Exchange, ...] = ()
    waveforms: tuple[Waveform, ...] = ()
    facts: Mapping[str, object] | None = None  # what else the step learnt, JSON values only
    device: str = ""  # name of the device's profile
    stimulus: Applied | None = None  # of a step that times the breaker or wants it to do nothing
    set_points: Mapping[str, float] | None = None  # with ``stimulus``: as asked for, SI units
