"""What check says of a plan: each fault with its place, and nothing of a plan that is in order."""

from __future__ import annotations

import math
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import pytest
from edited import marked
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from harness.bench.instrument_spec import ChannelSpec
from harness.bench.spec import BenchSpec, load_bench, shipped_bench
from harness.check import RULES, check_plan
from harness.files.profile import load_device, shipped_device, shipped_plans
from harness.plan.plan import find_plans, load_plan
from harness.plan.steps import STEP_KINDS
from protocol.device import Device
from protocol.identifiers import NegativeResponseCode
from protocol.protection import Parameter

HEATER = load_device(shipped_device("heater"))
POINTS = [name for name in HEATER.set_points if name.startswith("overload_")]
DEVICE = replace(
    HEATER,
    withstand=None,
    functions={"overload": HEATER.functions["overload"]},
    set_points={name: HEATER.set_points[name] for name in POINTS},
    fault_codes={"overload": HEATER.fault_codes["overload"]},
    live={name: HEATER.live[name] for name in ("heat", "supply_voltage", "current")},
    constraints=(),
    lockout=None,
)
"""The heater with its overload alone, so that a rule is seen by itself."""
SHIPPED = load_bench(shipped_bench("simulated"))
assert SHIPPED.source is not None and SHIPPED.load is not None
# Ranges of source and load that a plan can leave before another function comes first.
BENCH = replace(SHIPPED, source=replace(SHIPPED.source, current=120.0), load=replace(SHIPPED.load, current=150.0))
HEAD = "format: 1\nname: x\ntitle: y\ndevice: heater\nsteps:\n"
COLD = "  - power_cycle: {duration: 1 s}\n  - close\n"
TRIP = "  - expect_trip: {inject: 60 A, function: overload}\n"
HOLD = "  - expect_no_trip: {inject: 60 A, duration: 10 s}\n"
COOLING = "cool it first, by wait_until_cool, or by power_cycle where the device forgets its level"


def complaints(
    folder: Path, steps: str, bench: BenchSpec | None = BENCH, device: Device = DEVICE
) -> tuple[list[str], list[str]]:
    """What check says of a plan with these steps, and the place of each ¶ in them; the ¶ are taken out."""
    text, places = marked(HEAD + steps + "\n", {})
    path = folder / "plan.yaml"
    path.write_text(text)
    return [str(error).removeprefix(f"{path}:") for error in check_plan(load_plan(path), device, bench)], places


ANSWERS = ", ".join(NegativeResponseCode.__members__)
NAMES: dict[str, tuple[str, list[str]]] = {
    "set-point to write": ("  - write_set_points: {values: {¶overload_pikup: 20 A}}", [
        "unknown set-point 'overload_pikup'; want one of overload_pickup, overload_time_constant, "
        "overload_cooling_time_constant, overload_reset_level; did you mean 'overload_pickup'?",
    ]),
    "set-point to read": ("  - read_set_points: {values: {¶pickup: 20 A}}", [
        "unknown set-point 'pickup'; want one of overload_pickup, overload_time_constant, "
        "overload_cooling_time_constant, overload_reset_level",
    ]),
    "negative answer": ("  - write_set_points: {values: {overload_pickup: 1 A}, refused: ¶out_of_range}", [
        f"unknown answer 'out_of_range'; want one of {ANSWERS}; did you mean 'request_out_of_range'?",
    ]),
    "function": (COLD + "  - expect_trip: {inject: 60 A, function: ¶overlaod}", [
        "unknown function 'overlaod'; want overload; did you mean 'overload'?",
    ]),
    "state": ("  - check_status: {state: ¶tripd}", [
        "unknown state 'tripd'; want one of off, on, tripped, cooling, locked_out; did you mean 'tripped'?",
    ]),
    "cause": ("  - check_status: {cause: ¶overlaod}", [
        "unknown fault code 'overlaod'; want one of none, overload; did you mean 'overload'?",
    ]),
    "status bit": ("  - check_status: {bits: {¶hott: true, tripped: false}}", [
        "unknown status bit 'hott'; want one of pickup, tripped, hot; did you mean 'hot'?",
    ]),
    "code": ("  - check_codes: {codes: {¶overlaod: []}}", [
        "unknown fault code 'overlaod'; want overload; did you mean 'overload'?",
    ]),
    "status bit of a code": ("  - check_codes: {codes: {overload: [confirmed, ¶test_faild]}}", [
        "unknown status bit 'test_faild'; want one of test_failed, test_failed_this_cycle, pending, confirmed, "
        "not_completed_since_clear, failed_since_clear, not_completed_this_cycle, warning_requested; "
        "did you mean 'test_failed'?",
    ]),
    "code of a snapshot": ("  - check_snapshot: {code: ¶hot}", ["unknown fault code 'hot'; want overload"]),
    "field of a snapshot": ("  - check_snapshot: {code: overload, values: {¶curent: 1 A, uptime: ¶1 A}}", [
        "unknown snapshot field 'curent'; want one of current, heat, supply_voltage, operate_time, uptime, "
        "trip_count, heat_sink_temperature, junction_temperature, bus_voltage, gate_rail_voltage; "
        "did you mean 'current'?",
        "1 A is no value of uptime, which is in s",
    ]),
    "live value": ("  - read_live: {values: {¶heet: [0 %, 1 %]}}", [
        "unknown live value 'heet'; want one of heat, supply_voltage, current; did you mean 'heat'?",
    ]),
}  # fmt: skip

VALUES: dict[str, tuple[str, list[str]]] = {
    "above": ("  - write_set_points: {values: {overload_pickup: ¶32.01 A}}", [
        "32.01 A is outside the limits, 5 A to 32 A; say 'refused: request_out_of_range' if that is the test",
    ]),
    "below": ("  - write_set_points: {values: {overload_reset_level: ¶4.5 %}}", [
        "4.5 % is outside the limits, 5 % to 90 %; say 'refused: request_out_of_range' if that is the test",
    ]),
    "above, and so refused": (
        "  - write_set_points: {values: {overload_pickup: 32.01 A}, refused: request_out_of_range}", [],
    ),
    "inside, and never refused": (
        "  - write_set_points: {values: {overload_pickup: ¶32 A}, refused: request_out_of_range}",
        ["32 A is inside the limits, 5 A to 32 A, so it will not be refused"],
    ),
    "inside, refused for another reason": (
        COLD + "  - write_set_points: {values: {overload_pickup: 32 A}, refused: conditions_not_correct}", [],
    ),
    "both limits": ("  - write_set_points: {values: {overload_pickup: 5 A, overload_time_constant: 10 min}}", []),
    "unit": ("  - write_set_points: {values: {overload_pickup: ¶20 s}}", [
        "20 s is no value of overload_pickup, which is in A",
    ]),
    "percent for a current": ("  - write_set_points: {values: {overload_pickup: ¶20 %}}", [
        "20 % is no value of overload_pickup, which is in A",
    ]),
    "current for a level": ("  - write_set_points: {values: {overload_reset_level: ¶20 A}}", [
        "20 A is no value of overload_reset_level, which is in no unit or %",
    ]),
    "between two raw values": ("  - write_set_points: {values: {overload_pickup: ¶20.005 A}}", [
        "20.005 A cannot be held exactly; the nearest are 20 A or 20.01 A",
    ]),
    "between two raw values, read": ("  - read_set_points: {values: {overload_reset_level: ¶50.2 %}}", [
        "50.2 % cannot be held exactly; the nearest are 50 % or 50.5 %",
    ]),
    "beyond the record": (
        "  - write_set_points: {values: {overload_pickup: ¶655.36 A}, refused: request_out_of_range}",
        ["655.36 A does not fit the record of overload_pickup, u16"],
    ),
    "other prefix": ("  - write_set_points: {values: {overload_pickup: 20000 mA, overload_time_constant: 1 min}}", []),
    "live limits": ("  - read_live: {values: {current: ¶[2 A, 1 A], heat: [¶0 A, 10 %]}}", [
        "2 A is above 1 A; want the lower limit first",
        "0 A is no value of heat, which is in no unit or %",
    ]),
    "no time": ("  - wait: {duration: ¶0 s}\n  - power_cycle: {duration: ¶-1 s}", [
        "0 s: want more than 0 s",
        "-1 s: want more than 0 s",
    ]),
}  # fmt: skip

TRIPS: dict[str, tuple[str, list[str]]] = {
    "good": (COLD + "  - expect_trip: {inject: 60 A, function: overload, start: cold}", []),
    # At the default pickup of 27.5 A, 1 % and 0.1 A: it may operate from 27.129 A, and must from 27.879 A.
    "in the zone": (COLD + "  - expect_trip: {inject: ¶27.5 A, function: overload}", [
        "overload: 27.5 A lies between 27.13 A and 27.88 A, where a breaker within its declared accuracy may or "
        "may not operate (pickup 27.5 A); choose a current outside",
    ]),
    "just above the zone": (COLD + "  - expect_trip: {inject: 27.9 A, function: overload}", []),
    "below pickup": (COLD + "  - expect_trip: {inject: ¶27 A, function: overload}", [
        "below the pickup of overload, 27.5 A; nothing has to operate",
    ]),
    "in the zone of what the plan asked for": (
        "  - write_set_points: {values: {overload_pickup: 20 A}}\n" + COLD
        + "  - expect_trip: {inject: ¶20 A, function: overload}",
        ["overload: 20 A lies between 19.7 A and 20.3 A, where a breaker within its declared accuracy may or "
         "may not operate (pickup 20 A); choose a current outside"],
    ),
    "a refused write changes nothing": (
        "  - write_set_points: {values: {overload_pickup: 60 A}, refused: request_out_of_range}\n"
        + COLD + "  - expect_trip: {inject: 60 A, function: overload}", [],
    ),
    "a wrong write is said once": (
        "  - write_set_points: {values: {overload_pickup: ¶60 A}}\n" + COLD + TRIP,
        ["60 A is outside the limits, 5 A to 32 A; say 'refused: request_out_of_range' if that is the test"],
    ),
    "no current": (COLD + "  - expect_trip: {inject: ¶0 A, function: overload}", ["want more than 0 A"]),
    "negative current": (COLD + "  - expect_trip: {inject: ¶-60 A, function: overload}", ["want more than 0 A"]),
    "no slew": (COLD + "  - expect_trip: {inject: 60 A, slew: ¶0 A/s, function: overload}", ["want more than 0 A/s"]),
    "beyond what is measured": (COLD + "  - expect_trip: {inject: ¶201 A, function: overload}", [
        "beyond 200 A, which is all that the breaker measures",
    ]),
    "not closed": ("  - power_cycle: {duration: 1 s}\n  - ¶expect_trip: {inject: 60 A, function: overload}", [
        "the breaker is not known to be closed here; put '- close' before this step",
    ]),
    "open again after a trip": (COLD + TRIP + "  - ¶expect_trip: {inject: 60 A, function: overload}", [
        "the breaker is not known to be closed here; put '- close' before this step",
    ]),
    "open again after a power cycle": (
        COLD + "  - power_cycle: {duration: 1 s}\n  - ¶expect_trip: {inject: 60 A, function: overload}",
        ["the breaker is not known to be closed here; put '- close' before this step"],
    ),
    "not cold at the start of a plan": (
        "  - ¶close\n  - expect_trip: {inject: 60 A, function: overload, start: ¶cold}",
        [
            f"the breaker may refuse to close: the thermal level of overload is not known here; {COOLING}",
            f"this is no cold start: the thermal level of overload is not known here; {COOLING}",
        ],
    ),
    "not cold after a trip": (
        COLD + TRIP + "  - wait_until_cool: {level: 40 %, at_most: 5 min}\n"
        "  - open\n  - close\n  - expect_trip: {inject: 60 A, function: overload, start: ¶cold}",
        [f"this is no cold start: the thermal level of overload may be 40 %; {COOLING}"],
    ),
    "warm, and not asked to be cold": (
        COLD + TRIP + "  - wait_until_cool: {level: 40 %, at_most: 5 min}\n"
        "  - open\n  - close\n  - expect_trip: {inject: 60 A, function: overload}", [],
    ),
}  # fmt: skip

HOLDS: dict[str, tuple[str, list[str]]] = {
    "below the zone": (COLD + "  - expect_no_trip: {inject: 27 A, duration: 2 h}", []),
    "in the zone, for long": (COLD + "  - expect_no_trip: {inject: ¶27.5 A, duration: 2 h}", [
        "overload may operate within 2 h from a level of up to 0 %, so nothing can be told",
    ]),
    # The quickest good breaker takes 13.6 s: 60 s ln(x/(x - 1)) / 1.01 with x = (60.7/27.5)^2, own computation.
    "above pickup, for a short time": (COLD + "  - expect_no_trip: {inject: 60 A, duration: 10 s}", []),
    "above pickup, too long": (COLD + "  - expect_no_trip: {inject: ¶60 A, duration: 14 s}", [
        "overload may operate within 14 s from a level of up to 0 %, so nothing can be told",
    ]),
    "warmed up by the step before": (COLD + HOLD + "  - expect_no_trip: {inject: ¶60 A, duration: 10 s}", [
        "overload may operate within 10 s from a level of up to 75 %, so nothing can be told",
    ]),
    "start not known": ("  - ¶close\n  - expect_no_trip: {inject: ¶20 A, duration: 10 s}", [
        f"the breaker may refuse to close: the thermal level of overload is not known here; {COOLING}",
        f"overload may operate: the thermal level of overload is not known here; {COOLING}",
    ]),
    "no time": (COLD + "  - expect_no_trip: {inject: 20 A, duration: ¶0 s}", ["0 s: want more than 0 s"]),
}  # fmt: skip

CLOSING: dict[str, tuple[str, list[str]]] = {
    "tripped": (COLD + TRIP + "  - ¶close", [
        "the breaker is tripped here and will refuse to close; acknowledge it by '- open'",
    ]),
    "hot": (COLD + TRIP + "  - open\n  - ¶close", [
        f"the breaker may refuse to close: the thermal level of overload may be 100 %; {COOLING}",
    ]),
    "hot, and refused": (COLD + TRIP + "  - close: {refused: true}", []),
    "acknowledged, and refused": (
        COLD + TRIP + "  - open\n  - close: {refused: true}", [],
    ),
    "nothing refuses": ("  - power_cycle: {duration: 1 s}\n  - ¶close: {refused: true}", [
        "nothing will refuse this: no trip before it, and every function is below its reset level",
    ]),
    "after cooling by waiting": (
        COLD + TRIP + "  - wait: {duration: 90 s}\n  - open\n  - close", [],
    ),
    "waiting too short": (
        COLD + TRIP + "  - wait: {duration: 80 s}\n  - open\n  - ¶close",
        [f"the breaker may refuse to close: the thermal level of overload may be 52 %; {COOLING}"],
    ),
    "time to cool too short": ("  - wait_until_cool: {level: 2 %, at_most: ¶5 min}", [
        "overload may take 474.3 s to fall to 2 %: the thermal level of overload is not known here",
    ]),
    "time to cool": ("  - wait_until_cool: {level: 2 %, at_most: 8 min}", []),
    "no level": ("  - wait_until_cool: {level: ¶0 %, at_most: 8 min}", ["want more than 0 %, up to 100 %"]),
    # The declared offset of 0.1 A alone keeps a level of (0.1/27.5)^2 = 0.0013 %.
    "level that is never certain": ("  - wait_until_cool: {level: ¶0.001 %, at_most: 8 h}", [
        "overload is never certain to be below 0.001 %",
    ]),
}  # fmt: skip

PRIMARY = "  - expect_trip: {draw: %s, voltage: %s, function: overload}"
REACH: dict[str, tuple[str, list[str]]] = {
    "good": (COLD + PRIMARY % ("110 A", "700 V"), []),
    "beyond the source": (COLD + PRIMARY % ("¶121 A", "700 V"), ["beyond the source's 120 A"]),
    "beyond source and load": (COLD + PRIMARY % ("¶¶151 A", "700 V"), [
        "beyond the load's 150 A", "beyond the source's 120 A",
    ]),
    "beyond the branch": (COLD + PRIMARY % ("60 A", "¶701 V"), ["want more than 0 V, up to 700 V"]),
    "no voltage": (COLD + PRIMARY % ("60 A", "¶0 V"), ["want more than 0 V, up to 700 V"]),
    "too fast for the load": (
        COLD + "  - expect_trip: {draw: 60 A, voltage: 700 V, slew: ¶2 A/us, function: overload}",
        ["faster than bench simulated can, 1 A/us"],
    ),
}  # fmt: skip


@pytest.mark.parametrize(
    ("steps", "wanted"),
    [
        pytest.param(*case, id=f"{table}: {name}")
        for table, cases in {
            "names": NAMES, "values": VALUES, "trips": TRIPS, "holds": HOLDS, "closing": CLOSING, "reach": REACH,
        }.items()
        for name, case in cases.items()
    ],
)  # fmt: skip
def test_faults_of_a_plan(tmp_path: Path, steps: str, wanted: list[str]) -> None:
    found, places = complaints(tmp_path, steps)

    assert found == [f"{at}: {message}" for at, message in zip(places, wanted, strict=True)]


def test_rules_are_total_over_the_step_kinds() -> None:
    assert set(RULES) == set(STEP_KINDS.values())


@pytest.mark.parametrize("path", find_plans([shipped_plans()]), ids=lambda path: path.stem)
@pytest.mark.parametrize("bench", ["simulated", "served", "served_pty"])
def test_shipped_plans_are_in_order(path: Path, bench: str) -> None:
    plan = load_plan(path)

    assert check_plan(plan, load_device(plan.device), load_bench(shipped_bench(bench))) == []


@settings(max_examples=60)
@given(st.decimals("1", "190", places=2))
def test_a_trip_point_is_accepted_just_where_every_good_breaker_operates(
    tmp_path_factory: pytest.TempPathFactory, current: Decimal
) -> None:
    # 1 % and 0.1 A of the heater's profile on the default pickup of 27.5 A.
    accepted = float(current) > (27.5 + 0.1) / (1 - 0.01)
    steps = COLD + f"  - expect_trip: {{inject: {current} A, function: overload}}"

    found, _ = complaints(tmp_path_factory.mktemp("plan"), steps)

    assert (found == []) == accepted


@settings(max_examples=60)
@given(st.decimals("1", "190", places=2), st.decimals("0.1", "1000", places=1))
def test_a_hold_is_accepted_just_where_no_good_breaker_operates(
    tmp_path_factory: pytest.TempPathFactory, current: Decimal, seconds: Decimal
) -> None:
    # The quickest good breaker from cold: gain, offset and clock at their worst, t = tau ln(x/(x - 1)) / (1 + timer).
    excess = ((float(current) * 1.01 + 0.1) / 27.5) ** 2
    quickest = 60 * math.log(excess / (excess - 1)) / 1.01 if excess > 1 else math.inf
    assume(abs(quickest - float(seconds)) > 1e-6)
    steps = COLD + f"  - expect_no_trip: {{inject: {current} A, duration: {seconds} s}}"

    found, _ = complaints(tmp_path_factory.mktemp("plan"), steps)

    assert (found == []) == (float(seconds) < quickest)


def test_without_a_bench_what_depends_on_one_is_left_out(tmp_path: Path) -> None:
    assert complaints(tmp_path, COLD + PRIMARY % ("121 A", "700 V"), bench=None) == ([], [])
    assert complaints(tmp_path, COLD + PRIMARY % ("601 A", "700 V"), bench=None)[0] == [
        "8:25: beyond 200 A, which is all that the breaker measures",
        "8:25: beyond the switch's 600 A",
    ]


def test_roles_that_the_bench_does_not_have(tmp_path: Path) -> None:
    bench = replace(BENCH, injector=None, recorder=None, source=None)
    steps = COLD + "  - ¶¶expect_trip: {inject: 60 A, function: overload}\n  - close: {refused: true}\n"

    found, places = complaints(tmp_path, steps, bench)

    assert found == [f"{places[0]}: bench simulated has no injector", f"{places[0]}: bench simulated has no recorder"]


def recorder(**changes: object) -> BenchSpec:
    assert BENCH.recorder is not None
    return replace(BENCH, recorder=replace(BENCH.recorder, **changes))


RECORDERS = {
    # 60 A from cold has a band of about 1 s, from 13.6 s on: 20 samples in it are 50 ms apart, 290 up to its end.
    "too slow": (recorder(shortest_interval=1.0), "the recorder cannot resolve this"),
    "too small": (recorder(points=50), "the recorder cannot hold this"),
    "no gate": (
        recorder(channels={"injected": ChannelSpec(1, 0.0, 0.0)}),
        "the recorder of bench simulated has no channel 'gate'",
    ),
}


@pytest.mark.parametrize(("bench", "message"), RECORDERS.values(), ids=RECORDERS)
def test_recorder_that_cannot_see_the_trip(tmp_path: Path, bench: BenchSpec, message: str) -> None:
    found, _ = complaints(tmp_path, COLD + TRIP, bench)

    assert len(found) == 1
    assert found[0].startswith(f"8:5: {message}")


def test_the_clean_up_is_checked_in_the_state_that_the_steps_leave(tmp_path: Path) -> None:
    found, places = complaints(tmp_path, COLD + TRIP + "clean_up:\n  - open\n  - ¶close")

    assert found == [
        f"{places[0]}: the breaker may refuse to close: the thermal level of overload may be 100 %; {COOLING}"
    ]


def test_a_level_that_outlives_the_supply_is_not_cold_after_a_power_cycle(tmp_path: Path) -> None:
    overload = DEVICE.functions["overload"]
    device = replace(DEVICE, functions={"overload": replace(overload, kept_without_supply=True)})

    found, places = complaints(tmp_path, "  - power_cycle: {duration: 1 s}\n  - ¶close", device=device)

    assert found == [
        f"{places[0]}: the breaker may refuse to close: the thermal level of overload is not known here; {COOLING}"
    ]


def test_a_point_where_another_function_comes_first(tmp_path: Path) -> None:
    quick = replace(DEVICE.functions["overload"], name="quick", time_constant=Parameter(None, 10.0))
    device = replace(DEVICE, functions={**DEVICE.functions, "quick": quick})
    steps = COLD + "  - expect_trip: {inject: ¶60 A, function: overload}"

    found, places = complaints(tmp_path, steps, device=device)

    assert found == [f"{places[0]}: quick may operate before overload does"]
    assert complaints(tmp_path, steps.replace("overload}", "quick}"), device=device)[0] == []


def test_a_plan_for_another_device(tmp_path: Path) -> None:
    found, _ = complaints(tmp_path, "  - close", device=replace(DEVICE, name="pump"))

    assert found == ["4:9: this plan is for heater, not for pump"]
