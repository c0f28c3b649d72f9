"""When the diagnostic server answers and restarts: P2, 'response pending', processing time, reset (ISO 14229-2)."""

from __future__ import annotations

import pytest
from node_bench import STATUS, Bench


@pytest.fixture
def bench() -> Bench:
    return Bench()


@pytest.fixture
def extended(bench: Bench) -> Bench:
    """A bench whose node is in the extended session."""
    assert bench.ask("10 03") == "50 03 00 32 00 C8"  # P2 50 ms, P2* 200 * 10 ms
    return bench


def test_write_answers_after_the_non_volatile_write_and_within_p2(extended: Bench) -> None:
    """30 ms declared, 27 ms at least, and 1 to 8 ms of processing; P2 is 50 ms: no 'response pending'."""
    sent_ns = extended.clock.now_ns()
    answer = extended.ask("2E 01 04 0A")
    waited_ns = extended.clock.now_ns() - sent_ns

    assert answer == "6E 01 04"
    assert 27_000_000 < waited_ns <= 60_000_000


def test_clear_takes_longer_than_p2(bench: Bench) -> None:
    assert bench.ask("14 FF FF FF") == "7F 14 78"
    assert bench.answer() == "54"
    assert bench.answer(10) == ""


def test_request_behind_work_waits_for_it(extended: Bench) -> None:
    """A clear right behind the self-test begins when that is over, 300 ms later; the self-test's answer is lost."""
    assert extended.ask("31 01 02 03") == "7F 31 78"
    started_ns = extended.clock.now_ns()
    extended.send("14 FF FF FF")

    assert extended.answer() == "7F 14 78"
    assert extended.answer() == "54"
    assert extended.clock.now_ns() - started_ns > 350_000_000


def test_pending_comes_again_after_p2_star(extended: Bench) -> None:
    """Seven self-tests behind each other take 2.1 s; 'response pending' holds for P2*, 2 s."""
    for _ in range(7):
        extended.send("31 01 02 03")
    sent_ns = extended.clock.now_ns()

    assert extended.answer() == "7F 31 78"
    assert extended.clock.now_ns() - sent_ns <= 50_000_000 + 10_000_000  # P2, and the slot that asked
    first_ns = extended.clock.now_ns()
    assert extended.answer(200) == "7F 31 78"
    assert 1_000_000_000 < extended.clock.now_ns() - first_ns <= 2_000_000_000
    assert extended.answer() == "71 01 02 03 00"


def test_work_ends_with_the_supply(extended: Bench) -> None:
    extended.send("31 01 02 03")
    extended.firmware.power_off()
    extended.firmware.power_on()
    extended.wait(0.1)
    extended.send("3E 00")

    assert extended.answer(3) == "7E 00"


def test_pending_is_ready_within_p2_and_p2_star(extended: Bench) -> None:
    """P2 50 ms from the request, P2* 2 s from the last 'response pending'; never at once."""
    server, pending = extended.node.diagnosis, (0x0A, b"\x7f\x31\x78")
    start_ns = extended.clock.now_ns()
    for _ in range(10):
        server.drop()
        server.request(0x0A, bytes.fromhex("31 01 02 03"), start_ns)

    assert server.answer(start_ns + 30_000_000) is None
    assert server.answer(start_ns + 49_999_999) == pending
    assert server.answer(start_ns + 1_000_000_000) is None
    assert server.answer(start_ns + 49_999_999 + 1_999_999_999) == pending


def test_processing_time(bench: Bench) -> None:
    """1 to 8 ms, and not always the same."""
    server, waited = bench.node.diagnosis, set()
    for start_ns in range(10**9, 10**9 + 20 * 10**8, 10**8):
        server.request(0x0A, b"\x3e\x00", start_ns)
        steps = [ms for ms in range(9) if server.answer(start_ns + ms * 1_000_000) == (0x0A, b"\x7e\x00")]
        waited.add(steps[0])

    assert min(waited) >= 1
    assert max(waited) <= 8
    assert len(waited) > 3


# Reset


@pytest.mark.parametrize("kind", ["01", "03"])
def test_reset_answers_then_restarts(extended: Bench, kind: str) -> None:
    extended.close()
    extended.run(50, 5)
    assert extended.ask(f"11 {kind}") == f"51 {kind}"
    starting = extended.header(STATUS)
    extended.wait(0.1)

    assert starting == ""
    assert extended.header(STATUS)[:2] == "80"  # off, open, not hot: as after a power-up
    assert extended.ask("2E 01 04 0A") == "7F 2E 7F"
    assert extended.ask("22 02 01") == "62 02 01 00 00"


def test_suppressed_reset_restarts(bench: Bench) -> None:
    bench.close()
    bench.send("11 81")
    bench.wait(0.01)

    assert bench.header(STATUS) == ""
    assert bench.firmware.gate is False


def test_reset_whose_answer_is_not_fetched_does_not_happen(bench: Bench) -> None:
    bench.close()
    bench.send("11 01")
    bench.wait(2)

    assert bench.firmware.gate is True
    assert bench.ask("3E 00") == "7E 00"
    assert bench.firmware.gate is True


def test_reset_whose_answer_was_disturbed_does_not_happen(bench: Bench) -> None:
    bench.close()
    bench.send("11 01")
    bench.wait(0.02)
    bench.carry(0x100, 0x55, 0x7D)
    bench.carry(0x00)
    bench.wait(0.01)

    assert bench.ask("14 FF FF FF") == "7F 14 78"
    assert bench.answer() == "54"
    assert bench.firmware.gate is True


def test_reset_waits_for_a_write_under_way(bench: Bench) -> None:
    """The answer to 'save' does not wait for its write, 27 ms at least; the reset right behind must not tear that."""
    bench.ask("B7 01 11 FF FF FF")
    bench.send("B6")
    bench.send("11 81")
    bench.wait(0.005)
    still_up = bench.header(0x11)
    bench.wait(0.1)

    assert still_up != ""
    assert bench.header(0x11) != ""


def test_reset_waits_for_the_record_of_a_trip(bench: Bench) -> None:
    bench.close()
    bench.run(100, 4.7)
    bench.send("11 81")
    bench.clock.at(bench.clock.now_ns() + 500_000, lambda: [bench.firmware.slow_task(16384) for _ in range(10)])
    bench.wait(0.3)

    assert bench.firmware.gate is False
    assert bench.ask("19 0A") == "59 0A 7F 9A 01 19 6C"


def test_reset_planned_is_off_after_the_supply_was_away(bench: Bench) -> None:
    bench.send("11 81")
    bench.firmware.power_off()
    bench.firmware.power_on()
    bench.wait(0.1)

    assert bench.header(STATUS) != ""
