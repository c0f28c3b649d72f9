"""What the breaker says of itself, against what else is known; on both devices and on nodes with defects."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from run_rig import DEVICES, HEATER, Rig, reasons

from harness.plan.steps import CheckStatus, Identify
from harness.run.observe import run_check_status, run_identify
from harness.run.supply import power_up
from mocks.firmware.readings import READINGS
from protocol.device import ReportSource


@pytest.mark.parametrize("name", DEVICES)
def test_the_serial_number_is_the_same_on_both_layers(tmp_path: Path, name: str) -> None:
    outcome = Rig(tmp_path, DEVICES[name]).run(run_identify, Identify())
    assert not outcome.findings, reasons(outcome)
    assert outcome.facts["lin_serial_number"] == int(str(outcome.facts["serial_number"]))


def test_a_serial_number_in_the_wrong_byte_order_is_found(tmp_path: Path) -> None:
    rig = Rig(tmp_path, HEATER)
    node = rig.world.node.diagnosis.node
    node._serial = node._serial[::-1]
    assert "its record serial_number says" in reasons(rig.run(run_identify, Identify()))


@pytest.mark.parametrize("name", DEVICES)
def test_published_values_are_what_the_ledger_knows(tmp_path: Path, name: str) -> None:
    rig = Rig(tmp_path, DEVICES[name])
    assert not rig.run(run_check_status, CheckStatus(switch="open")).findings
    rig.wait(90)
    outcome = rig.run(run_check_status, CheckStatus(switch="open"))
    assert not outcome.findings, reasons(outcome)
    assert len(outcome.measurements) == len(set(DEVICES[name].reports) - {"software"})


@pytest.mark.parametrize(("source", "wrong"), [("heat", lambda now: now + 2**26), ("uptime", lambda now: now // 2)])
def test_a_published_value_that_is_wrong_is_found(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, source: ReportSource, wrong: Callable[[int], int]
) -> None:
    rig = Rig(tmp_path, HEATER)
    read = READINGS[source]
    monkeypatch.setitem(READINGS, source, lambda firmware: wrong(read(firmware)))
    rig.run(run_check_status, CheckStatus(switch="open"))
    rig.wait(30)
    found = reasons(rig.run(run_check_status, CheckStatus(switch="open")))
    assert f"published {HEATER.reports[source]}" in found


def test_uptime_does_not_run_without_supply_and_goes_round(tmp_path: Path) -> None:
    rig = Rig(tmp_path, HEATER)
    rig.world.firmware.uptime_ms = 65_530_000  # 16 bits of seconds end at 65 535
    assert not rig.run(run_check_status, CheckStatus(switch="open")).findings
    rig.ledger.powered_down(rig.bench.clock.now_ns())
    rig.bench.supply_12v.off()
    rig.wait(10)
    power_up(rig.device, rig.bench, rig.ledger)
    rig.wait(10)
    outcome = rig.run(run_check_status, CheckStatus(switch="open"))
    assert not outcome.findings, reasons(outcome)
    assert outcome.measurements[-1].value < 30
