"""What the breaker says of itself, against what else is known; on both devices and on nodes with defects."""

from __future__ import annotations

from pathlib import Path

import pytest
from run_rig import DEVICES, HEATER, Rig, reasons

from harness.plan.steps import Identify
from harness.run.observe import run_identify


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
