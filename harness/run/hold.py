"""Quantities that are held over several steps: taken there, left there, let go at the latest when the plan ends."""

from __future__ import annotations

from harness.clock import MS, S
from harness.plan.steps import STIMULI, Hold, LetGo
from harness.run.context import Context, Outcome
from harness.run.oracle import operate_band
from harness.run.step_errors import StepError

_SETTLE_NS = 100 * MS  # a supply or a signal is there by then, and every converter has seen it


def run_hold(step: Hold, context: Context, outcome: Outcome) -> None:
    """Go to the value by its way; the ledger knows before anything moves."""
    ledger = context.ledger
    at = ledger.held.get(step.key, healthy(step.key, context))
    ledger.hold(context.bench.clock.now_ns(), step.key, step.level.si)
    for value, seconds in step.points:
        _go(step.key, at, value, context)
        context.bench.idle(round(seconds * S))
        at = value
    _go(step.key, at, step.level.si, context)
    context.bench.idle(_SETTLE_NS)
    if step.key == "supply" and context.bench.supply_12v.limiting():
        raise StepError("stimulus not reached: the 12 V supply limits its current")
    if step.function is not None:
        function = context.device.function(step.function)
        late = operate_band(function, ledger, step.level.si, (0.0, 0.0)).late_s
        assert late is not None  # check refuses one that need not operate
        context.bench.idle(round(late * S))
        ledger.unknown_trip(function.cause)
        outcome.function = step.function
    if step.key == "supply" and min(value for value, _ in (*step.points, (step.level.si, 0))) < _least(context):
        context.bench.master.forget_session()  # the controller may have started anew


def run_let_go(step: LetGo, context: Context, outcome: Outcome) -> None:
    """Everything back at its healthy value."""
    let_go(context)


def let_go(context: Context) -> None:
    """Take back what is held; nothing where nothing is."""
    for key, value in tuple(context.ledger.held.items()):
        context.ledger.let_go(context.bench.clock.now_ns(), key)
        _go(key, value, healthy(key, context), context)
    context.bench.idle(_SETTLE_NS)


def healthy(key: str, context: Context) -> float:
    """Where the bench has a quantity while nobody holds it."""
    spec = context.bench.spec
    if key == "supply":
        return spec.supply_12v.voltage
    rest: float = getattr(spec, STIMULI[key].roles[0]).healthy
    return rest


def _go(key: str, at: float, value: float, context: Context) -> None:
    bench = context.bench
    travel_s = 0.0
    if key == "supply":
        bench.supply_12v.go(value)
    else:
        role = STIMULI[key].roles[0]
        signal, slew = bench.signals[role], getattr(bench.spec, role).slew
        signal.output(True)
        signal.go(value, slew if signal.slews else None)
        travel_s = abs(value - at) / slew
    bench.idle(round(travel_s * S))


def _least(context: Context) -> float:
    return context.device.ratings.supply[0]
