"""The transport layer seen from the node (LIN 2.1 §3.2), against literal frames with checksums by hand."""

from __future__ import annotations

import pytest
from node_bench import ANSWER, BREAK, REQUEST, STATUS, Bench

HEALTHY = "80 00 40 DF 00 FF FF 7F FC"
ERROR = "80 00 40 DF 00 FF FF FF 7C"  # the same with HtrRespErr, bit 63
VERSION = ("0A 10 08 62 F1 89 31 2E A0", "0A 21 34 2E 32 FF FF FF 40")  # 62 F1 89 "1.4.2"


@pytest.fixture
def bench() -> Bench:
    return Bench()


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
