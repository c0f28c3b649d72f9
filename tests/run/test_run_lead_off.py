"""A lead that comes off somewhere in a plan with several live steps: never is a side said to be dead that is not."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from high_voltage_rig import Rig

from harness.bench.gate import State
from harness.bench.proof import TOUCH_LIMIT_V

TWICE = """
  - power_cycle: {duration: 200 ms}
  - clear_codes
  - write_set_points: {values: {overload_pickup: 20 A, overload_time_constant: 60 s}}
  - close
  - expect_no_trip: {name: live, draw: 10 A, voltage: 700 V, duration: 1 s}
  - open: {name: opened}
  - wait: {name: between, duration: 20 s}
  - close: {name: closed_again}
  - wait: {name: before, duration: 1 s}
  - expect_no_trip: {name: again, draw: 10 A, voltage: 700 V, duration: 1 s}
  - wait: {name: after, duration: 500 ms}
  - open: {name: open_again}
"""
LEADS = [("sense_source_off",), ("sense_load_off",), ("sense_source_off", "sense_load_off")]


def most_in_safe(rig: Rig) -> Callable[[], float]:
    """The greatest true voltage while the bench called itself safe."""
    found: list[float] = []

    def look() -> None:
        if rig.bench.high_voltage is None or rig.state is State.SAFE:
            found.append(rig.volts)

    rig.watch(look)
    return lambda: max(found)


def break_off(rig: Rig, faults: tuple[str, ...]) -> Callable[[], None]:
    def act() -> None:
        for fault in faults:
            rig.panel(f"FAULT {fault} ON")()

    return act


@pytest.mark.parametrize("stuck", [(), ("discharge_stuck",)], ids=["", "stuck"])
@pytest.mark.parametrize("leads", LEADS, ids="+".join)
@pytest.mark.parametrize("at", ["opened", "closed_again", "again"])
def test_a_lead_that_comes_off_between_two_live_steps_is_found_at_the_second(
    rig: Rig, at: str, leads: tuple[str, ...], stuck: tuple[str, ...]
) -> None:
    most = most_in_safe(rig)

    ending = rig.run({at: break_off(rig, (*leads, *stuck))}, TWICE)

    assert (ending.exit_code, rig.state) == (5, State.NOT_PROVEN_DEAD)
    assert next(result.step for result in ending.results if result.reasons) == "again"
    wanted = "source side does not come to 700 V" if "sense_source_off" in leads else "load side does not charge"
    assert wanted in (ending.bench_lost or "")
    assert most() < TOUCH_LIMIT_V
    assert rig.supplied


@pytest.mark.parametrize("leads", LEADS, ids="+".join)
@pytest.mark.parametrize("at", ["after", "open_again"])
def test_a_lead_that_comes_off_while_its_side_falls_proves_nothing(rig: Rig, at: str, leads: tuple[str, ...]) -> None:
    most = most_in_safe(rig)

    ending = rig.run({at: break_off(rig, (*leads, "discharge_stuck"))}, TWICE)

    assert (ending.exit_code, rig.state) == (5, State.NOT_PROVEN_DEAD)
    assert most() < TOUCH_LIMIT_V
    assert rig.supplied


@pytest.mark.parametrize("number", range(4, 8))
def test_a_side_that_has_nearly_fallen_when_the_discharge_begins_is_proved_dead(rig: Rig, number: int) -> None:
    once = "".join(line for line in TWICE.splitlines(True)[:6] if "write_set_points" not in line)

    ending = rig.run({}, once + number * "  - identify\n")

    assert (ending.exit_code, rig.state) == (0, State.SAFE)
