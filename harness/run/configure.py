"""Set-points: written by record, read back, and put back at the end of a plan."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from fractions import Fraction

from harness.bus.master import Refused
from harness.clock import MS, S
from harness.plan.steps import ReadSetPoints, WriteSetPoints
from harness.quantity import show
from harness.run.access import admit
from harness.run.context import Context, Outcome, ask
from harness.run.observe import read_set_points, stable_status
from harness.run.step_errors import StepError, StepFail
from harness.run.switch import send_command
from protocol.identifiers import Service

_OPEN_NS = 500 * MS  # an open command has had its effect by then, at the slow schedule's 250 ms a frame
_COOL_NS = 60 * S  # the longest that is waited for a breaker in which nothing may be written yet
_LOOK_NS = 500 * MS


def run_write(step: WriteSetPoints, context: Context, outcome: Outcome) -> None:
    """Write each record once and read it back; with ``refused``, expect that negative answer and the old values."""
    records = _by_record(context, {name: value.exact for name, value in step.values.items()})
    if step.refused is None:  # and each has to be put back
        put_back = _by_record(context, {**context.ledger.restore, **dict.fromkeys(step.values, Fraction(0))})
        context.ledger.wear.afford("non_volatile_writes", len(records) + len(put_back))
    for did, values in records.items():
        before = {name: context.ledger.asked(name) for name in values}
        answer = _write(context, did, values, step.refused)
        if answer is not None:
            for name, value in before.items():
                context.ledger.refuse(name, value)
        said = ", ".join(f"{name} = {step.values[name]}" for name in values)
        if answer is None and step.refused is not None:
            outcome.fail(f"{said} was accepted, and should be refused with {step.refused}")
        elif answer != step.refused:
            outcome.fail(f"{said} was refused with {answer}, wanted {step.refused or 'no refusal'}")
    _compare(context, outcome, {name: context.ledger.asked(name) for name in step.values})


def run_read(step: ReadSetPoints, context: Context, outcome: Outcome) -> None:
    """Read set-points and compare them with the step's values, or with every value asked for so far."""
    if step.values is None:
        wanted = {name: context.ledger.asked(name) for name in context.device.set_points}
    else:
        wanted = {name: quantity.exact for name, quantity in step.values.items()}
    _compare(context, outcome, wanted)


def put_back(context: Context) -> list[str]:
    """Write every changed set-point's first value back; returns, in words, those that could not be.

    One that a constraint refuses while another is still changed is tried again after that one.
    """
    try:
        _make_writable(context)
    except (StepFail, StepError) as error:
        return [f"{_said(context, name)}: {error}" for name in context.ledger.restore]
    left: dict[int, str] = {}
    while groups := _by_record(context, context.ledger.restore):
        before = len(groups)
        left = {did: problem for did, values in groups.items() if (problem := _restore(context, did, values))}
        if len(left) == before:
            break
    else:
        return []
    groups = _by_record(context, context.ledger.restore)
    return [f"{_said(context, name)}: {left[did]}" for did, values in groups.items() for name in values]


def _said(context: Context, name: str) -> str:
    return f"{name} could not be put back to {float(context.ledger.restore[name]):g}"


def _restore(context: Context, did: int, values: Mapping[str, Fraction]) -> str | None:
    before = {name: context.ledger.asked(name) for name in values}
    try:
        answer = _write(context, did, values)
        held = read_set_points(context.device, context.bench, values)
        wrong = [f"{name} reads back {float(held[name]):g}" for name in values if held[name] != values[name]]
        problem = answer or ", ".join(wrong) or None
    except (StepFail, StepError) as error:
        problem = str(error)
    for name, value in before.items():
        if problem is None:
            context.ledger.restored(name)
        else:
            context.ledger.kept(name, value)
    return problem


def _make_writable(context: Context) -> None:
    """Open the breaker and wait until it is in a state in which it takes a set-point, where there is one to write."""
    device, bench = context.device, context.bench
    if not context.ledger.restore or stable_status(device, bench).state in device.write_states:
        return
    send_command(context, "none")
    send_command(context, "open")
    bench.idle(_OPEN_NS)
    send_command(context, "none")
    deadline_ns = bench.clock.now_ns() + _COOL_NS
    while (state := stable_status(device, bench).state) not in device.write_states:
        if state != "cooling" or bench.clock.now_ns() >= deadline_ns:
            return  # the write says what the breaker thinks of it
        bench.idle(_LOOK_NS)


def _by_record(context: Context, values: Mapping[str, Fraction]) -> dict[int, dict[str, Fraction]]:
    groups: dict[int, dict[str, Fraction]] = {}
    for name, value in values.items():
        groups.setdefault(context.device.set_points[name].did, {})[name] = value
    return groups


def _write(context: Context, did: int, values: Mapping[str, Fraction], refused: str | None = None) -> str | None:
    """Write one record, never twice; returns the name of the negative answer, None where it was accepted.

    Set-points of the record that ``values`` does not name keep what they have.
    """
    ledger, diagnostics = context.ledger, context.bench.diagnostics
    admit(context, Service.WRITE_DATA, refused)
    whole = {point.name: values.get(point.name, ledger.asked(point.name)) for point in context.device.group(did)}
    for name, value in values.items():
        ledger.ask(context.bench.clock.now_ns(), name, value)
    ledger.wear.spend("non_volatile_writes", refused is None, ", ".join(values))
    try:
        ask(context.device, context.bench, lambda: diagnostics.write_group(did, whole))
    except StepFail as failure:
        if isinstance(failure.__cause__, Refused):
            return failure.__cause__.response.name
        raise
    ledger.wear.spend("non_volatile_writes", refused is not None, f"{', '.join(values)}, not refused")
    return None


def _compare(context: Context, outcome: Outcome, wanted: Mapping[str, Fraction]) -> None:
    held = read_set_points(context.device, context.bench, wanted)
    for name, text in differing(context, held, wanted):
        outcome.fail(f"{name} {text}")
    outcome.facts.update({name: float(value) for name, value in held.items()})


def differing(
    context: Context, held: Mapping[str, Fraction], wanted: Mapping[str, Fraction]
) -> Iterable[tuple[str, str]]:
    """Each set-point that is not what it should be, and in words how."""
    for name, value in wanted.items():
        unit = context.device.set_points[name].field.unit
        if held[name] != value:
            yield name, f"reads back {show(float(held[name]), unit)}, wanted {show(float(value), unit)}"
