"""How a bench is left: the last row of every inspection, whatever ended it."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from harness.bench.instrument import InstrumentError
from harness.clock import S
from harness.inspection.bank import LowBank
from harness.inspection.rig import FEEDBACK_NS, Rig
from harness.inspection.row import Row, Verdict

_FIX = "treat both sides{} as live; switch off by hand, verify, earth and short"


def left(rig: Rig, problems: list[str], silent: Sequence[str]) -> Row:
    """What is read of a bench that was switched off, with ``problems``; ``silent``: roles that never answered."""
    found = ["off"]
    looks: tuple[tuple[str, Callable[[Rig], tuple[list[str], list[str]]]], ...] = (
        ("interlock", _relays),
        ("voltmeter", _sides),
        ("source", _source),
        ("bank", _bank),
    )
    bank = False
    for role, look in looks:
        if role not in rig.bench.instruments:
            continue
        try:
            said, wrong = look(rig)
        except InstrumentError as error:  # the others have to be looked at all the same
            said, wrong = [], [str(error)]
        found += said
        problems += wrong
        bank |= role == "bank" and bool(wrong)
    if problems:
        fix = _FIX.format(" and the bank" if bank else "")
        return _row("; ".join(problems), Verdict.FAULT, fix)
    if silent:
        return _row(f"not known of {', '.join(silent)}", Verdict.NOT_LOOKED_AT)
    return _row(", ".join(found), Verdict.OK)


def _row(found: str, verdict: Verdict, fix: str = "") -> Row:
    return Row("bench", "everything switched off", found, "off", verdict, fix)


def _relays(rig: Rig) -> tuple[list[str], list[str]]:
    problems = []
    if rig.wait(lambda: not rig.interlock.inputs().contactor, FEEDBACK_NS) is None:
        problems.append("the contactor's feedback says closed")
    if not rig.interlock.inputs().discharge:
        problems.append("the discharge relay's feedback says open")
    return [], problems


def _sides(rig: Rig) -> tuple[list[str], list[str]]:
    spec = rig.spec.discharge
    rig.wait(lambda: rig.most() < rig.volts / 10, 0 if spec is None else round(spec.within * S))
    problems = [f"a side still reads {volts:.1f} V"] if (volts := rig.most()) > rig.volts / 2 else []
    return [f"{volts:.1f} V" for volts in rig.both()], problems


def _source(rig: Rig) -> tuple[list[str], list[str]]:
    if rig.wait(lambda: rig.source.voltage() < rig.volts / 2, S) is not None:
        return [], []
    return [], [f"the source still reads {rig.source.voltage():.1f} V"]


def _bank(rig: Rig) -> tuple[list[str], list[str]]:
    problem = (bank := LowBank(rig)).wait_dead()
    return [f"bank {bank.volts():.1f} V"], [problem] if problem else []
