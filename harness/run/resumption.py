"""What the part of a run that was broken off knew, read from its record, so that the run can go on.

How hot the breaker is, is not among it: nobody knows how long it was left and with what.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction

from harness.record.reader import Record
from harness.run.identity import differing
from harness.run.ledger import Ledger


@dataclass(frozen=True)
class Resumption:
    """One device's share: who it said that it was, and set-points that it may still hold, with their first values."""

    unit: Mapping[str, str] | None
    left: Mapping[str, Fraction]
    quarantine: str | None = None  # for the rest of the run, which this is


class OtherUnit(Exception):
    """What is on the bench is not what the record that is to be gone on with is about."""


def go_on(resumption: Resumption, ledger: Ledger, now_ns: int) -> None:
    """Be sure that it is the same unit with the same firmware, and undo what the broken-off part left written.

    Raises OtherUnit.
    """
    assert ledger.unit is not None
    if resumption.unit is not None and (words := differing(resumption.unit, ledger.unit.values)):
        raise OtherUnit(f"not the unit and firmware that the record is about: {words}")
    ledger.heat_unknown(now_ns)
    ledger.quarantine = ledger.quarantine or resumption.quarantine
    ledger.restore.update({name: value for name, value in resumption.left.items() if ledger.asked(name) != value})


def resumption(record: Record, device: str) -> Resumption:
    """What ``record`` has of ``device``. Raises RecordError."""
    units = [reading.values for reading in record.identities() if reading.device == device]
    left: dict[str, Fraction] = {}
    at: object = None
    quarantine: str | None = None
    for event in record.events():
        if event.kind == "begun":
            at = event.detail["device"]
        elif event.kind == "set_point" and at == device:
            name, first = str(event.detail["name"]), Fraction(str(event.detail["put_back"]))
            left[name] = first
        elif event.kind == "quarantine" and at == device:
            quarantine = str(event.detail["reason"])
    return Resumption(units[-1] if units else None, left, quarantine)


def ended_plans(record: Record) -> frozenset[str]:
    """Plans that came to their end, set-points put back. Raises RecordError."""
    ended: set[str] = set()
    for event in record.events():
        if event.kind == "plan_ended":
            ended.add(str(event.detail["plan"]))
        elif event.kind == "begun":
            ended.discard(str(event.detail["plan"]))
    return frozenset(ended)
