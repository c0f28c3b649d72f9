"""What the breaker says of its own heat must agree with what it must have, in both directions."""

from __future__ import annotations

from pathlib import Path

import pytest
from run_rig import HEATER, Rig, reasons

from harness.plan.steps import ExpectNoTrip, WaitUntilCool
from harness.run.stimulate import run_expect_no_trip
from harness.run.waiting import run_wait_until_cool

# 26 A are 0.89 of the pickup's square, and one time constant of 60 s brings 63 % of that: 56.5 %.
HEAT = ExpectNoTrip.model_validate({"inject": "26 A", "duration": "60 s"})
COOL = WaitUntilCool.model_validate({"level": "40 %", "at_most": "2 min"})


@pytest.mark.parametrize(
    ("share", "finding"),
    [(1.0, None), (0.8, "the breaker's own thermal level"), (1.2, "the breaker's own thermal level")],
)
def test_a_level_that_is_lost_or_kept_too_long_is_found(tmp_path: Path, share: float, finding: str | None) -> None:
    rig = Rig(tmp_path, HEATER)
    rig.close()
    assert not rig.run(run_expect_no_trip, HEAT).findings
    rig.open()
    overload = rig.world.firmware.overload
    overload.level = int(overload.level * share)  # type: ignore[misc]

    found = reasons(rig.run(run_wait_until_cool, COOL))

    assert found == "" if finding is None else finding in found
    assert ("too low" in found, "too high" in found) == (share < 1, share > 1)
