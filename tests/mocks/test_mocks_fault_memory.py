"""The fault memory through its node, message by message: status bits, snapshot, counter, recording (ISO 14229-1)."""

from __future__ import annotations

from dataclasses import replace

import pytest
from node_bench import STATUS, Bench, heater

from mocks.firmware.tasks import Trip
from protocol.device import FaultCode

OVERLOAD = "9A 01 19"


@pytest.fixture
def bench() -> Bench:
    return Bench()


@pytest.fixture
def extended(bench: Bench) -> Bench:
    """A bench whose node is in the extended session."""
    assert bench.ask("10 03") == "50 03 00 32 00 C8"  # P2 50 ms, P2* 200 * 10 ms
    return bench


def status_of(bench: Bench) -> int:
    """Status byte of the overload code."""
    answer = bench.ask("19 0A")
    assert answer.startswith(f"59 0A 7F {OVERLOAD} ")
    return int(answer[-2:], 16)


def test_fault_memory_of_a_new_unit(bench: Bench) -> None:
    assert bench.ask("19 0A") == f"59 0A 7F {OVERLOAD} 50"
    assert bench.ask("19 02 2F") == "59 02 7F"
    assert bench.ask("19 01 2F") == "59 01 7F 01 00 00"
    assert bench.ask("19 04 9A 01 19 FF") == f"59 04 {OVERLOAD} 50"
    assert bench.ask("19 06 9A 01 19 FF") == f"59 06 {OVERLOAD} 50"


def test_status_bits_over_the_life_of_a_code(bench: Bench) -> None:
    """ISO 14229-1 annex D, from memory; bits as in the table of tests/vectors."""
    life = [status_of(bench)]
    bench.trip()
    life.append(status_of(bench))
    bench.open()
    life.append(status_of(bench))
    for _ in range(3):
        bench.power_cycle()
        life.append(status_of(bench))
    bench.ask("14 9A 01 19")
    assert bench.answer() == "54"
    life.append(status_of(bench))

    assert life == [
        0b0101_0000,  # not completed, since clear and in this cycle
        0b0010_1111,  # failed: now, in this cycle, since clear; pending, confirmed
        0b0010_1110,  # acknowledged
        0b0110_1100,  # new cycle: not completed in it
        0b0110_1000,  # a whole cycle without a trip: no longer pending
        0b0110_1000,
        0b0101_0000,
    ]


def test_codes_by_status_mask(bench: Bench) -> None:
    bench.trip()

    assert bench.ask("19 02 08") == f"59 02 7F {OVERLOAD} 2F"
    assert bench.ask("19 02 FF") == f"59 02 7F {OVERLOAD} 2F"
    assert bench.ask("19 02 50") == "59 02 7F"
    assert bench.ask("19 01 08") == "59 01 7F 01 00 01"
    assert bench.ask("19 01 50") == "59 01 7F 01 00 00"


def test_snapshot_of_a_trip(bench: Bench) -> None:
    bench.firmware.uptime_ms = 0x01020304
    bench.firmware.trip_count = 6
    bench.close()
    tasks = 0
    while bench.firmware.gate:
        bench.run(100, 0.01)
        tasks += 1
    heat = bench.firmware.overload.level * 10_000 / 2**30
    bench.run(3, 1)  # nothing of later
    expected = "59 04 9A 01 19 2F 01 06"
    expected += " 03 01 27 10"  # 100 A
    expected += f" 03 02 {round(heat):04X}"
    expected += " 03 03 34 BC"  # 13.5 V
    expected += f" 03 04 {tasks * 10:08X}"  # ms above pickup
    expected += f" 03 05 {0x01020304 + tasks * 10:08X}"
    expected += " 03 06 00 07"

    assert tasks * 0.01 == pytest.approx(4.72, abs=0.02)  # 60 s * ln(13.223 / 12.223)
    assert bench.ask("19 04 9A 01 19 01").replace(" ", "") == expected.replace(" ", "")


def test_snapshot_is_of_the_last_trip_and_occurrences_count(bench: Bench) -> None:
    bench.trip()
    bench.open()
    bench.run(0, 200)
    bench.close()
    bench.run(60, 30)

    assert "03 01 17 70" in bench.ask("19 04 9A 01 19 FF")
    assert bench.ask("19 06 9A 01 19 01") == f"59 06 {OVERLOAD} 2F 01 02"


def test_fault_memory_outlasts_a_power_cycle_and_a_clear_empties_it(bench: Bench) -> None:
    bench.trip()
    before = bench.ask("19 04 9A 01 19 FF")
    bench.power_cycle()
    after = bench.ask("19 04 9A 01 19 FF")
    occurrences = bench.ask("19 06 9A 01 19 FF")
    bench.ask("14 FF FF FF")
    bench.answer()
    bench.power_cycle()

    assert after[18:] == before[18:] != ""
    assert occurrences == f"59 06 {OVERLOAD} 6C 01 01"
    assert bench.ask("19 04 9A 01 19 FF") == f"59 04 {OVERLOAD} 50"


def test_clear_while_tripped_leaves_the_trip(bench: Bench) -> None:
    bench.trip()
    bench.ask("14 FF FF FF")
    bench.answer()

    assert status_of(bench) == 0x50
    assert bench.header(STATUS)[:5] == "F2 01"


def test_recording_off_keeps_a_trip_out(extended: Bench) -> None:
    extended.ask("85 02")
    extended.close()
    extended.run(200, 1.5)
    assert extended.firmware.gate is False
    assert status_of(extended) == 0x50
    extended.ask("85 01")
    extended.open()
    extended.run(0, 200)
    extended.trip()

    assert status_of(extended) == 0x2F


def test_recording_off_keeps_an_acknowledgement_out(extended: Bench) -> None:
    extended.trip()
    extended.ask("10 03")
    extended.ask("85 02")
    extended.open()

    assert status_of(extended) == 0x2F


@pytest.mark.parametrize("end", ["s3", "session", "power"])
def test_recording_comes_back_with_the_default_session(extended: Bench, end: str) -> None:
    assert extended.ask("85 82") == ""
    if end == "s3":
        extended.wait(5.1)
    elif end == "session":
        extended.ask("10 01")
    else:
        extended.power_cycle()
    extended.trip()

    assert status_of(extended) == 0x2F


def test_recording_comes_back_where_a_session_ended_before_the_next(extended: Bench) -> None:
    extended.ask("85 02")
    extended.wait(5.1)
    extended.ask("10 03")
    extended.trip()

    assert status_of(extended) == 0x2F


def test_recording_comes_back_before_a_trip_after_s3(extended: Bench) -> None:
    """60 A trips after 60 s * ln(4.76 / 3.76) = 14.1 s; S3 is 5 s."""
    extended.ask("85 02")
    extended.close()
    extended.run(60, 15)

    assert status_of(extended) == 0x2F


def test_recording_comes_back_before_an_acknowledgement_after_s3(extended: Bench) -> None:
    extended.trip()
    extended.ask("10 03")
    extended.ask("85 02")
    extended.wait(5.1)
    extended.open()

    assert status_of(extended) == 0x2E


def test_recording_stays_off_in_a_session_kept(extended: Bench) -> None:
    extended.ask("85 02")
    extended.close()
    for _ in range(5):
        extended.run(100, 1)
        extended.send("3E 80")

    assert extended.firmware.gate is False
    assert status_of(extended) == 0x50


def test_occurrences_stay_at_255(bench: Bench) -> None:
    trip = Trip("overload", 0, 0, 0, 0, 0, 0)
    for _ in range(300):
        bench.firmware.on_trip(trip)

    assert bench.ask("19 06 9A 01 19 FF") == f"59 06 {OVERLOAD} 2F 01 FF"


def test_codes_are_kept_and_cleared_one_by_one() -> None:
    second = FaultCode("second", "Nothing that this firmware finds", 0x123456, 2, (), ())
    device = replace(heater(), fault_codes=heater().fault_codes | {"second": second})
    bench = Bench(device=device)
    bench.trip()
    bench.firmware.on_trip(Trip("second", 0, 0, 0, 0, 0, 0))
    bench.wait(0.1)
    bench.power_cycle()
    assert bench.ask("19 0A") == f"59 0A 7F {OVERLOAD} 6C 12 34 56 6C"

    bench.ask("14 12 34 56")
    bench.answer()
    bench.power_cycle()

    assert bench.ask("19 0A") == f"59 0A 7F {OVERLOAD} 68 12 34 56 50"
    assert bench.ask("19 01 08") == "59 01 7F 01 00 01"
