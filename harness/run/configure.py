"""Set-points: written, read back, and put back at the end of a plan."""

from __future__ import annotations

from fractions import Fraction

from harness.bus.master import Refused
from harness.plan.steps import ReadSetPoints, WriteSetPoints
from harness.quantity import show
from harness.run.context import Context, Outcome, StepError, StepFail, ask
from harness.run.observe import read_set_points


def run_write(step: WriteSetPoints, context: Context, outcome: Outcome) -> None:
    """Write each value once and read it back; with ``refused``, expect that negative answer and the old value."""
    for name, quantity in step.values.items():
        before = context.ledger.asked(name)
        answer = _write(context, name, quantity.exact)
        if answer is not None:
            context.ledger.refuse(name, before)
        if answer is None and step.refused is not None:
            outcome.fail(f"{name} = {quantity} was accepted, and should be refused with {step.refused}")
        elif answer != step.refused:
            outcome.fail(f"{name} = {quantity} was refused with {answer}, wanted {step.refused or 'no refusal'}")
    _compare(context, outcome, {name: context.ledger.asked(name) for name in step.values})


def run_read(step: ReadSetPoints, context: Context, outcome: Outcome) -> None:
    """Read set-points and compare them with the step's values, or with every value asked for so far."""
    if step.values is None:
        wanted = {name: context.ledger.asked(name) for name in context.device.set_points}
    else:
        wanted = {name: quantity.exact for name, quantity in step.values.items()}
    _compare(context, outcome, wanted)


def put_back(context: Context) -> list[str]:
    """Write every changed set-point's first value back; returns, in words, those that could not be."""
    left = []
    for name, value in list(context.ledger.restore.items()):
        before = context.ledger.asked(name)
        try:
            answer = _write(context, name, value)
            held = read_set_points(context.device, context.bench, [name])[name]
            problem = answer or (None if held == value else f"reads back {float(held):g}")
        except (StepFail, StepError) as error:
            problem = str(error)
        if problem is None:
            context.ledger.restored(name)
        else:
            context.ledger.refuse(name, before)
            left.append(f"{name} could not be put back to {float(value):g}: {problem}")
    return left


def _write(context: Context, name: str, value: Fraction) -> str | None:
    """Write one set-point, never twice; returns the name of the negative answer, None where it was accepted."""
    point = context.device.set_points[name]
    diagnostics = context.bench.diagnostics
    ask(context.device, context.bench, lambda: diagnostics.open_session(context.device.write_session))
    context.ledger.ask(context.bench.clock.now_ns(), name, value)
    try:
        ask(context.device, context.bench, lambda: diagnostics.write_set_point(point, value))
    except StepFail as failure:
        if isinstance(failure.__cause__, Refused):
            return failure.__cause__.response.name
        raise
    return None


def _compare(context: Context, outcome: Outcome, wanted: dict[str, Fraction]) -> None:
    held = read_set_points(context.device, context.bench, wanted)
    for name, value in wanted.items():
        unit = context.device.set_points[name].field.unit
        outcome.facts[name] = float(held[name])
        outcome.expect(
            held[name] == value, f"{name} reads back {show(float(held[name]), unit)}, wanted {show(float(value), unit)}"
        )
