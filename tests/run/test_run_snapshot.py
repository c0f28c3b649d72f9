"""What a snapshot may say."""

from __future__ import annotations

import pytest

from harness.files.profile import load_device, shipped_device
from harness.run.ledger import Known
from harness.run.snapshot import _wrapped

TURN_S = 2**32 / 1000
"""The heater counts its uptime in 32 bits of 1 ms: 49.7 days."""
[UPTIME] = [entry for entry in load_device(shipped_device("heater")).snapshot.fields if entry.source == "uptime"]


@pytest.mark.parametrize(
    ("value", "low", "high"),
    [
        (100.0, 90.0, 110.0),
        (TURN_S - 1, TURN_S - 3, TURN_S + 3),  # not yet wrapped
        (1.0, -3.0, 3.0),  # wrapped
        (500.0, 480.0, 520.0),
        (400.0, 480.0, 520.0),  # wrong stays wrong
    ],
)
def test_uptime_starts_again_after_its_greatest_value(value: float, low: float, high: float) -> None:
    turn = TURN_S if value in (1.0, 500.0) else 0.0  # what the ledger expects knows no greatest value

    assert _wrapped(UPTIME, Known(low + turn, high + turn), value) == pytest.approx((low, high), abs=1e-6)
