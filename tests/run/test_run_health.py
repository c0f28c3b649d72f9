"""A switch that leaks, and voltages that do not lie across it: measured, or an error, and no pass."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from high_voltage_rig import Rig

from harness.bench.gate import State
from harness.record.result import Result, Verdict
from harness.run.ending import Ending
from mocks.track import Track

LEAKAGE = "check_health: {{name: {}, leakage: {{voltage: 700 V, at_most: 2 mA}}}}"
BEGIN = "\n  - power_cycle: {duration: 200 ms}\n  - clear_codes\n"
FIRST = f"{BEGIN}  - {LEAKAGE.format('first')}\n"
TWICE = f"{FIRST}  - {LEAKAGE.format('second')}\n"


def leak(rig: Rig) -> None:
    """8 mA at 700 V: 35 kohm of the switch in a row with 50 kohm of the load."""
    object.__setattr__(rig.world.plant._unit, "leakage_resistance", 35e3)


def step(ending: Ending, name: str) -> Result:
    return next(result for result in ending.results if result.step == name)


def test_a_good_switch_passes_each_time_with_the_voltage_across_it(rig: Rig) -> None:
    across: list[tuple[float, float]] = []
    assert rig.bench.recorder is not None
    arm = rig.bench.recorder.arm

    def looked(*arguments: object, **named: object) -> None:
        across.append(rig.world.wiring.true_voltages())
        arm(*arguments, **named)  # type: ignore[arg-type]

    rig.bench.recorder.arm = looked  # type: ignore[method-assign]

    ending = rig.run({}, TWICE)

    assert [step(ending, name).verdict for name in ("first", "second")] == [Verdict.PASS, Verdict.PASS]
    assert (ending.exit_code, rig.state) == (0, State.SAFE)
    assert across == [pytest.approx(volts, abs=5) for volts in [(0, 0), (700, 0)] * 2]


@pytest.mark.parametrize(
    "before", ["", "  - close\n  - expect_no_trip: {draw: 10 A, voltage: 700 V, duration: 1 s}\n  - open\n"]
)
def test_a_leaky_switch_fails_in_the_first_step_that_measures_it(rig: Rig, before: str) -> None:
    leak(rig)

    ending = rig.run({}, f"{BEGIN}{before}  - {LEAKAGE.format('first')}\n  - {LEAKAGE.format('second')}\n")

    for name in ("first", "second"):
        assert step(ending, name).verdict is Verdict.FAIL
        [measured] = step(ending, name).measurements
        assert measured.value == pytest.approx(700 / 85e3, rel=0.02)
    assert (ending.exit_code, rig.state) == (1, State.SAFE)


def connect(rig: Rig, track: Track) -> None:
    """The recorder's channel of the voltage across the switch reads ``track`` instead."""
    channels, wanted = rig.world.bench.recorder._channels.values(), rig.world.plant.switch_voltage
    [channel] = [channel for channel in channels if channel.track is wanted]
    object.__setattr__(channel, "track", track)


def lead_off(rig: Rig) -> None:
    connect(rig, Track())


def elsewhere(rig: Rig) -> None:
    """Across something that is live all the time."""
    connect(rig, Track(700.0))


@pytest.mark.parametrize(("spoil", "why"), [(lead_off, "V, then 0.0"), (elsewhere, "stimulus not reached: 700 V")])
def test_a_voltage_that_is_not_across_the_open_switch_is_an_error(
    rig: Rig, spoil: Callable[[Rig], None], why: str
) -> None:
    spoil(rig)

    ending = rig.run({}, FIRST)

    assert step(ending, "first").verdict is Verdict.ERROR
    assert "across the open switch, wanted 0 V, then 700 V" in step(ending, "first").reasons[0]
    assert why in step(ending, "first").reasons[0]
    assert (ending.exit_code, rig.state) == (5, State.SAFE)


@pytest.mark.parametrize("fault", ["switch_shorted", "precharge_welded"])
def test_a_load_side_that_follows_is_an_error(rig: Rig, fault: str) -> None:
    ending = rig.run({"first": rig.panel(f"FAULT {fault} ON")}, FIRST)

    assert step(ending, "first").verdict is Verdict.ERROR
    assert "V behind a breaker that says it is open: shorted?" in (ending.bench_lost or "")
    assert ending.exit_code == 5
