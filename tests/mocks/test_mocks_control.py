"""Groups, I/O control, routines and modes, message by message: bytes by hand from the profiles and the service tables
of tests/vectors (ISO 14229-1). Refusals and their order are from memory of that standard."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import pytest
from node_bench import Bench, PumpBench

from protocol.device import Constraint

DEFAULTS = "28 05 B8 01 64"  # 66 A = 1320 and 22 A = 440 in steps of 50 mA, least significant byte first; 100 %


@pytest.fixture
def pump() -> PumpBench:
    bench = PumpBench()
    bench.unlock()
    return bench


@pytest.fixture
def heater() -> Bench:
    bench = Bench()
    bench.ask("10 03")
    return bench


# Groups


def test_group_is_read_as_a_whole(pump: PumpBench) -> None:
    assert pump.ask("22 20 01") == f"62 20 01 {DEFAULTS}"
    assert pump.ask("22 20 10") == "62 20 10 60 09 32 00"  # 240 A = 2400 steps of 0.1 A, 50 ms
    assert pump.ask("22 20 30") == "62 20 30 8C"  # 100 degC stand as 140


def test_group_is_written_as_a_whole(pump: PumpBench) -> None:
    assert pump.finish("2E 20 01 B0 04 90 01 32") == "6E 20 01"  # 60 A, 20 A, 50 %
    pump.power_cycle()

    assert pump.ask("22 20 01") == "62 20 01 B0 04 90 01 32"
    assert pump.ask("22 20 10") == "62 20 10 60 09 32 00"


@pytest.mark.parametrize(
    ("record", "code"),
    [
        pytest.param("B0 04 90 01", "13", id="too short"),
        pytest.param("B0 04 90 01 32 00", "13", id="too long"),
        pytest.param("B0 04 90 01 04", "31", id="multiplier below 5 %"),
        pytest.param("B0 04 90 01 97", "31", id="multiplier above 150 %"),
        pytest.param("41 06 90 01 32", "31", id="drive above 80 A"),
        pytest.param("B0 04 C7 00 32", "31", id="charge below 10 A"),
        pytest.param("90 01 90 01 32", "31", id="charge not below drive"),
        pytest.param("8F 01 90 01 32", "31", id="drive below 20 A and charge above it"),
    ],
)
def test_group_refused_changes_nothing(pump: PumpBench, record: str, code: str) -> None:
    assert pump.finish(f"2E 20 01 {record}") == f"7F 2E {code}"
    assert pump.ask("22 20 01") == f"62 20 01 {DEFAULTS}"


def test_constraint_holds_by_one_step(pump: PumpBench) -> None:
    assert pump.finish("2E 20 01 91 01 90 01 32") == "6E 20 01"  # 20.05 A and 20 A


def test_constraint_between_codings(pump: PumpBench) -> None:
    """The limit stands as degC + 40 in u8, 100 degC by default; the warning as 0.1 degC in u16."""
    limit = pump.device.set_points["heat_sink_limit"]
    field = replace(limit.field, name="above", type="u16", scale=Fraction(1, 10), offset=Fraction(0))
    above = replace(limit, name="above", did=0x2031, field=field, maximum=Fraction(200), default=Fraction(150))
    points = {**pump.device.set_points, "above": above}
    constraints = (Constraint("heat_sink_limit", "above"),)
    bench = PumpBench(device=replace(pump.device, set_points=points, constraints=constraints))
    bench.unlock()

    assert bench.finish("2E 20 31 E8 03") == "7F 2E 31"  # 100 degC
    assert bench.finish("2E 20 31 E9 03") == "6E 20 31"
    assert bench.finish("2E 20 30 8D") == "7F 2E 31"  # 101 degC


def test_group_is_not_written_while_closed(pump: PumpBench) -> None:
    pump.order(0x13)

    assert pump.firmware.gate is True
    assert pump.finish("2E 20 01 B0 04 90 01 32") == "7F 2E 22"
    pump.order(0x15)
    assert pump.finish("2E 20 01 B0 04 90 01 32") == "6E 20 01"


# I/O control: the heater's heat sink (0401, s16 of 0.1 degC) and bus (0402, u16 of 0.1 V)


@pytest.mark.parametrize(
    ("request_", "answer"),
    [
        pytest.param("2F 04 01 03 02 58", "6F 04 01 03 02 58", id="heat sink 60 degC"),
        pytest.param("2F 04 01 03 FF 9C", "6F 04 01 03 FF 9C", id="heat sink -10 degC"),
        pytest.param("2F 04 02 03 1B 58", "6F 04 02 03 1B 58", id="bus 700 V"),
        pytest.param("2F 04 01 00", "6F 04 01 00 00 FA", id="return: the real 25 degC"),
        pytest.param("2F 04 01 03 02", "7F 2F 13", id="adjust, too short"),
        pytest.param("2F 04 01 03", "7F 2F 13", id="adjust, nothing"),
        pytest.param("2F 04 01 00 02 58", "7F 2F 13", id="return, with a state"),
        pytest.param("2F 04 01 01", "7F 2F 31", id="reset to default"),
        pytest.param("2F 04 01 02", "7F 2F 31", id="freeze"),
        pytest.param("2F 02 04 03 02 58", "7F 2F 31", id="a live value"),
    ],
)
def test_io_control(heater: Bench, request_: str, answer: str) -> None:
    assert heater.ask(request_) == answer


def test_io_control_in_another_coding() -> None:
    """Degrees and 40 in a byte, where the firmware counts tenths of a degree."""
    device = Bench().device
    control = device.controls["heat_sink"]
    field = replace(control.field, type="u8", scale=Fraction(1), offset=Fraction(-40))
    bench = Bench(device=replace(device, controls={"heat_sink": replace(control, field=field)}))
    bench.ask("10 03")

    assert bench.ask("2F 04 01 03 64") == "6F 04 01 03 64"
    assert bench.firmware.readings()["heat_sink_temperature"] == 600
    assert bench.ask("2F 04 01 03 00") == "6F 04 01 03 00"
    assert bench.firmware.readings()["heat_sink_temperature"] == -400


def test_adjusted_value_is_what_the_breaker_works_with(heater: Bench) -> None:
    heater.ask("2F 04 01 03 02 58")
    assert heater.ask("22 02 04") == "62 02 04 02 58"
    assert heater.ask("22 04 01") == "62 04 01 02 58"
    assert heater.ask("2F 04 01 00") == "6F 04 01 00 00 FA"

    assert heater.ask("22 02 04") == "62 02 04 00 FA"


@pytest.mark.parametrize("end", ["10 01", "10 03", "11 01", "s3", "supply"])
def test_control_comes_back_with(heater: Bench, end: str) -> None:
    heater.ask("2F 04 01 03 02 58")
    heater.ask("2F 04 02 03 1B 58")
    if end == "s3":
        heater.wait(5.1)
    elif end == "supply":
        heater.power_cycle()
    else:
        heater.ask(end)
        heater.wait(0.2)
    at_once = heater.firmware.capture("")

    assert (at_once.heat_sink_temperature, at_once.bus_voltage) == (250, 0)


def test_control_is_kept_with_the_session(heater: Bench) -> None:
    heater.ask("2F 04 01 03 02 58")
    for _ in range(3):
        heater.wait(3)
        heater.send("3E 80")
    heater.wait(4)

    assert heater.firmware.capture("").heat_sink_temperature == 600


# Routines


def test_routine_takes_its_time(pump: PumpBench) -> None:
    started_ns = pump.clock.now_ns()
    assert pump.finish("31 01 03 01") == "71 01 03 01 01"
    assert 50_000_000 < pump.clock.now_ns() - started_ns < 130_000_000
    assert pump.finish("31 03 03 01") == "71 03 03 01 01"


def test_routine_without_a_result(heater: Bench) -> None:
    assert heater.ask("31 03 02 04") == "7F 31 24"
    assert heater.finish("31 01 02 04") == "71 01 02 04"
    assert heater.finish("31 03 02 04") == "71 03 02 04"


def test_release_is_the_firmwares(heater: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    released: list[bool] = []
    monkeypatch.setattr(heater.firmware, "release_lockout", lambda: released.append(True))
    heater.finish("31 01 02 03")
    assert released == []
    heater.finish("31 01 02 04")

    assert released == [True]


# Mode


def test_mode_is_that_of_the_last_command_frame(pump: PumpBench) -> None:
    modes = [pump.firmware.mode]
    for payload in (0x20, 0x10, 0x23):
        pump.order(payload)
        modes.append(pump.firmware.mode)

    assert modes == [1, 2, 1, 2]
    assert pump.firmware.gate is True


def test_bad_frame_changes_no_mode(pump: PumpBench) -> None:
    pump.frame(0xF0, "20 00")

    assert pump.firmware.mode == 1


def test_frames_of_the_master_are_heard(heater: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    heard: list[int] = []
    monkeypatch.setattr(heater.firmware, "frame_heard", lambda: heard.append(heater.clock.now_ns()))
    heater.frame(0x61, "FC FF A1")
    heater.send("3E 80")
    assert len(heard) == 2
    heater.frame(0x61, "FC FF A2")  # checksum
    heater.header(0xE2)
    heater.header(0x7D)

    assert len(heard) == 2
