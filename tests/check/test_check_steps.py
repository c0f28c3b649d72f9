"""What check says of steps of the diagnostic layer, of the bus and of the switch's health."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from check_bench import BENCH, HEATER, PUMP, complaints

from harness.check import predict
from harness.plan.plan import load_plan
from protocol.device import Device

CLOSE = "  - power_cycle: {duration: 1 s}\n  - close\n"
POWER = "  - power_cycle: {duration: 1 s}\n"
PLAN_KNOWS = "a plan must know what changes the breaker; say it by the step"

HEATER_CASES: dict[str, tuple[str, list[str]]] = {
    "health": (
        CLOSE + "  - check_health: {voltage_drop: {draw: 20 A, voltage: 700 V, at_most: 1 V}}\n  - open\n"
        "  - check_health: {leakage: {voltage: 700 V, at_most: 2 mA}, zero: {at_most: 100 mA}}", [],
    ),
    "drop of an open switch": (POWER + "  - ¶check_health: {voltage_drop: {draw: 2 A, voltage: 700 V, at_most: 1 V}}", [
        "the breaker is not known to be closed here; put '- close' before this step",
    ]),
    "leakage of a closed switch": (CLOSE + "  - ¶check_health: {leakage: {voltage: 700 V, at_most: 2 mA}}", [
        "the breaker is not known to be open here; put '- open' before this step",
    ]),
    "beyond the ratings": (
        CLOSE + "  - check_health: {voltage_drop: {draw: ¶26 A, voltage: ¶701 V, at_most: ¶0 V}}",
        ["want more than 0 A, up to the rated 25 A", "want more than 0 V, up to 700 V", "0 V: want more than 0"],
    ),
    "session": ("  - start_session: {session: ¶extendet}", [
        "unknown session 'extendet'; want one of default, extended; did you mean 'extended'?",
    ]),
    "no lock": ("  - ¶unlock", ["heater has no security access"]),
    "no modes": ("  - ¶set_mode: {mode: drive}", ["heater has no operating modes"]),
    "request": ("  - request: {payload: 22 F1 89, answer: 62 F1 89 .. ...}", []),
    "answer to another request": ("  - request: {payload: 22 F1 89, answer: ¶61 F1}", [
        "a positive answer to 0x22 begins with 0x62",
    ]),
    "negative answer by bytes": ("  - request: {payload: 22 F1 89, answer: ¶7F 22 31}", [
        "a negative answer is said by 'refused'",
    ]),
    "answer for a request": ("  - request: {payload: ¶62 F1 89, silent: true}", [
        "0x62 is no service identifier of a request",
    ]),
    "write behind the plan": ("  - request: {payload: ¶2E 01 01 07 D0, answer: 6E 01 01}", [
        f"{PLAN_KNOWS} write_set_points",
    ]),
    "write that is refused": (
        "  - request: {payload: 2E 01 01 07, refused: incorrect_length_or_format}", [],
    ),
    "seed by bytes": ("  - request: {payload: 27 01, answer: 67 01 00 00 00 00}", []),
    "key by bytes": ("  - request: {payload: ¶27 02 00 00 00 00, answer: 67 02}", [f"{PLAN_KNOWS} unlock"]),
    "refused by an unknown name": ("  - request: {payload: 3E 00, refused: ¶no_way}", None),
    "functional": ("  - request: {payload: 3E 80, functional: true, silent: true}", []),
    "functional with an answer": ("  - request: {payload: 3E 00, functional: ¶true, answer: 7E 00}", [
        "nobody answers a functional request; want silent: true",
    ]),
    "functional, too long": (
        "  - request: {payload: ¶22 F1 89 F1 8C F1 90, functional: true, silent: true}",
        ["7 bytes; a request has 6 at most"],
    ),
    "another node": ("  - request: {payload: 3E 00, nad: 0x44, silent: true}", []),
    "another node that answers": ("  - request: {payload: 3E 00, nad: ¶0x44, answer: 7E 00}", [
        "0x44 is not the node's address; want silent: true",
    ]),
    "no node": ("  - request: {payload: 3E 00, nad: ¶0x00, silent: true}", ["0x00 is no address of a node"]),
    "disturbed response": ("  - disturb: {kind: wrong_checksum, frame: HeaterCommand, count: 3}", []),
    "response that the node sends": ("  - disturb: {kind: short_response, frame: ¶HeaterStatus}", [
        "HeaterBreaker sends the response of HeaterStatus, so the node does not hear it; want a frame of "
        "GroomerGateway",
    ]),
    "header of a frame of the node": ("  - disturb: {kind: wrong_parity, frame: HeaterStatus}", []),
    "unknown frame": ("  - disturb: {kind: bad_sync, frame: ¶HeaterStat}", None),
    "bytes of no frame": ("  - disturb: {kind: stray_bytes, frame: ¶HeaterStatus}", [
        "stray bytes belong to no frame",
    ]),
    "routine": ("  - run_routine: {routine: self_test, result: '00'}", []),
    "result that no good breaker has": ("  - run_routine: {routine: self_test, result: ¶'01'}", [
        "a good breaker's result is 00",
    ]),
    "unknown routine": ("  - run_routine: {routine: ¶selftest}", None),
    "asleep while closed": (CLOSE + "  - ¶sleep_and_wake", [
        "the breaker is not known to be open here; put '- open' before this step",
    ]),
    "asleep": (POWER + "  - sleep_and_wake: {duration: 2 s}", []),
    "power cuts": (POWER + "  - power_cut: {values: {overload_pickup: 20 A}}", []),
    "power cuts of a write that changes nothing": (POWER + "  - power_cut: {values: {overload_pickup: ¶27.5 A}}", [
        "overload_pickup is 27.5 A already, so old and new cannot be told apart",
    ]),
    "power cuts of a refused write": (POWER + "  - power_cut: {values: {overload_pickup: ¶33 A}}", [
        "33 A is outside the limits, 5 A to 32 A; say 'refused: request_out_of_range' if that is the test",
    ]),
    "record that is not kept": ("  - check_snapshot: {code: overload, record: ¶first}", [
        "heater keeps no first record",
    ]),
    "bit set and clear": (
        "  - check_codes: {codes: {overload: [confirmed]}, without: {overload: [¶confirmed], ¶junction_hot: []}}",
        ["confirmed of overload is wanted both set and clear",
         "junction_hot is not among the codes that must be there"],
    ),
    "write refused for no reason of a good breaker": (
        "  - write_set_points: {values: {overload_pickup: 20 A}, refused: ¶general_reject}",
        ["no good breaker refuses a write of set-points with general_reject; want one of request_out_of_range, "
         "conditions_not_correct, security_access_denied"],
    ),
    "write that needs no key": (
        "  - write_set_points: {values: {overload_pickup: 20 A}, refused: ¶security_access_denied}",
        ["writing needs no key on heater"],
    ),
    "a place in a loop": (
        "  - for_each: {over: {current: [30 A, 27.5 A]}, steps: [power_cycle: {duration: 1 s}, close, "
        "expect_trip: {name: at, inject: ¶$current, function: overload}]}",
        ["overload: 27.5 A lies between 27.13 A and 27.88 A, where a breaker within its declared accuracy may or may "
         "not operate (pickup 27.5 A); choose a current outside; in at[current=27.5 A]"],
    ),
}  # fmt: skip

WRONG = "  - unlock: {wrong_key: true}\n"
PUMP_CASES: dict[str, tuple[str, list[str]]] = {
    "keys": (
        WRONG * 2 + "  - unlock: {wrong_key: true, refused: exceeded_attempts}\n"
        "  - unlock: {refused: required_time_delay_not_expired}\n  - wait: {duration: 10 s}\n  - unlock", [],
    ),
    "a wrong key too many": (WRONG * 2 + "  - ¶unlock: {wrong_key: true}", [
        "a good breaker answers exceeded_attempts here, not invalid_key",
    ]),
    "a right key starts the count anew": (WRONG * 2 + "  - unlock\n" + WRONG, []),
    "locked for nothing": ("  - ¶unlock: {refused: required_time_delay_not_expired}", [
        "a good breaker answers that the key is taken here, not required_time_delay_not_expired",
    ]),
    "level": ("  - unlock: {level: ¶3}", ["the profile's level is 0x01"]),
    "routine behind the plan": ("  - request: {payload: ¶31 01 03 01, answer: 71 01 03 01 ...}", [
        f"{PLAN_KNOWS} run_routine",
    ]),
    "write without a key": (
        "  - write_set_points: {values: {overload_multiplier: 50 %}, refused: security_access_denied}", [],
    ),
}  # fmt: skip


@pytest.mark.parametrize(
    ("device", "steps", "wanted"),
    [
        pytest.param(device, *case, id=f"{device.name}: {name}")
        for device, cases in ((HEATER, HEATER_CASES), (PUMP, PUMP_CASES))
        for name, case in cases.items()
    ],
)
def test_steps(tmp_path: Path, device: Device, steps: str, wanted: list[str] | None) -> None:
    found, places = complaints(tmp_path, steps, device)

    if wanted is None:  # an unknown name: its place, and the names there are
        assert len(found) == 1
        assert found[0].startswith(f"{places[0]}: unknown ")
        assert "; want one of " in found[0]
    else:
        assert found == [f"{at}: {message}" for at, message in zip(places, wanted, strict=True)]


def test_a_bench_without_the_role_the_channel_or_the_key(tmp_path: Path) -> None:
    assert BENCH.recorder is not None
    bare = replace(BENCH, ntc=None, commands={}, recorder=replace(BENCH.recorder, channels={}))
    heat = CLOSE + "  - expect_trip: {heat_sink: 100 degC, function: heat_sink}"

    assert [line.partition(": ")[2] for line in complaints(tmp_path, heat, bench=bare)[0]] == [
        "bench simulated has no ntc",
        "the recorder of bench simulated has no channel 'gate'",
        "the recorder of bench simulated has no channel 'heat_sink'",
        "heat_sink_sensor may operate before heat_sink does",  # nobody says how fast the temperature moves
    ]
    assert complaints(tmp_path, "  - unlock", PUMP, bare)[0] == [
        "6:5: bench simulated has no command 'key' to make the key with"
    ]


def test_without_a_bench_the_device_alone_is_checked(tmp_path: Path) -> None:
    assert complaints(tmp_path, "  - unlock", PUMP, None)[0] == []


def test_cost_of_writes_keys_and_shots(tmp_path: Path) -> None:
    path = tmp_path / "plan.yaml"
    path.write_text(
        "format: 1\nname: x\ntitle: y\ndevice: pump\nsteps:\n"
        "  - unlock\n"
        "  - write_set_points: {values: {overload_pickup_drive: 60 A, overload_multiplier: 50 %}}\n"  # one record
        "  - power_cut: {values: {overcurrent_delay: 10 ms}, instants: 5}\n"
        "  - expect_no_trip: {inject: 1 A, duration: 1 s}\n"
        "  - check_health: {zero: {at_most: 1 A}}\n"
    )
    cost = predict([load_plan(path)], PUMP, BENCH).plans[0]

    assert cost.writes == 1 + (2 * 5 + 5) + 2  # the last two put back what was found
    assert cost.keys == 1 + 1 + 1 + 1
    assert cost.shots == 2
