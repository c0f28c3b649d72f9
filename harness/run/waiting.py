"""Letting time pass on the bus."""

from __future__ import annotations

from harness.clock import MS, S
from harness.plan.steps import Wait, WaitUntilCool
from harness.record.result import Measurement
from harness.run.context import Context, Outcome
from harness.run.observe import read_live
from harness.run.repeat import of_range, of_reading
from harness.run.step_errors import StepError
from protocol.protection import InverseTime, ThermalMemory

_LOOK_NS = 10 * MS


def run_wait(step: Wait, context: Context, outcome: Outcome) -> None:
    """Let the slow schedule run."""
    context.bench.idle(round(step.duration.si * S))


def run_wait_until_cool(step: WaitUntilCool, context: Context, outcome: Outcome) -> None:
    """Wait until no thermal level can be above ``level`` any more; the breaker's own figure must then agree."""
    bench, ledger = context.bench, context.ledger
    deadline_ns = bench.clock.now_ns() + round(step.at_most.si * S)

    def hottest() -> float:
        return max((ledger.level(name, bench.clock.now_ns())[1] for name in ledger.remembering), default=0.0)

    while (level := hottest()) > step.level.si:
        if bench.clock.now_ns() >= deadline_ns:
            raise StepError(f"after {step.at_most} the level may still be {level:.1%}; allow more time")
        wait_s = max(ledger.time_to_cool(name, bench.clock.now_ns(), step.level.si) for name in ledger.remembering)
        left_ns = deadline_ns - bench.clock.now_ns()
        bench.idle(left_ns if wait_s * S > left_ns else max(round(wait_s * S), min(_LOOK_NS, left_ns)))
    outcome.facts["level_at_most"] = level
    live = context.device.live.get("heat")
    heats = [f.name for f in context.device.functions.values() if isinstance(f, ThermalMemory | InverseTime)]
    if live is not None and heats:
        low, high = ledger.level(heats[0], bench.clock.now_ns())
        own = float(read_live(context, live))
        repeat = of_reading(float(live.field.scale), of_range(low, high))
        least = low - live.accuracy if low > live.accuracy else None  # forgetting trips too late
        limit = high + live.accuracy
        outcome.measure(Measurement("the breaker's own thermal level", own, "1", least, limit, repeatability=repeat))
