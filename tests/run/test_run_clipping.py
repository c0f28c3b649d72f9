"""A recorded channel that comes to the end of its range, in every step that records: an error, and never a verdict."""

from __future__ import annotations

from pathlib import Path

import pytest
from high_voltage_rig import Rig, clipping_bench

from harness.record.result import Verdict

HEAD = "\n  - power_cycle: {duration: 200 ms}\n  - clear_codes\n"
INJECT = "  - close\n  - expect_trip: {name: it, inject: 120 A, function: overcurrent}\n"
DRAW = "  - close\n  - expect_trip: {name: it, draw: 110 A, voltage: 700 V, function: overcurrent}\n"
HOLD = "  - close\n  - expect_no_trip: {name: it, draw: 20 A, voltage: 700 V, duration: 1 s}\n"
DROP = "  - close\n  - check_health: {name: it, voltage_drop: {draw: 25 A, voltage: 700 V, at_most: 600 mV}}\n"
LEAKAGE = "  - check_health: {name: it, leakage: {voltage: 700 V, at_most: 2 mA}}\n"
SILENCE = "  - close\n  - silence: {name: it, duration: 6 s, function: silence}\n"
DRAWN = ["a drawn current left the recorder's range: nobody knows it"]


@pytest.mark.parametrize(
    ("step", "channel", "range_", "shown", "quarantines"),
    [
        (INJECT, "injected", 100.0, "injected (100 A)", []),
        (INJECT, "gate", 4.0, "gate (4 V)", []),
        (DRAW, "current", 100.0, "current (100 A)", DRAWN),
        (DRAW, "switch_voltage", 600.0, "switch_voltage (600 V)", []),
        (HOLD, "current", 15.0, "current (15 A)", DRAWN),
        (DROP, "current", 20.0, "current (20 A)", DRAWN),
        (DROP, "switch_voltage", 0.05, "switch_voltage (0.05 V)", []),
        (LEAKAGE, "switch_voltage", 600.0, "switch_voltage (600 V)", []),
        (SILENCE, "gate", 4.0, "gate (4 V)", []),
    ],
)
def test_a_record_that_is_clipped_is_an_error_and_no_verdict(
    tmp_path: Path, step: str, channel: str, range_: float, shown: str, quarantines: list[str]
) -> None:
    rig = Rig(tmp_path, clipping_bench(channel, range_))

    ending = rig.run({}, HEAD + step)

    [found] = [result for result in ending.results if result.step == "it"]
    assert (found.verdict, found.measurements) == (Verdict.ERROR, ())
    assert found.reasons == (
        f"recording not usable: clipped at the end of the recorder's range: {shown}; choose a larger one",
    )
    assert [event["reason"] for event in rig.events("quarantine")] == quarantines


@pytest.mark.parametrize("step", [INJECT, DRAW, HOLD, DROP, LEAKAGE])
def test_a_range_that_is_wide_enough_changes_nothing(tmp_path: Path, step: str) -> None:
    channel = "injected" if step is INJECT else "current"
    ending = Rig(tmp_path, clipping_bench(channel, 121.0)).run({}, HEAD + step)

    assert [result.verdict for result in ending.results if result.step == "it"] == [Verdict.PASS]


@pytest.mark.parametrize(("step", "channel"), [(INJECT, "injected"), (DROP, "current")])
def test_nobody_knows_what_a_current_beyond_the_range_has_heated(tmp_path: Path, step: str, channel: str) -> None:
    rig = Rig(tmp_path, clipping_bench(channel, 20.0))
    rig.run({}, HEAD + step)

    [ledger] = rig.events("ledger")
    levels = ledger["levels"]
    assert isinstance(levels, dict)
    low, high = levels["overload"]
    assert low == 0 and high > 1.8  # anything up to what a trip leaves, and a little cooling
