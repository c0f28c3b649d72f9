"""What the breaker says of itself: status frame, fault memory, snapshot, live values, identity."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from fractions import Fraction
from functools import partial

from harness.bench.bench import Bench
from harness.bus.master import NoAnswer, Refused
from harness.plan.steps import CheckCodes, CheckStatus, ClearCodes, Identify, ReadLive
from harness.record.result import Measurement
from harness.run.context import Context, Outcome, ask, steady
from harness.run.identity import Identity
from harness.run.published import compare_published
from harness.run.repeat import of_reading
from harness.run.step_errors import StepError, StepFail
from protocol.device import Device, LiveValue
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
    """Compare the status frame with what the step names, and published values with what the ledger knows."""
    status = stable_status(context.device, context.bench)
    for what, wanted in (("state", step.state), ("switch", step.switch), ("cause", step.cause)):
        found = getattr(status, what)
        outcome.expect(wanted in (None, found), f"{what} is {found}, wanted {wanted}")
    for name, wanted_bit in step.bits.items():
        outcome.expect(status.bits[name] == wanted_bit, f"status bit {name} is {int(status.bits[name])}")
    outcome.facts["status"] = str(status)
    compare_published(context, outcome)


def run_check_codes(step: CheckCodes, context: Context, outcome: Outcome) -> None:
    """Compare the fault memory with what the step names; follow-on codes are allowed, forbidden ones are not."""
    found = ask(context.device, context.bench, lambda: steady(context.bench.diagnostics.codes))
    names = {code.dtc: name for name, code in context.device.fault_codes.items()}
    present = {names.get(reading.dtc, dtc_text(reading.dtc)): reading for reading in found}
    known = context.device.fault_codes
    follow_on = {name for code in step.codes for name in known[code].follow_on}
    forbidden = {name for code in step.codes for name in known[code].forbidden}
    for name, wanted_bits in step.codes.items():
        if name not in present:
            outcome.fail(f"code {name} is not in the fault memory")
            continue
        missing = [bit for bit in wanted_bits if not present[name].status & CodeStatusBit[bit]]
        outcome.expect(not missing, f"code {name} lacks {', '.join(missing)}")
    for name, bits in step.without.items():
        found_bits = [bit for bit in bits if name in present and present[name].status & CodeStatusBit[bit]]
        outcome.expect(not found_bits, f"code {name} has {', '.join(found_bits)}, which should be clear")
    for name in sorted(present.keys() - step.codes.keys() - follow_on | present.keys() & forbidden - step.codes.keys()):
        outcome.fail(f"code {name} is in the fault memory and should not be")
    outcome.facts["codes"] = {name: reading.status for name, reading in present.items()}


def run_clear_codes(step: ClearCodes, context: Context, outcome: Outcome) -> None:
    """Clear the fault memory once and read it back."""
    ask(context.device, context.bench, context.bench.diagnostics.clear)
    context.ledger.cleared()
    left: tuple[CodeStatus, ...] = ask(context.device, context.bench, lambda: steady(context.bench.diagnostics.codes))
    outcome.expect(not left, f"after clearing, the fault memory holds {len(left)} code(s)")


def run_read_live(step: ReadLive, context: Context, outcome: Outcome) -> None:
    """Read live values twice, from separate frames; both readings must be between the step's limits."""
    for name, (low, high) in step.values.items():
        live = context.device.live[name]
        readings = [float(read_live(context, live)) for _ in range(2)]
        for number, value in enumerate(readings, start=1):
            limits = (low.si - live.accuracy, high.si + live.accuracy)
            repeat = live_repeatability(context.device, live)
            outcome.measure(
                Measurement(f"{name}, reading {number}", value, live.field.unit, *limits, repeatability=repeat)
            )


def run_identify(step: Identify, context: Context, outcome: Outcome) -> None:
    """Compare the product identification with the LDF, and read every identification record."""
    wanted, found = context.device.identity, read_identity(context.device, context.bench)
    for what, value, expected in (
        ("supplier", found.product.supplier, wanted.supplier_id),
        ("function", found.product.function, wanted.function_id),
        ("variant", found.product.variant, wanted.variant),
    ):
        outcome.expect(value == expected, f"{what} id is {value:#x}, the LDF says {expected:#x}")
    for name, text in found.records.items():
        outcome.facts[name] = text
        outcome.expect(bool(text.strip()), f"{name} is empty")
    _compare_serials(found.records.get("serial_number"), context, outcome)
    if step.same and context.ledger.unit is not None:
        outcome.expect(found == context.ledger.unit, "it is not the unit that the run began with")


def _compare_serials(text: str | None, context: Context, outcome: Outcome) -> None:
    """The LIN serial number is the record's, where both are there and the record is a number of 32 bits."""
    if text is None or not text.isdecimal() or int(text) > 0xFFFFFFFF:
        return
    try:
        serial = ask(context.device, context.bench, lambda: steady(context.bench.diagnostics.serial))
    except StepFail as failure:
        if isinstance(failure.__cause__, Refused):  # LIN 2.1 §4.2.6.1: only the product identification is mandatory
            return
        raise
    outcome.facts["lin_serial_number"] = serial
    outcome.expect(serial == int(text), f"its LIN serial number is {serial}, its record serial_number says {text}")


def read_live(context: Context, live: LiveValue) -> Fraction:
    """One reading of a live value. Raises StepFail or StepError."""
    return ask(context.device, context.bench, lambda: context.bench.diagnostics.live(live))


def live_repeatability(device: Device, live: LiveValue) -> float:
    """Standard deviation between readings of one unit, in the value's unit: resolution, and a current's noise."""
    noise = device.sensing.slow_noise if live.field.unit == "A" else 0.0
    return of_reading(float(live.field.scale), noise)


def read_set_points(device: Device, bench: Bench, names: Iterable[str], once: bool = False) -> dict[str, Fraction]:
    """Set-points as the device reports them, each record from two equal readings unless ``once``.

    Raises StepFail or StepError.
    """
    wanted = list(names)
    held: dict[str, Fraction] = {}
    for did in dict.fromkeys(device.set_points[name].did for name in wanted):
        read = partial(bench.diagnostics.group, did)
        held |= ask(device, bench, read if once else partial(steady, read))
    return {name: held[name] for name in wanted}


def read_identity(device: Device, bench: Bench, once: bool = False) -> Identity:
    """Identity of the unit, each part from two equal readings unless ``once``. Raises StepFail or StepError."""
    read = (lambda request: request()) if once else steady
    product = ask(device, bench, lambda: read(bench.diagnostics.product))
    records = {}
    for name, did in device.identity.records.items():
        records[name] = ask(device, bench, lambda did=did: read(lambda: bench.diagnostics.text(did)))  # type: ignore[misc]
    return Identity(product, records)
