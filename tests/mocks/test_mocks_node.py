"""The node on the wire, against literal frames: identifiers and node configuration bytes from the LIN tables of
tests/vectors (LIN 2.1), adapted to this node (NAD 0A, supplier 7FFE, function 0025, variant 1), checksums by hand."""

from __future__ import annotations

import pytest
from node_bench import ANSWER, BIT_NS, BREAK, COMMAND, INFO, REQUEST, STATUS, Bench

# off, open, no cause, 0 A (8000), unused bits 1: E2 + 80 + 00 + 40 + DF + .. + 7F, carried, is 03
HEALTHY = "80 00 40 DF 00 FF FF 7F FC"
ERROR = "80 00 40 DF 00 FF FF FF 7C"  # the same with HtrRespErr, bit 63
ON = "89 00 40 DF 00 FF FF 7F F3"


@pytest.fixture
def bench() -> Bench:
    return Bench()


def test_status_frame_at_power_up(bench: Bench) -> None:
    assert bench.header(STATUS) == HEALTHY


def test_info_frame(bench: Bench) -> None:
    """Software 0x0142; uptime in seconds, of a life of 65536 s and 7 more: 42 01 07 00, A3 + 4A = ED."""
    bench.firmware.uptime_ms = 65_543_000

    assert bench.header(INFO) == "42 01 07 00 12"


def test_status_frame_of_a_hot_breaker(bench: Bench) -> None:
    """50 A for 10 s of 60 s: (50/27.5)² (1 - exp(-1/6)) = 0.5075; half of 100 % bars closing (hot), pickup is on."""
    bench.run(50, 10)

    state, cause, *current, heat = bytes.fromhex(bench.header(STATUS))[:5]
    assert (state, cause) == (0b1101_0000, 0)
    assert int.from_bytes(bytes(current), "little") & 0x3FFF == (50 + 200) / 0.025
    assert heat in (101, 102)  # in 0.5 %


def test_status_frame_of_a_tripped_breaker(bench: Bench) -> None:
    bench.trip()
    bench.run(0, 0.01)

    assert bench.header(STATUS)[:5] == "E2 01"  # tripped, open, hot; overload


def test_response_times(bench: Bench) -> None:
    """Response space within 1/2 to 2 bit times, then 9 bytes of 10 bit times; all within LIN 2.1 §2.3.2."""
    bench.header(STATUS)

    header_ns, response_ns = bench.ends[-2:]

    space_ns = response_ns - header_ns - 90 * BIT_NS
    assert 0.4 * BIT_NS < space_ns < 2.1 * BIT_NS


def test_units_differ_in_response_space() -> None:
    benches = [Bench(seed) for seed in range(8)]
    for each in benches:
        each.header(STATUS)

    assert len({each.ends[-1] - each.ends[-2] for each in benches}) > 3


def test_header_byte_by_byte_is_a_header(bench: Bench) -> None:
    for symbol in (BREAK, 0x55):
        bench.carry(symbol)

    assert bench.header(STATUS) == HEALTHY  # a new break begins anew
    for symbol in (BREAK, 0x55, STATUS):
        bench.carry(symbol)
    bench.heard.clear()
    bench.wait(0.01)
    assert bytes(bench.heard).hex(" ").upper() == HEALTHY


@pytest.mark.parametrize(
    "symbols",
    [
        pytest.param((BREAK, 0x54, STATUS), id="sync"),
        pytest.param((BREAK, 0x55, STATUS ^ 0x40), id="parity P0"),
        pytest.param((BREAK, 0x55, STATUS ^ 0x80), id="parity P1"),
        pytest.param((BREAK, 0x55, STATUS ^ 0xC0), id="both parity bits"),
        pytest.param((BREAK, 0x55, 0x200 | STATUS), id="stop bit"),
        pytest.param((0x55, STATUS), id="no break"),
        pytest.param((BREAK, STATUS), id="no sync"),
        pytest.param((BREAK, 0x55, 0xFE), id="reserved id 3E"),
        pytest.param((BREAK, 0x55, 0x50), id="another node's id"),
    ],
)
def test_no_answer_and_no_error_for(bench: Bench, symbols: tuple[int, ...]) -> None:
    bench.carry(*symbols)
    bench.heard.clear()
    bench.wait(0.02)

    assert bench.heard == []
    assert bench.header(STATUS) == HEALTHY


def test_command_closes_and_opens(bench: Bench) -> None:
    bench.frame(COMMAND, "FE FF 9F")
    closed = bench.header(STATUS)
    bench.frame(COMMAND, "FD FF A0")

    assert closed == ON
    assert bench.header(STATUS) == HEALTHY


def test_status_is_of_the_header_not_of_an_earlier_moment(bench: Bench) -> None:
    bench.frame(COMMAND, "FE FF 9F")
    bench.clock.at(bench.clock.now_ns() + 34 * BIT_NS - 1, lambda: bench.firmware.command(1))

    assert bench.header(STATUS) == HEALTHY


@pytest.mark.parametrize(
    "response",
    [
        pytest.param("FE FF 9E", id="checksum"),
        pytest.param("FE FF 00", id="classic checksum"),  # ~FE
        pytest.param("FE FF", id="cut before the checksum"),
        pytest.param("FE", id="one byte"),
    ],
)
def test_bad_command_is_not_taken_and_reported_once(bench: Bench, response: str) -> None:
    bench.frame(COMMAND, response)

    assert bench.firmware.gate is False
    assert bench.header(STATUS) == ERROR
    assert bench.header(STATUS) == HEALTHY


def test_framing_error_in_a_command_is_reported(bench: Bench) -> None:
    bench.carry(BREAK, 0x55, COMMAND, 0x2FE, 0xFF, 0x9F)

    assert bench.header(STATUS) == ERROR


def test_command_that_never_began_is_no_error(bench: Bench) -> None:
    bench.header(COMMAND)

    assert bench.header(STATUS) == HEALTHY


def test_error_in_another_nodes_frame_is_none_of_ours(bench: Bench) -> None:
    bench.frame(0x50, "01 02 03")
    bench.frame(ANSWER, "0B 02 7E 00 FF FF FF FF 00")

    assert bench.header(STATUS) == HEALTHY


def test_bad_request_is_reported_and_not_served(bench: Bench) -> None:
    bench.frame(REQUEST, "0A 02 3E 00 FF FF FF FF B4")

    assert bench.poll(10) == ""
    assert bench.header(STATUS) == ERROR


def test_error_stays_until_a_frame_that_carries_it_was_sent(bench: Bench) -> None:
    """A status frame that somebody talks into was not sent: LIN 2.1 §2.7.3, from memory."""
    bench.frame(COMMAND, "FE FF 9E")
    bench.carry(BREAK, 0x55, STATUS)
    bench.carry(BREAK, 0x55, STATUS)  # aborts the response begun
    bench.heard.clear()
    bench.wait(0.01)

    assert bytes(bench.heard).hex(" ").upper() == ERROR
    assert bench.header(STATUS) == HEALTHY


def test_break_into_the_response_is_an_error(bench: Bench) -> None:
    bench.carry(BREAK, 0x55, STATUS)

    assert bench.header(STATUS) == ERROR


def test_byte_into_the_response_stops_it(bench: Bench) -> None:
    bench.carry(BREAK, 0x55, STATUS)
    bench.heard.clear()
    bench.carry(0x00)
    bench.wait(0.01)

    assert bench.heard == [0x00]
    assert bench.header(STATUS) == ERROR


def test_silent_without_supply_and_until_started(bench: Bench) -> None:
    bench.firmware.power_off()
    dead = bench.header(STATUS)
    bench.firmware.power_on()
    starting = [bench.header(STATUS) for _ in range(9)]

    assert dead == ""
    assert starting[:4] == [""] * 4  # 40 ms: the fastest unit; the slowest has started after 80 ms
    assert starting[8] == HEALTHY
    assert bench.header(STATUS) == HEALTHY


def test_supply_lost_in_mid_response(bench: Bench) -> None:
    bench.carry(BREAK, 0x55, STATUS)
    bench.heard.clear()
    bench.firmware.power_off()
    bench.wait(0.01)

    assert bench.heard == []


# Node configuration: request and answer frames, literal


def exchange(bench: Bench, request: str) -> str:
    bench.frame(REQUEST, request)
    return bench.poll(10)


@pytest.mark.parametrize(
    ("request_", "answer"),
    [
        pytest.param("0A 06 B2 00 FF 7F FF FF BD", "0A 06 F2 FE 7F 25 00 01 58", id="read by id 0, wildcards"),
        pytest.param("0A 06 B2 00 FE 7F 25 00 99", "0A 06 F2 FE 7F 25 00 01 58", id="read by id 0"),
        pytest.param("7F 06 B2 00 FF 7F FF FF 48", "0A 06 F2 FE 7F 25 00 01 58", id="read by id 0, broadcast"),
        pytest.param("0A 06 B2 10 FF 7F FF FF AD", "0A 03 7F B2 12 FF FF FF AE", id="unsupported id"),
        pytest.param("0A 06 B2 00 FD 7F 25 00 9A", "", id="another supplier"),
        pytest.param("0A 06 B2 00 FE 7F 26 00 98", "", id="another function"),
        pytest.param("0B 06 B2 00 FF 7F FF FF BC", "", id="another address"),
        pytest.param("0A 06 B0 FE 7F 25 00 0B 90", "0A 01 F0 FF FF FF FF FF 04", id="assign address"),
        pytest.param("0A 06 B0 FE 7F 25 00 7E 1D", "", id="assign a reserved address"),
        pytest.param("7F 06 B3 00 01 01 00 0C B8", "0C 01 F3 FF FF FF FF FF FE", id="change address, bit is clear"),
        pytest.param("7F 06 B3 00 01 01 FF 0C B8", "", id="change address, bit is not set"),
        pytest.param("7F 06 B3 00 06 00 00 0C B4", "", id="change address, no such byte"),
        pytest.param("7F 06 B3 00 00 00 00 0C BA", "", id="change address, byte 0"),
        pytest.param("7F 06 B3 00 05 02 00 01 BE", "01 01 F3 FF FF FF FF FF 0A", id="change address, last byte"),
        pytest.param("7F 06 B3 02 01 00 00 0C B7", "", id="change address, no such identifier"),
        pytest.param("0A 06 B0 FE 7F 25 00 00 9B", "", id="assign address 0"),
        pytest.param("0A 01 B6 FF FF FF FF FF 3E", "0A 01 F6 FF FF FF FF FF FD", id="save"),
        pytest.param("0A 06 B7 00 50 11 92 FF 44", "0A 01 F7 FF FF FF FF FF FC", id="assign frame ids"),
        pytest.param("0A 06 B7 01 FF FF 50 FF E6", "0A 03 7F B7 12 FF FF FF A9", id="assign a fourth frame's id"),
        pytest.param("0A 06 B7 00 3C FF FF FF FB", "0A 03 7F B7 12 FF FF FF A9", id="assign a diagnostic id"),
        pytest.param("0A 06 B4 01 02 03 04 05 2C", "0A 03 7F B4 11 FF FF FF AD", id="data dump"),
        pytest.param("0A 05 B2 00 FF 7F FF FF BE", "", id="too short"),
        pytest.param("7E 06 B2 00 FF 7F FF FF 49", "", id="functional address"),
    ],
)
def test_node_configuration(bench: Bench, request_: str, answer: str) -> None:
    assert exchange(bench, request_) == answer


READ_PRODUCT = "0A 06 B2 00 FF 7F FF FF BD"
PRODUCT = "0A 06 F2 FE 7F 25 00 01 58"


def test_assigned_address_is_live_and_answers_as_the_new_node(bench: Bench) -> None:
    exchange(bench, "0A 06 B0 FE 7F 25 00 0B 90")

    assert exchange(bench, READ_PRODUCT) == ""
    assert exchange(bench, "0B 06 B2 00 FF 7F FF FF BC") == "0B 06 F2 FE 7F 25 00 01 57"
    # assign address goes to the initial address still
    assert exchange(bench, "0B 06 B0 FE 7F 25 00 0A 90") == ""
    assert exchange(bench, "0A 06 B0 FE 7F 25 00 0A 91") == "0A 01 F0 FF FF FF FF FF 04"
    assert exchange(bench, READ_PRODUCT) == PRODUCT


def test_changed_address_is_live(bench: Bench) -> None:
    exchange(bench, "7F 06 B3 00 01 01 00 0C B8")

    assert exchange(bench, "0C 06 B2 00 FF 7F FF FF BB") == "0C 06 F2 FE 7F 25 00 01 56"


def test_address_is_changed_by_a_bit_of_the_serial_number(bench: Bench) -> None:
    answer = exchange(bench, "0A 06 B2 01 FF 7F FF FF BC")
    assert (answer[:8], answer[-5:-3]) == ("0A 05 F2", "FF")
    serial = bytes.fromhex(answer)[3:7]
    bit = serial[2] & 0x10
    request = bytes([0x0A, 0x06, 0xB3, 0x01, 0x03, 0x10, bit, 0x0C])

    bench.send(request[2:].hex())

    assert bench.poll(10)[:8] == "0C 01 F3"


def test_serial_numbers_differ() -> None:
    assert len({exchange(Bench(seed), "0A 06 B2 01 FF 7F FF FF BC") for seed in range(5)}) == 5


def test_assigned_frame_ids_are_live(bench: Bench) -> None:
    """Command to id 10 (PID 50), status to id 11 (PID 11), info unassigned: 0A+06+B7+50+11 carried is 2A -> D6."""
    assert exchange(bench, "0A 06 B7 00 50 11 00 FF D6") == "0A 01 F7 FF FF FF FF FF FC"
    bench.frame(0x50, "FE FF B0")  # close; 50+FE+FF carried is 4F

    assert [bench.header(pid) for pid in (COMMAND, STATUS, INFO)] == ["", "", ""]
    # the checksum covers the new identifier: 11 + 89 + 40 + DF + 7F, carried, is 3A
    assert bench.header(0x11) == "89 00 40 DF 00 FF FF 7F C5"


def test_refused_assignment_changes_nothing(bench: Bench) -> None:
    exchange(bench, "0A 06 B7 02 50 11 FF FF D4")  # info to 10 would do, a fourth frame's is refused

    assert bench.header(0x50) == ""
    assert bench.header(INFO) != ""


def test_frame_ids_kept_as_they_are(bench: Bench) -> None:
    exchange(bench, "0A 06 B7 00 FF FF FF FF 38")

    assert bench.header(STATUS) == HEALTHY


@pytest.mark.parametrize("saved", [True, False])
def test_node_configuration_over_a_power_cycle(bench: Bench, saved: bool) -> None:
    exchange(bench, "0A 06 B0 FE 7F 25 00 0B 90")
    exchange(bench, "0B 06 B7 01 11 FF FF FF 25")
    if saved:
        assert exchange(bench, "0B 01 B6 FF FF FF FF FF 3D") == "0B 01 F6 FF FF FF FF FF FC"
        bench.wait(0.03)  # the longest non-volatile write: the answer does not wait for it

    bench.power_cycle()

    assert (exchange(bench, "0B 06 B2 00 FF 7F FF FF BC") != "") is saved
    assert (bench.header(0x11) != "") is saved
    assert (bench.header(STATUS) != "") is not saved


# Transport layer, seen from the node; frames with hand-made checksums

VERSION = ("0A 10 08 62 F1 89 31 2E A0", "0A 21 34 2E 32 FF FF FF 40")  # 62 F1 89 "1.4.2"


def test_answer_of_two_frames(bench: Bench) -> None:
    bench.frame(REQUEST, "0A 03 22 F1 89 FF FF FF 55")

    assert (bench.poll(), bench.header(ANSWER), bench.header(ANSWER)) == (*VERSION, "")


def test_request_of_two_frames(bench: Bench) -> None:
    """22 F1 89 01 01 04 05: unknown 0405 is left out; 0101 is the pickup, 2750 steps of 10 mA (0ABE)."""
    bench.frame(REQUEST, "0A 10 07 22 F1 89 01 01 3F")
    between = bench.header(ANSWER)
    bench.frame(REQUEST, "0A 21 04 05 FF FF FF FF CB")

    assert between == ""
    assert bench.answer() == "62 F1 89 31 2E 34 2E 32 01 01 0A BE"


@pytest.mark.parametrize(
    "second",
    [
        pytest.param("0A 22 04 05 FF FF FF FF CA", id="sequence number"),
        pytest.param("0B 21 04 05 FF FF FF FF CA", id="another address"),
        pytest.param("0A 21 04 05 FF FF FF FF CC", id="checksum"),
        pytest.param("0A 31 04 05 FF FF FF FF BB", id="unknown frame type"),
    ],
)
def test_request_broken_off(bench: Bench, second: str) -> None:
    bench.frame(REQUEST, "0A 10 07 22 F1 89 01 01 3F")
    bench.frame(REQUEST, second)

    assert bench.poll(20) == ""
    assert bench.ask("3E 00") == "7E 00"


def test_consecutive_frame_after_n_cr_is_too_late(bench: Bench) -> None:
    bench.frame(REQUEST, "0A 10 07 22 F1 89 01 01 3F")
    bench.wait(1.0)
    bench.frame(REQUEST, "0A 21 04 05 FF FF FF FF CB")

    assert bench.poll(20) == ""


def test_new_request_wins_over_one_begun(bench: Bench) -> None:
    bench.frame(REQUEST, "0A 10 07 22 F1 89 01 01 3F")

    assert bench.ask("3E 00") == "7E 00"


def test_new_request_drops_a_prepared_answer(bench: Bench) -> None:
    bench.send("22 F1 89")
    bench.wait(0.04)
    bench.send("3E 00")

    assert bench.answer() == "7E 00"
    assert bench.poll(10) == ""


def test_new_request_drops_an_answer_begun(bench: Bench) -> None:
    bench.send("22 F1 89")
    assert bench.poll() == VERSION[0]
    bench.send("3E 00")

    assert bench.answer() == "7E 00"


def test_functional_request_drops_a_prepared_answer_and_gets_none(bench: Bench) -> None:
    bench.send("22 F1 89")
    bench.wait(0.04)
    bench.send("3E 00", nad=0x7E)

    assert bench.poll(10) == ""


def test_request_to_another_node_drops_nothing(bench: Bench) -> None:
    bench.send("3E 00")
    bench.wait(0.04)
    bench.send("3E 00", nad=0x0B)

    assert bench.answer() == "7E 00"


def test_broadcast_request_is_answered(bench: Bench) -> None:
    bench.send("3E 00", nad=0x7F)

    assert bench.poll() == "0A 02 7E 00 FF FF FF FF 75"


def test_go_to_sleep_is_no_request(bench: Bench) -> None:
    bench.frame(REQUEST, "00 FF FF FF FF FF FF FF 00")

    assert bench.poll(10) == ""
    assert bench.header(STATUS) == HEALTHY


def test_answer_that_nobody_fetches_is_dropped_after_n_as(bench: Bench) -> None:
    bench.send("3E 00")
    bench.wait(1.1)

    assert bench.poll(10) == ""


def test_answer_disturbed_on_the_wire_is_not_repeated(bench: Bench) -> None:
    bench.send("22 F1 89")
    bench.wait(0.04)
    bench.carry(BREAK, 0x55, ANSWER)
    bench.carry(0x00)
    bench.wait(0.01)

    assert bench.poll(10) == ""
    assert bench.header(STATUS) == ERROR


def test_status_disturbed_on_the_wire_leaves_the_answer_begun(bench: Bench) -> None:
    bench.send("22 F1 89")
    assert bench.poll() == VERSION[0]
    bench.carry(BREAK, 0x55, STATUS)

    assert bench.header(ANSWER) == VERSION[1]


def test_answer_of_another_node_does_not_count_as_ours(bench: Bench) -> None:
    bench.send("22 F1 89")
    assert bench.poll() == VERSION[0]
    bench.frame(ANSWER, "0B 02 7E 00 FF FF FF FF 74")

    assert bench.header(ANSWER) == VERSION[1]


# A power cycle forgets what the link was at


def test_error_is_forgotten(bench: Bench) -> None:
    bench.frame(COMMAND, "FE FF 9E")
    bench.power_cycle()

    assert bench.header(STATUS) == HEALTHY


def test_header_begun_is_forgotten(bench: Bench) -> None:
    bench.carry(BREAK, 0x55)
    bench.firmware.power_off()
    bench.firmware.power_on()
    bench.wait(0.1)
    bench.carry(STATUS)
    bench.heard.clear()
    bench.wait(0.01)

    assert bench.heard == []


def test_request_begun_is_forgotten(bench: Bench) -> None:
    bench.frame(REQUEST, "0A 10 07 22 F1 89 01 01 3F")
    bench.firmware.power_off()
    bench.firmware.power_on()
    bench.wait(0.1)
    bench.frame(REQUEST, "0A 21 04 05 FF FF FF FF CB")

    assert bench.poll(20) == ""


def test_answer_prepared_or_begun_is_forgotten(bench: Bench) -> None:
    bench.send("22 F1 89")
    bench.firmware.power_off()
    bench.firmware.power_on()
    bench.wait(0.1)
    assert bench.poll(10) == ""

    bench.send("22 F1 89")
    assert bench.poll() == VERSION[0]
    bench.power_cycle()
    assert bench.poll(10) == ""
