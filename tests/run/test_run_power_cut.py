"""Writes cut off by the supply, on both devices and on a memory that does not stand it."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from run_rig import HEATER, PUMP, Rig, reasons

from harness.plan.steps import PowerCut
from harness.quantity import parse
from harness.record.result import Verdict
from harness.run.power_cut import run_power_cut
from mocks.firmware import memory


def cut(instants: int, **values: str) -> PowerCut:
    return PowerCut(
        values={name: parse(text) for name, text in values.items()}, instants=instants, within=parse("80 ms")
    )


def check_good(rig: Rig, step: PowerCut, instants: int) -> None:
    before = {name: rig.ledger.asked(name) for name in rig.device.set_points}
    writes = rig.ledger.writes
    outcome = rig.run(run_power_cut, step)
    assert not outcome.findings, reasons(outcome)
    facts: Any = outcome.facts
    assert facts["old"] > 0 and facts["new"] > 0, facts
    assert facts["old"] + facts["new"] == instants and facts["neither"] == 0
    assert facts["cut_late_us_worst"] == 0  # on the event clock
    assert {name: rig.ledger.asked(name) for name in rig.device.set_points} == before
    assert rig.ledger.restore == {}
    assert rig.ledger.writes - writes >= instants + facts["new"]


def test_a_record_is_old_or_new(tmp_path: Path) -> None:
    check_good(Rig(tmp_path, HEATER), cut(12, overload_pickup="21 A"), 12)


def test_a_record_of_several_set_points_behind_a_key(tmp_path: Path) -> None:
    rig = Rig(tmp_path, PUMP)
    check_good(rig, cut(6, overload_pickup_drive="50 A", overload_multiplier="80 %"), 6)
    assert rig.bench.diagnostics.group(0x2001)["overload_pickup_charge"] == 22


def test_two_records(tmp_path: Path) -> None:
    check_good(Rig(tmp_path, HEATER), cut(4, overload_pickup="21 A", overload_reset_level="40 %"), 8)


def test_a_value_that_was_changed_before_is_still_put_back_at_the_end(tmp_path: Path) -> None:
    rig = Rig(tmp_path, HEATER)
    rig.write("overload_pickup", 25)
    outcome = rig.run(run_power_cut, cut(3, overload_pickup="21 A"))
    assert not outcome.findings, reasons(outcome)
    assert rig.ledger.asked("overload_pickup") == 25
    assert rig.ledger.restore == {"overload_pickup": Fraction(55, 2)}


def test_what_is_refused_proves_nothing(tmp_path: Path) -> None:
    rig = Rig(tmp_path, HEATER)
    rig.close()
    outcome = rig.run(run_power_cut, cut(3, overload_pickup="21 A"))
    assert "conditions_not_correct" in reasons(outcome)
    assert rig.ledger.asked("overload_pickup") == Fraction(55, 2)


def test_the_same_values_prove_nothing(tmp_path: Path) -> None:
    outcome = Rig(tmp_path, HEATER).run(run_power_cut, cut(3, overload_pickup="27.5 A"))
    assert outcome.verdict is Verdict.ERROR


# Defects


def test_a_memory_with_one_copy_is_found_with_its_instant(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    rig = Rig(tmp_path, HEATER)
    rig.write("overload_time_constant", 30)  # so that a lost record shows: it falls back to the defaults
    save = memory.Record.save

    def in_place(self: memory.Record, payload: bytes, now_ns: int) -> int:
        self._current = 1 - self._current  # the copy in use is the one that is overwritten
        self._addresses = (self._addresses[1 - self._current],) * 2
        return save(self, payload, now_ns)

    monkeypatch.setattr(memory.Record, "save", in_place)
    outcome = rig.run(run_power_cut, cut(12, overload_time_constant="40 s"))
    assert outcome.verdict is Verdict.FAIL
    assert "ms after the request, the record holds neither old nor new" in reasons(outcome)
    facts: Any = outcome.facts
    assert facts["neither"] == 1


def test_a_record_without_a_checksum_is_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    rig = Rig(tmp_path, PUMP)
    monkeypatch.setattr(memory, "_whole", lambda copy: any(byte != 0xFF for byte in copy))  # blank or not
    outcome = rig.run(run_power_cut, cut(12, overload_pickup_drive="50 A", overload_pickup_charge="15 A"))
    assert "neither old nor new" in reasons(outcome)


def test_an_answer_that_comes_before_the_memory_has_it_is_found(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    save = memory.Record.save

    def at_once(self: memory.Record, payload: bytes, now_ns: int) -> int:
        save(self, payload, now_ns)
        return now_ns

    monkeypatch.setattr(memory.Record, "save", at_once)
    outcome = Rig(tmp_path, HEATER).run(run_power_cut, cut(3, overload_pickup="21 A"))
    assert "cut after a positive answer, record 0x0101 holds" in reasons(outcome)
