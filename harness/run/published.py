"""What the breaker publishes beside its status (profile: ``reports``), against what the ledger knows.

The thermal level follows from the currents that were recorded; the uptime from an earlier reading and the time since.
The first uptime of a run is compared with nothing. The software's number has no coding in the profile: not compared.
"""

from __future__ import annotations

import math
from functools import partial

from harness.clock import S
from harness.record.result import Measurement
from harness.run.context import Context, Outcome, ask
from harness.run.ledger import Uptime
from protocol.device import Device, SnapshotSource
from protocol.protection import InverseTime, ThermalMemory
from protocol.signals import FrameLayout, PhysicalRange, Signal

_PERCENT = 0.01
_TIMERS = 0.02  # the breaker's clock against the bench's, where no function declares its timer


def compare_published(context: Context, outcome: Outcome) -> None:
    """Read the heat and the uptime that the breaker publishes and judge them. Raises StepFail or StepError."""
    judges = {"heat": _judge_heat, "uptime": _judge_uptime}
    for source, name in context.device.reports.items():
        judge = judges.get(source)
        if judge is None:
            continue
        layout, signal = _find(context.device, name)
        before_ns = context.bench.clock.now_ns()
        poll = partial(context.bench.master.poll, layout.name)
        raw = ask(context.device, context.bench, poll)[name]
        part = next((part for part in signal.encoding.physical if part.low <= raw <= part.high), None)
        if part is None:
            outcome.fail(f"{name} is {signal.encoding.meaning(raw) or f'raw {raw}'}, which is no value")
            continue
        judge(name, raw, part, before_ns, context, outcome)


def _find(device: Device, name: str) -> tuple[FrameLayout, Signal]:
    found = ((frame, signal) for frame in device.node.frames.values() for signal in frame.signals)
    return next((frame, signal) for frame, signal in found if signal.name == name)


def _judge_heat(name: str, raw: int, part: PhysicalRange, before_ns: int, context: Context, outcome: Outcome) -> None:
    device, ledger = context.device, context.ledger
    for function in device.functions.values():
        if isinstance(function, ThermalMemory | InverseTime):
            break
    else:
        return
    least = ledger.level(function.name, context.bench.clock.now_ns())[0]
    most = ledger.level(function.name, before_ns)[1]
    if not math.isfinite(most):
        return
    unit = _PERCENT if part.unit == "%" else 1.0
    step = float(part.scale) * unit
    slack = _accuracy(device, "heat") + step
    limits = sorted(float(value * part.scale + part.offset) * unit for value in (part.low, part.high))
    value = float(raw * part.scale + part.offset) * unit
    low, high = (min(max(level, limits[0]), limits[1]) for level in (least, most))
    outcome.measure(Measurement(f"published {name}", value, "1", low - slack, high + slack))


def _judge_uptime(name: str, raw: int, part: PhysicalRange, before_ns: int, context: Context, outcome: Outcome) -> None:
    """A counter: it goes on with the supplied time, and starts again after its greatest value."""
    ledger, now_ns = context.ledger, context.bench.clock.now_ns()
    step = abs(float(part.scale))
    value = float(raw * part.scale + part.offset)
    span_ns = (before_ns - round(step * S), now_ns + round(step * S))  # it is whole steps
    known, ledger.published_uptime = ledger.published_uptime, Uptime(value, span_ns)
    if known is None:
        return
    timer = max((function.declared.timer for function in context.device.functions.values()), default=_TIMERS)
    least_ns, most_ns = known.elapsed(*span_ns)
    low, high = known.value_s + least_ns / S * (1 - timer), known.value_s + most_ns / S * (1 + timer)
    turn = step * (part.high - part.low + 1)
    past = turn * round(((low + high) / 2 - value) / turn)
    outcome.measure(Measurement(f"published {name}", value, "s", low - past, high - past))


def _accuracy(device: Device, source: SnapshotSource) -> float:
    return next((entry.accuracy for entry in device.snapshot.fields if entry.source == source), 0.0)
