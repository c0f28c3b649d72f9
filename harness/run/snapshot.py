"""The snapshot of a fault code against what the instruments and the harness know of the trip that it belongs to."""

from __future__ import annotations

from fractions import Fraction

from harness.plan.steps import CheckSnapshot
from harness.record.result import Measurement
from harness.run.context import Context, Outcome, ask, steady
from harness.run.ledger import Known, LastTrip, Uptime
from harness.run.repeat import of_range, of_reading
from protocol.device import SnapshotField


def run_check_snapshot(step: CheckSnapshot, context: Context, outcome: Outcome) -> None:
    """Compare each record that the device keeps with its own trip, and with the step's values the one named."""
    device, ledger = context.device, context.ledger
    dtc = device.fault_codes[step.code].dtc
    records = {"first": device.snapshot.first, "latest": device.snapshot.latest}
    trips = {"first": ledger.first_trips.get(step.code), "latest": ledger.latest_trips.get(step.code)}
    named = step.record or ("first" if device.snapshot.latest is None else "latest")
    both = device.snapshot.first is not None and device.snapshot.latest is not None
    for which, number in records.items():
        if number is None or (step.record is not None and which != named):
            continue
        found = _read(context, dtc, number)
        label = f"snapshot {which}" if both else "snapshot"
        if not found:
            outcome.fail(f"no {label} is stored with {step.code}")
            continue
        _compare(step if which == named else None, found, trips[which], label, context, outcome)
        if which == "latest":
            _anchor(found, trips[which], context)


def _read(context: Context, dtc: int, number: int) -> dict[str, Fraction]:
    diagnostics = context.bench.diagnostics
    return ask(context.device, context.bench, lambda: steady(lambda: diagnostics.snapshot(dtc, number)))


def _compare(
    step: CheckSnapshot | None,
    found: dict[str, Fraction],
    trip: LastTrip | None,
    label: str,
    context: Context,
    outcome: Outcome,
) -> None:
    for entry in context.device.snapshot.fields:
        name = entry.field.name
        value = float(found[name])
        outcome.facts[name if label == "snapshot" else f"{label} {name}"] = value
        wanted = None if step is None else step.values.get(name)
        known = trip.values.get(entry.source) if trip is not None else None
        if wanted is not None:
            known = Known(wanted.si, wanted.si, repeatability=0.0 if known is None else _repeatability(known))
        if known is not None:
            if entry.source == "uptime" and wanted is None:
                low, high = _wrapped(entry, known, value)
            else:
                low, high = _saturated(entry, known)
            limits = (low - _slack(entry), high + _slack(entry))
            repeat = of_reading(float(entry.field.scale), _repeatability(known))
            uncertainty, unit = known.uncertainty, entry.field.unit
            outcome.measure(Measurement(f"{label} {name}", value, unit, *limits, None, uncertainty, repeat))


def _repeatability(known: Known) -> float:
    return of_range(known.low, known.high) if known.repeatability is None else known.repeatability


def _slack(entry: SnapshotField) -> float:
    return entry.accuracy + float(entry.field.scale) / 2


def _saturated(entry: SnapshotField, known: Known) -> tuple[float, float]:
    """A value that the field cannot hold stands at the nearest limit."""
    limits = [float(entry.field.to_physical(raw)) for raw in entry.field.raw_range]
    least, most = min(limits), max(limits)
    return min(max(known.low, least), most), min(max(known.high, least), most)


def _wrapped(entry: SnapshotField, known: Known, value: float) -> tuple[float, float]:
    """A counter that has run past its greatest value starts at its least: the turn that comes nearest to ``value``."""
    limits = [float(entry.field.to_physical(raw)) for raw in entry.field.raw_range]
    turn = max(limits) - min(limits) + abs(float(entry.field.scale))
    past = turn * round(((known.low + known.high) / 2 - value) / turn)
    return known.low - past, known.high - past


def _anchor(found: dict[str, Fraction], trip: LastTrip | None, context: Context) -> None:
    """What the breaker counts over its life goes on from here."""
    ledger = context.ledger
    for entry in context.device.snapshot.fields:
        if entry.source == "trip_count" and trip is not None and trip.number == ledger.trips:
            ledger.trip_count = (int(found[entry.field.name]), ledger.trips)
        if entry.source == "uptime" and trip is not None:
            ledger.uptime = Uptime(float(found[entry.field.name]), trip.span_ns)
