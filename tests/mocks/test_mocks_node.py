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
