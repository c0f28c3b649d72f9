"""The diagnostic server through its node, message by message: bytes by hand from the service tables of tests/vectors
(ISO 14229-1). Refusals and their order are from memory of that standard."""

from __future__ import annotations

from dataclasses import replace

import pytest
from node_bench import STATUS, Bench, heater


@pytest.fixture
def bench() -> Bench:
    return Bench()


@pytest.fixture
def extended(bench: Bench) -> Bench:
    """A bench whose node is in the extended session."""
    assert bench.ask("10 03") == "50 03 00 32 00 C8"  # P2 50 ms, P2* 200 * 10 ms
    return bench


# Sessions


@pytest.mark.parametrize(
    ("request_", "answer"),
    [
        pytest.param("10 01", "50 01 00 32 00 C8", id="default"),
        pytest.param("10 03", "50 03 00 32 00 C8", id="extended"),
        pytest.param("10 02", "7F 10 12", id="no programming session"),
        pytest.param("10", "7F 10 13", id="no sub-function"),
        pytest.param("10 03 00", "7F 10 13", id="too long"),
        pytest.param("27 01", "7F 27 11", id="no security"),
        pytest.param("28 03 01", "7F 28 11", id="no communication control"),
        pytest.param("2E 01 01 0A BE", "7F 2E 7F", id="write"),
        pytest.param("2F 01 01 03", "7F 2F 7F", id="I/O control"),
        pytest.param("31 01 02 03", "7F 31 7F", id="routine"),
        pytest.param("85 02", "7F 85 7F", id="code setting"),
        pytest.param("3E 00", "7E 00", id="tester present"),
        pytest.param("3E 01", "7F 3E 12", id="tester present, sub-function"),
        pytest.param("3E 00 00", "7F 3E 13", id="tester present, length"),
        pytest.param("11 02", "7F 11 12", id="key off on"),
        pytest.param("11", "7F 11 13", id="reset, length"),
        pytest.param("14 FF FF", "7F 14 13", id="clear, length"),
        pytest.param("14 FF FF FF 00", "7F 14 13", id="clear, too long"),
        pytest.param("14 12 34 56", "7F 14 31", id="clear, another code"),
        pytest.param("19", "7F 19 13", id="read codes, no sub-function"),
        pytest.param("19 03", "7F 19 12", id="read codes, sub-function"),
        pytest.param("19 02", "7F 19 13", id="read codes, length"),
        pytest.param("19 04 12 34 56 01", "7F 19 31", id="snapshot, another code"),
        pytest.param("19 04 9A 01 19 02", "7F 19 31", id="snapshot, another record"),
        pytest.param("19 06 9A 01 19 02", "7F 19 31", id="extended data, another record"),
        pytest.param("22", "7F 22 13", id="read nothing"),
        pytest.param("22 01", "7F 22 13", id="read half an identifier"),
        pytest.param("22 F1 90", "7F 22 31", id="read an unknown identifier"),
    ],
)
def test_answers_in_the_default_session(bench: Bench, request_: str, answer: str) -> None:
    assert bench.ask(request_) == answer


@pytest.mark.parametrize(
    ("request_", "answer"),
    [
        pytest.param("2E 01 01", "7F 2E 13", id="write, no data"),
        pytest.param("2E 02 01 00", "7F 2E 31", id="write a live value"),
        pytest.param("2E F1 89 00", "7F 2E 31", id="write an identification"),
        pytest.param("2E 01 01 0A", "7F 2E 13", id="write, too short"),
        pytest.param("2E 01 04 50 00", "7F 2E 13", id="write, too long"),
        pytest.param("2E 01 01 01 F3", "7F 2E 31", id="pickup below 5 A"),
        pytest.param("2E 01 01 01 F4", "6E 01 01", id="pickup 5 A"),
        pytest.param("2E 01 01 0C 80", "6E 01 01", id="pickup 32 A"),
        pytest.param("2E 01 01 0C 81", "7F 2E 31", id="pickup above 32 A"),
        pytest.param("2E 01 04 0A", "6E 01 04", id="reset level 5 %"),
        pytest.param("2E 01 04 B5", "7F 2E 31", id="reset level above 90 %"),
        pytest.param("2F 01 01", "7F 2F 13", id="I/O control, length"),
        pytest.param("2F 01 01 03", "7F 2F 31", id="I/O control, no output"),
        pytest.param("2F 01 01 03 55", "7F 2F 31", id="I/O control, no output, with a state"),
        pytest.param("31 01 02", "7F 31 13", id="routine, length"),
        pytest.param("31 01 02 04", "7F 31 31", id="another routine"),
        pytest.param("31 02 02 03", "7F 31 12", id="stop the self-test"),
        pytest.param("31 01 02 03 00", "7F 31 13", id="self-test with an option"),
        pytest.param("31 03 02 03", "7F 31 24", id="result before a run"),
        pytest.param("85 01", "C5 01", id="codes on"),
        pytest.param("85 02", "C5 02", id="codes off"),
        pytest.param("85 03", "7F 85 12", id="codes, sub-function"),
        pytest.param("27 01", "7F 27 11", id="no security"),
    ],
)
def test_answers_in_the_extended_session(extended: Bench, request_: str, answer: str) -> None:
    assert extended.ask(request_) == answer


@pytest.mark.parametrize("request_", ["10 81", "10 83", "19 8A", "3E 80", "85 81"])
def test_suppressed_answer(extended: Bench, request_: str) -> None:
    assert extended.ask(request_) == ""


def test_suppressed_answer_is_none_and_the_request_is_served(bench: Bench) -> None:
    assert bench.ask("10 83") == ""
    assert bench.ask("2E 01 04 0A") == "6E 01 04"


def test_suppression_covers_no_negative_answer(bench: Bench) -> None:
    assert bench.ask("3E 81") == "7F 3E 12"
    assert bench.ask("85 82") == "7F 85 7F"


def test_session_ends_s3_after_the_last_answer(extended: Bench) -> None:
    extended.wait(4.9)
    assert extended.ask("2E 01 04 0A") == "6E 01 04"
    extended.wait(5.0)

    assert extended.ask("2E 01 04 0A") == "7F 2E 7F"


@pytest.mark.parametrize("nad", [0x0A, 0x7E])
def test_tester_present_keeps_the_session(extended: Bench, nad: int) -> None:
    for _ in range(4):
        extended.wait(3)
        extended.send("3E 80", nad)
    extended.wait(3)

    assert extended.ask("2E 01 04 0A") == "6E 01 04"


def test_session_does_not_outlast_a_power_cycle(extended: Bench) -> None:
    extended.power_cycle()

    assert extended.ask("2E 01 04 0A") == "7F 2E 7F"


def test_functional_session_request_is_served_without_an_answer(bench: Bench) -> None:
    assert bench.ask("10 03", nad=0x7E) == ""
    assert bench.ask("2E 01 04 0A") == "6E 01 04"


# Data


@pytest.mark.parametrize(
    ("request_", "answer"),
    [
        pytest.param("22 01 01", "62 01 01 0A BE", id="pickup 27.5 A"),
        pytest.param("22 01 02", "62 01 02 02 58", id="time constant 60 s"),
        pytest.param("22 01 03", "62 01 03 04 B0", id="cooling time constant 120 s"),
        pytest.param("22 01 04", "62 01 04 64", id="reset level 50 %"),
        pytest.param("22 02 02", "62 02 02 34 BC", id="supply 13.5 V"),
        pytest.param("22 F1 89", "62 F1 89 31 2E 34 2E 32", id="version 1.4.2"),
    ],
)
def test_reads(bench: Bench, request_: str, answer: str) -> None:
    assert bench.ask(request_) == answer


def test_reads_current_both_ways(bench: Bench) -> None:
    bench.run(50, 0.02)
    assert bench.ask("22 02 03") == "62 02 03 13 88"
    bench.run(-10, 0.02)
    assert bench.ask("22 02 03") == "62 02 03 FC 18"


def test_reads_thermal_level(bench: Bench) -> None:
    """27.5 A for one time constant: 63.21 % of 6000 slow tasks, which step by Euler, within 0.1 %."""
    bench.run(27.5, 60)

    assert int(bench.ask("22 02 01")[9:].replace(" ", ""), 16) == pytest.approx(6321, abs=10)


def test_answer_of_more_than_the_buffer_is_refused(bench: Bench) -> None:
    """63 records of 4 bytes and the service identifier are 253 bytes, 64 are 257; the buffer has 255."""

    def read(times: int, more: str = "") -> str:
        payload = bytes.fromhex("22" + "02 02" * times + more)
        pdus = [bytes([0x0A, 0x10, len(payload)]) + payload[:5]]
        rest = [payload[at : at + 6] for at in range(5, len(payload), 6)]
        pdus += [(bytes([0x0A, 0x20 | n & 0xF]) + part).ljust(8, b"\xff") for n, part in enumerate(rest, 1)]
        for pdu in pdus:
            bench.send_pdu(pdu)
        return bench.answer()

    assert read(64) == "7F 22 14"
    assert read(63) == "62" + " 02 02 34 BC" * 63
    assert read(62, "01 04" * 2) == "62" + " 02 02 34 BC" * 62 + " 01 04 64" * 2  # 255
    assert read(63, "01 04") == "7F 22 14"  # 256


def test_written_set_point_is_read_back_and_in_force(extended: Bench) -> None:
    assert extended.ask("2E 01 01 01 F4") == "6E 01 01"
    assert extended.ask("22 01 01") == "62 01 01 01 F4"

    extended.close()
    extended.run(10, 17)  # twice 5 A trips after 60 s * ln(4/3) = 17.26 s
    before = extended.firmware.gate
    extended.run(10, 0.5)

    assert (before, extended.firmware.gate) == (True, False)


def test_refused_write_changes_nothing(extended: Bench) -> None:
    extended.ask("2E 01 01 0C 81")

    assert extended.ask("22 01 01") == "62 01 01 0A BE"


def test_set_points_outlast_a_power_cycle(extended: Bench) -> None:
    extended.ask("2E 01 01 01 F4")
    extended.ask("2E 01 03 00 14")

    extended.power_cycle()

    assert extended.ask("22 01 01") == "62 01 01 01 F4"
    assert extended.ask("22 01 03") == "62 01 03 00 14"
    assert extended.ask("22 01 02") == "62 01 02 02 58"
    assert extended.firmware.set_points["overload_pickup"] == 500


def test_unit_never_written_to_has_its_defaults_over_a_power_cycle(bench: Bench) -> None:
    bench.power_cycle()

    assert bench.ask("22 01 01") == "62 01 01 0A BE"
    assert bench.ask("22 01 04") == "62 01 04 64"


def test_set_points_may_be_written_closed_and_tripped(extended: Bench) -> None:
    extended.close()
    assert extended.ask("2E 01 01 0C 80") == "6E 01 01"
    assert extended.firmware.gate is True
    extended.run(120, 5)
    extended.ask("10 03")

    assert extended.ask("2E 01 01 0A BE") == "6E 01 01"
    assert extended.header(STATUS)[:2] == "F2"  # tripped still


# Routines


def test_self_test(extended: Bench) -> None:
    started_ns = extended.clock.now_ns()
    assert extended.ask("31 01 02 03") == "7F 31 78"
    assert extended.answer() == "71 01 02 03 00"
    assert extended.clock.now_ns() - started_ns > 300_000_000
    assert extended.ask("31 03 02 03") == "71 03 02 03 00"


def test_suppressed_self_test_is_answered_because_pending_was_sent(extended: Bench) -> None:
    """ISO 14229-1: 'response pending' cancels the suppression."""
    assert extended.ask("31 81 02 03") == "7F 31 78"
    assert extended.answer() == "71 01 02 03 00"


def test_self_test_result_is_forgotten_without_supply(extended: Bench) -> None:
    extended.ask("31 01 02 03")
    extended.answer()
    assert extended.ask("31 83 02 03") == ""
    extended.power_cycle()
    extended.ask("10 03")

    assert extended.ask("31 03 02 03") == "7F 31 24"


def test_self_test_finds_current_through_the_open_switch(extended: Bench) -> None:
    extended.run(30, 0.02)
    extended.ask("31 01 02 03")

    assert extended.answer() == "71 01 02 03 02"


def test_self_test_finds_a_write_cut_off(extended: Bench) -> None:
    extended.send("2E 01 01 01 F4")
    extended.wait(0.005)
    extended.power_cycle()
    extended.ask("10 03")
    extended.ask("31 01 02 03")

    assert extended.answer() == "71 01 02 03 01"


def test_self_test_is_refused_while_closed(extended: Bench) -> None:
    extended.close()

    assert extended.ask("31 01 02 03") == "7F 31 22"
    assert extended.ask("31 03 02 03") == "7F 31 24"


# Another profile


def test_services_are_those_that_profile_and_firmware_both_have() -> None:
    """27 stands in the profile only, 2F in the firmware only."""
    sessions = {
        name: replace(session, services=session.services - {0x2F} | {0x27})
        for name, session in heater().sessions.items()
    }
    bench = Bench(device=replace(heater(), sessions=sessions))

    assert bench.ask("27 01") == "7F 27 11"
    assert bench.ask("2F 01 01 03") == "7F 2F 11"
