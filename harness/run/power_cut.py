"""Writes that the loss of the supply cuts off: a record must be old or new as a whole, at whatever instant.

One more cut follows a positive answer at once: what was answered is to be found. The instants of the
others count from the end of the last frame of the request. On a simulated bench the supply falls from exactly
there; on a real one as well as its supply can be switched, and the result says when it was told to.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction

from harness.bench.spending import power_cut_writes
from harness.bus.master import Refused
from harness.clock import MS, S
from harness.plan.steps import PowerCut
from harness.quantity import show
from harness.run.access import admit
from harness.run.context import Context, Outcome, ask, steady
from harness.run.observe import read_set_points
from harness.run.step_errors import StepError, StepFail
from harness.run.supply import power_up
from protocol.identifiers import Service
from protocol.records import encode_group
from protocol.services import write

_OFF_NS = 200 * MS  # long enough for any supply to have fallen; common practice, no source

Values = Mapping[str, Fraction]


@dataclass(frozen=True)
class _Record:
    """One record under test: its values as found, and as the step would have them."""

    did: int
    old: Values
    new: Values


def run_power_cut(step: PowerCut, context: Context, outcome: Outcome) -> None:
    """Cut each record's write at every instant; put the old values back where the new ones had been taken."""
    counts: Counter[str] = Counter()
    late_ns: list[int] = []
    records = _records(step, context)
    context.ledger.wear.afford("non_volatile_writes", power_cut_writes(step.instants, len(records)))
    for record in records:
        _write(context, record.did, record.new)  # one that nothing disturbs: what is refused proves nothing
        _compare(context, record.did, record.new, "an undisturbed write")
        _write(context, record.did, record.old)
        _cut_after_answer(context, outcome, record)
        for instant_ns in _instants(step):
            outcome_word = _one_cut(context, outcome, record, instant_ns, late_ns)
            counts[outcome_word] += 1
            if outcome_word == "new":
                _write(context, record.did, record.old)
            elif outcome_word == "neither":
                break
        _restore(context, record)
    outcome.facts |= {"old": counts["old"], "new": counts["new"], "neither": counts["neither"]}
    outcome.facts["cut_late_us_worst"] = max(late_ns, default=0) // 1000
    others = read_set_points(context.device, context.bench, context.device.set_points)
    for name, value in others.items():
        wanted = context.ledger.asked(name)
        unit = context.device.set_points[name].field.unit
        outcome.expect(
            value == wanted, f"afterwards {name} is {show(float(value), unit)}, wanted {show(float(wanted), unit)}"
        )


def _records(step: PowerCut, context: Context) -> list[_Record]:
    device, ledger = context.device, context.ledger
    found = []
    for did in dict.fromkeys(device.set_points[name].did for name in step.values):
        old = {point.name: ledger.asked(point.name) for point in device.group(did)}
        new = old | {name: value.exact for name, value in step.values.items() if name in old}
        if new == old:
            raise StepError(f"record {did:#06x} has these values already, so old and new cannot be told apart")
        found.append(_Record(did, old, new))
    return found


def _instants(step: PowerCut) -> list[int]:
    """Evenly spread over ``within``, both its ends among them; half of it where there is one only."""
    within_ns = step.within.si * S
    if step.instants == 1:
        return [round(within_ns / 2)]
    return [round(within_ns * number / (step.instants - 1)) for number in range(step.instants)]


def _one_cut(context: Context, outcome: Outcome, record: _Record, instant_ns: int, late_ns: list[int]) -> str:
    """Write, cut, power up, read: what the record came to."""
    device, bench, ledger = context.device, context.bench, context.ledger
    admit(context, Service.WRITE_DATA)
    _note_write(context, record.new)
    ledger.wear.spend("non_volatile_writes", 1, "power cut")
    request = write(record.did, encode_group(device, record.did, record.new))
    end_ns = ask(device, bench, lambda: bench.master.send_request(request))
    bench.master.silence_until(end_ns + instant_ns)
    ledger.powered_down(bench.clock.now_ns())
    late_ns.append(bench.clock.now_ns() - end_ns - instant_ns)
    bench.supply_12v.off()
    bench.master.silence_until(bench.clock.now_ns() + _OFF_NS)
    power_up(device, bench, ledger)
    held = _read(context, record.did)
    if held == record.new:
        return "new"
    _note_held(context, record.old)
    if held == record.old:
        return "old"
    shown = ", ".join(
        f"{name} {show(float(value), device.set_points[name].field.unit)}" for name, value in held.items()
    )
    outcome.fail(f"cut {instant_ns / MS:.3f} ms after the request, the record holds neither old nor new: {shown}")
    return "neither"


def _cut_after_answer(context: Context, outcome: Outcome, record: _Record) -> None:
    """What was answered positively is kept, though the supply goes with the answer; the old values follow.

    A firmware that answers before the record is in memory is found where its answer comes before the write is done.
    """
    bench, ledger = context.bench, context.ledger
    _write(context, record.did, record.new)
    ledger.powered_down(bench.clock.now_ns())
    bench.supply_12v.off()
    bench.master.silence_until(bench.clock.now_ns() + _OFF_NS)
    power_up(context.device, bench, ledger)
    held = _read(context, record.did)
    if held == record.new:
        _write(context, record.did, record.old)
        return
    _note_held(context, record.old)
    outcome.fail(f"cut after a positive answer, record {record.did:#06x} holds {_shown(held)}: the write is lost")


def _restore(context: Context, record: _Record) -> None:
    """The old values, whatever the last cut left; they are no change to be put back any more."""
    if _read(context, record.did) != record.old:
        _write(context, record.did, record.old)
        _compare(context, record.did, record.old, "the old values put back")
    _note_held(context, record.old)


def _write(context: Context, did: int, values: Values) -> None:
    """Write a record once. Raises StepFail where it is refused."""
    admit(context, Service.WRITE_DATA)
    before = {name: context.ledger.asked(name) for name in values}
    _note_write(context, values)
    context.ledger.wear.spend("non_volatile_writes", 1, ", ".join(values))
    try:
        ask(context.device, context.bench, lambda: context.bench.diagnostics.write_group(did, values))
    except StepFail as failure:
        if isinstance(failure.__cause__, Refused):
            _note_held(context, before)
        raise


def _compare(context: Context, did: int, wanted: Values, what: str) -> None:
    held = _read(context, did)
    if held != wanted:
        raise StepFail(f"{what} of record {did:#06x} reads back {_shown(held)}, wanted {_shown(wanted)}")


def _shown(values: Values) -> str:
    return ", ".join(f"{name} {float(value):g}" for name, value in values.items())


def _read(context: Context, did: int) -> Values:
    diagnostics = context.bench.diagnostics
    return ask(context.device, context.bench, lambda: steady(lambda: diagnostics.group(did)))


def _note_write(context: Context, values: Values) -> None:
    """In the ledger before it is made; set-points of the record that stay as they are, are not written anew."""
    for name, value in values.items():
        if context.ledger.asked(name) != value:
            context.ledger.ask(context.bench.clock.now_ns(), name, value)


def _note_held(context: Context, values: Values) -> None:
    for name, value in values.items():
        context.ledger.refuse(name, value)
