"""Node configuration of the mock, against literal frames (LIN 2.1 §4.2, tables of tests/vectors) adapted to this node:
NAD 0A, supplier 7FFE, function 0025, variant 1; checksums by hand."""

from __future__ import annotations

import pytest
from node_bench import COMMAND, INFO, REQUEST, STATUS, Bench

HEALTHY = "80 00 40 DF 00 FF FF 7F FC"


@pytest.fixture
def bench() -> Bench:
    return Bench()


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
