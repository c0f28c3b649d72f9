"""A close command that is held stands on the bus, over a loss of supply too, and shows who takes it for a new one."""

from __future__ import annotations

from pathlib import Path

import pytest
from run_rig import HEATER, Rig, reasons

from harness.plan.steps import CloseSwitch, OpenSwitch, PowerCycle, Reset
from harness.run.diagnose import run_reset
from harness.run.supply import run_power_cycle
from harness.run.switch import run_close, run_open
from mocks.firmware.tasks import Firmware

AWAY = PowerCycle.model_validate({"duration": "500 ms"})


@pytest.fixture
def closes_on_waking(monkeypatch: pytest.MonkeyPatch) -> None:
    """Plant a breaker that takes the command which it finds on the bus for a new one."""
    power_on = Firmware.power_on

    def defective(firmware: Firmware) -> None:
        power_on(firmware)
        firmware._last_command = firmware.calibration.open_command

    monkeypatch.setattr(Firmware, "power_on", defective)


@pytest.mark.parametrize("held", [False, True])
def test_a_good_breaker_stays_open_after_a_power_up(tmp_path: Path, held: bool) -> None:
    rig = Rig(tmp_path, HEATER)

    assert not rig.run(run_close, CloseSwitch(held=held)).findings
    assert not rig.run(run_power_cycle, AWAY).findings
    assert rig.switch == "open"


@pytest.mark.parametrize(("held", "found"), [(False, ""), (True, "fail: after the power-up the switch is closed")])
def test_only_a_held_command_finds_a_breaker_that_closes_after_a_power_up(
    tmp_path: Path, closes_on_waking: None, held: bool, found: str
) -> None:
    rig = Rig(tmp_path, HEATER)

    rig.run(run_close, CloseSwitch(held=held))

    assert reasons(rig.run(run_power_cycle, AWAY)) == found


@pytest.mark.parametrize(("held", "found"), [(False, ""), (True, "fail: after the reset the switch is closed")])
def test_nor_after_a_reset(tmp_path: Path, closes_on_waking: None, held: bool, found: str) -> None:
    rig = Rig(tmp_path, HEATER)

    rig.run(run_close, CloseSwitch(held=held))

    assert reasons(rig.run(run_reset, Reset(kind="hard"))) == found


def test_the_next_command_ends_a_held_one(tmp_path: Path, closes_on_waking: None) -> None:
    rig = Rig(tmp_path, HEATER)

    rig.run(run_close, CloseSwitch(held=True))
    assert not rig.run(run_open, OpenSwitch()).findings

    assert not rig.run(run_power_cycle, AWAY).findings
