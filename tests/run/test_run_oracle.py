"""What the oracle is asked with, against units whose errors lie at the ends of what is declared."""

from __future__ import annotations

from pathlib import Path

import pytest
from run_rig import PUMP, Rig

from harness.plan.steps import ExpectTrip, SetMode
from harness.quantity import parse
from harness.record.result import Verdict
from harness.run.stimulate import run_expect_trip
from harness.run.switch import run_set_mode

UNITS = [3, 8, 11]
"""Seeds of units whose comparator acts below 350 A, above it, and nearly at it."""


@pytest.mark.parametrize("seed", UNITS)
def test_a_comparator_is_timed_from_below_the_lowest_threshold_that_it_may_have(tmp_path: Path, seed: int) -> None:
    rig = Rig(tmp_path, PUMP, seed)
    rig.run(run_set_mode, SetMode(mode="drive"))
    rig.close()
    outcome = rig.run(run_expect_trip, ExpectTrip(inject=parse("400 A"), function="short_circuit"))

    [time] = outcome.measurements
    assert outcome.verdict is Verdict.PASS, outcome.findings
    assert time.low is not None and time.high is not None and time.value is not None
    # The injector takes 2 A/us: 6.8 A from 98 % of (350 A - 2 A) / 1.02 to there is 3.4 us, and 0.5 us of response.
    assert time.low == pytest.approx(3.9e-6, abs=0.3e-6)
    # To (350 A + 2 A) / 0.98 it is 24.8 A, and 2 us of response.
    assert time.high == pytest.approx(14.4e-6, abs=0.3e-6)
