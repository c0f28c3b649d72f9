"""What the breaker says of itself: status frame, fault memory, snapshot, live values, identity."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from fractions import Fraction

from harness.bench.bench import Bench
from harness.bus.master import NoAnswer
from harness.plan.steps import CheckCodes, CheckSnapshot, CheckStatus, ClearCodes, Identify, ReadLive
from harness.record.result import Measurement
from harness.run.context import Context, Outcome, StepError, ask, steady
from harness.run.ledger import LastTrip
from protocol.device import Device, LiveValue, SnapshotField
from protocol.services import CodeStatus, CodeStatusBit, dtc_text


@dataclass(frozen=True)
class Status:
    """The discrete part of a status frame, in the profile's words; ``?N`` for a raw value that has none."""

    state: str
    switch: str
    cause: str  # a fault code's name, or none
    bits: Mapping[str, bool]

    def __str__(self) -> str:
        set_bits = ", ".join(name for name, on in self.bits.items() if on) or "no bit set"
        return f"state {self.state}, switch {self.switch}, cause {self.cause}, {set_bits}"


def answers(device: Device, bench: Bench) -> bool:
    """Whether the node answers a header of its status frame. Raises StepError where not even the header comes back."""
    try:
        bench.master.poll(device.status.frame)
    except NoAnswer as silence:
        if silence.echo_lost:
            raise StepError(str(silence)) from silence
        return False
    return True


def read_status(device: Device, bench: Bench) -> Status:
    """One reading of the status frame. Raises StepFail or StepError where the node is silent."""
    raw = ask(device, bench, lambda: bench.master.poll(device.status.frame))
    status = device.status
    causes = {"none": 0, **{name: code.cause_value for name, code in device.fault_codes.items()}}
    return Status(
        _word(status.states, raw[status.state_signal]),
        _word(status.switch, raw[status.switch_signal]),
        _word(causes, raw[status.cause_signal]),
        {name: bool(raw[signal]) for name, signal in status.bits.items()},
    )


def stable_status(device: Device, bench: Bench) -> Status:
    """The status from two equal readings in a row."""
    return steady(lambda: read_status(device, bench))


def _word(words: Mapping[str, int], raw: int) -> str:
    return next((word for word, value in words.items() if value == raw), f"?{raw}")


def run_check_status(step: CheckStatus, context: Context, outcome: Outcome) -> None:
    """Compare the status frame with what the step names."""
    status = stable_status(context.device, context.bench)
    for what, wanted in (("state", step.state), ("switch", step.switch), ("cause", step.cause)):
        found = getattr(status, what)
        outcome.expect(wanted in (None, found), f"{what} is {found}, wanted {wanted}")
    for name, wanted_bit in step.bits.items():
        outcome.expect(status.bits[name] == wanted_bit, f"status bit {name} is {int(status.bits[name])}")
    outcome.facts["status"] = str(status)


def run_check_codes(step: CheckCodes, context: Context, outcome: Outcome) -> None:
    """Compare the fault memory with what the step names; follow-on codes are allowed, forbidden ones are not."""
    found = ask(context.device, context.bench, lambda: steady(context.bench.diagnostics.codes))
    names = {code.dtc: name for name, code in context.device.fault_codes.items()}
    present = {names.get(reading.dtc, dtc_text(reading.dtc)): reading for reading in found}
    follow_on = {name for code in step.codes for name in context.device.fault_codes[code].follow_on}
    for name, wanted_bits in step.codes.items():
        if name not in present:
            outcome.fail(f"code {name} is not in the fault memory")
            continue
        missing = [bit for bit in wanted_bits if not present[name].status & CodeStatusBit[bit]]
        outcome.expect(not missing, f"code {name} lacks {', '.join(missing)}")
    for name in present.keys() - step.codes.keys() - follow_on:
        outcome.fail(f"code {name} is in the fault memory and should not be")
    outcome.facts["codes"] = {name: reading.status for name, reading in present.items()}


def run_clear_codes(step: ClearCodes, context: Context, outcome: Outcome) -> None:
    """Clear the fault memory once and read it back."""
    ask(context.device, context.bench, context.bench.diagnostics.clear)
    left: tuple[CodeStatus, ...] = ask(context.device, context.bench, lambda: steady(context.bench.diagnostics.codes))
    outcome.expect(not left, f"after clearing, the fault memory holds {len(left)} code(s)")


def run_check_snapshot(step: CheckSnapshot, context: Context, outcome: Outcome) -> None:
    """Compare the snapshot with the instruments' figures of the last trip and with the step's own values."""
    code = context.device.fault_codes[step.code]
    found = ask(context.device, context.bench, lambda: steady(lambda: context.bench.diagnostics.snapshot(code.dtc)))
    if not found:
        outcome.fail(f"no snapshot is stored with {step.code}")
        return
    trip = context.ledger.last_trip
    for entry in context.device.snapshot.fields:
        value = float(found[entry.field.name])
        outcome.facts[entry.field.name] = value
        wanted = step.values.get(entry.field.name)
        known = _exactly(wanted.si) if wanted is not None else _known(entry, trip, context)
        if known is not None:
            slack = entry.accuracy + float(entry.field.scale) / 2
            limits = (known.low - slack, known.high + slack)
            name = f"snapshot {entry.field.name}"
            outcome.measure(Measurement(name, value, entry.field.unit, *limits, None, known.uncertainty))


@dataclass(frozen=True)
class _Known:
    """What a snapshot field should say, ahead of its own declared accuracy, and how well that is known."""

    low: float
    high: float
    uncertainty: float


def _exactly(value: float, slack: float = 0.0, uncertainty: float = 0.0) -> _Known:
    return _Known(value - slack, value + slack, uncertainty)


def _known(entry: SnapshotField, trip: LastTrip | None, context: Context) -> _Known | None:
    """What the instruments say of the last trip; None for a field that none of them knows."""
    if trip is None:
        return None
    match entry.source:
        case "current":
            gain = context.device.accuracy.current_gain * trip.current
            return _exactly(trip.current, gain, trip.current_uncertainty)
        case "heat":
            return _Known(*trip.level, 0.0)
        case "operate_time":
            own_clock = context.device.accuracy.timer * trip.operate_time
            return _exactly(trip.operate_time, own_clock, trip.operate_time_uncertainty)
        case "supply_voltage":
            return _exactly(trip.supply_voltage, 0.0, context.bench.spec.supply_12v.uncertainty)
        case _:
            return None


def run_read_live(step: ReadLive, context: Context, outcome: Outcome) -> None:
    """Read live values twice, from separate frames; both readings must be between the step's limits."""
    for name, (low, high) in step.values.items():
        live = context.device.live[name]
        readings = [float(read_live(context, live)) for _ in range(2)]
        for number, value in enumerate(readings, start=1):
            limits = (low.si - live.accuracy, high.si + live.accuracy)
            outcome.measure(Measurement(f"{name}, reading {number}", value, live.field.unit, *limits))


def run_identify(step: Identify, context: Context, outcome: Outcome) -> None:
    """Compare the product identification with the LDF, and read every identification record."""
    wanted = context.device.identity
    product = ask(context.device, context.bench, lambda: steady(context.bench.diagnostics.product))
    for what, found, expected in (
        ("supplier", product.supplier, wanted.supplier_id),
        ("function", product.function, wanted.function_id),
        ("variant", product.variant, wanted.variant),
    ):
        outcome.expect(found == expected, f"{what} id is {found:#x}, the LDF says {expected:#x}")
    for name, did in wanted.records.items():
        text = _read_text(context, did)
        outcome.facts[name] = text
        outcome.expect(bool(text.strip()), f"{name} is empty")


def _read_text(context: Context, did: int) -> str:
    return ask(context.device, context.bench, lambda: steady(lambda: context.bench.diagnostics.text(did)))


def read_live(context: Context, live: LiveValue) -> Fraction:
    """One reading of a live value. Raises StepFail or StepError."""
    return ask(context.device, context.bench, lambda: context.bench.diagnostics.live(live))


def read_set_points(device: Device, bench: Bench, names: Iterable[str]) -> dict[str, Fraction]:
    """Set-points as the device reports them, each from two equal readings. Raises StepFail or StepError."""

    def read(name: str) -> Fraction:
        return ask(device, bench, lambda: steady(lambda: bench.diagnostics.set_point(device.set_points[name])))

    return {name: read(name) for name in names}
