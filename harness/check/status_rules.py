"""Rules for what the breaker is asked to say: names, units, limits."""

from __future__ import annotations

from collections.abc import Mapping

from harness.check.spot import Faults, Spot, known, unit_words
from harness.files.load import close_match, one_of
from harness.plan.steps import CheckCodes, CheckSnapshot, CheckStatus, ReadLive
from protocol.identifiers import CodeStatusBit


def check_status(step: CheckStatus, spot: Spot) -> Faults:
    """States, causes and bits are the profile's."""
    if step.state is not None:
        yield from known("state", [step.state], spot.device.status.states, spot, ("state",), key=False)
    if step.cause is not None:
        causes = ["none", *spot.device.fault_codes]
        yield from known("fault code", [step.cause], causes, spot, ("cause",), key=False)
    yield from known("status bit", step.bits, spot.device.status.bits, spot, ("bits",))


def check_codes(step: CheckCodes, spot: Spot) -> Faults:
    """Codes are the profile's, status bits those of ISO 14229-1, and no bit is wanted both set and clear."""
    yield from _codes(step.codes, "codes", spot)
    yield from _codes(step.without, "without", spot)
    for code, bits in step.without.items():
        if code not in step.codes:
            yield spot.error(f"{code} is not among the codes that must be there", "without", code, key=True)
        for index, bit in enumerate(bits):
            if bit in step.codes.get(code, ()):
                yield spot.error(f"{bit} of {code} is wanted both set and clear", "without", code, index)


def _codes(codes: Mapping[str, tuple[str, ...]], key: str, spot: Spot) -> Faults:
    yield from known("fault code", codes, spot.device.fault_codes, spot, (key,))
    for code, bits in codes.items():
        for index, bit in enumerate(bits):
            if bit not in CodeStatusBit.__members__:
                words = f"unknown status bit {bit!r}; {one_of(CodeStatusBit.__members__)}"
                yield spot.error(words + close_match(bit, CodeStatusBit.__members__), key, code, index)


def check_snapshot(step: CheckSnapshot, spot: Spot) -> Faults:
    """Code, record and fields are the profile's, values in the fields' units."""
    yield from known("fault code", [step.code], spot.device.fault_codes, spot, ("code",), key=False)
    if step.record is not None and getattr(spot.device.snapshot, step.record) is None:
        yield spot.error(f"{spot.device.name} keeps no {step.record} record", "record")
    fields = {entry.field.name: entry.field for entry in spot.device.snapshot.fields}
    yield from known("snapshot field", step.values, fields, spot, ("values",))
    for name, value in step.values.items():
        if name in fields and value.base != fields[name].unit:
            unit = unit_words(fields[name].unit)
            yield spot.error(f"{value} is no value of {name}, which is in {unit}", "values", name)


def check_live(step: ReadLive, spot: Spot) -> Faults:
    """Values are the profile's, limits in their units, the lower one first."""
    yield from known("live value", step.values, spot.device.live, spot, ("values",))
    for name, (low, high) in step.values.items():
        if name not in spot.device.live:
            continue
        unit = spot.device.live[name].field.unit
        wrong = [(index, value) for index, value in enumerate((low, high)) if value.base != unit]
        for index, value in wrong:
            yield spot.error(f"{value} is no value of {name}, which is in {unit_words(unit)}", "values", name, index)
        if not wrong and low.exact > high.exact:
            yield spot.error(f"{low} is above {high}; want the lower limit first", "values", name)
