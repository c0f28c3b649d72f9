"""Seed and key of the pump's breaker, message by message (ISO 14229-1, from memory): level 01, four bytes each, three
attempts, 10 s; nothing is written or started without it. And the key program."""

from __future__ import annotations

import io
import sys

import pytest
from node_bench import PumpBench

from mocks import key as key_program
from mocks.firmware.key import key_of

WRITE = "2E 20 02 32"


@pytest.fixture
def bench() -> PumpBench:
    bench = PumpBench()
    bench.ask("10 40")
    return bench


def seed(bench: PumpBench) -> bytes:
    answer = bench.ask("27 01")
    assert answer[:5] == "67 01"
    return bytes.fromhex(answer)[2:]


def key(bench: PumpBench, wrong: int = 0) -> str:
    """Ask for a seed and answer it, with so many of the key's bits flipped."""
    right = int.from_bytes(key_of(seed(bench), 4), "big")
    return bench.finish(f"27 02 {right ^ wrong:08X}")


def test_key_by_hand() -> None:
    """C3 turned left by 3 is 1E; 1E + 01 + 5A = 79. 79 -> CB; CB + 80 + 5A = 1A5, A5. A5 -> 2D; 2D + 01 + 5A = 88.
    88 -> 44; 44 + 80 + 5A = 11E, 1E. Key: 79 ^ 88 = F1, A5 ^ 1E = BB."""
    assert key_of(bytes([0x01, 0x80]), 2) == bytes([0xF1, 0xBB])


def test_guarded_services_are_refused_until_the_key(bench: PumpBench) -> None:
    assert bench.ask(WRITE) == "7F 2E 33"
    assert bench.ask("2E 20 02") == "7F 2E 33"  # before its length
    assert bench.ask("31 01 03 01") == "7F 31 33"
    assert key(bench) == "67 02"

    assert bench.finish(WRITE) == "6E 20 02"
    assert bench.finish("31 01 03 01") == "71 01 03 01 01"


@pytest.mark.parametrize(
    ("request_", "answer"),
    [
        pytest.param("27", "7F 27 13", id="no sub-function"),
        pytest.param("27 01 00", "7F 27 13", id="seed, too long"),
        pytest.param("27 03", "7F 27 12", id="another level"),
        pytest.param("27 02 00 00 00 00", "7F 27 24", id="key without a seed"),
        pytest.param("27 02 00 00 00", "7F 27 13", id="key, too short"),
        pytest.param("27 04 00 00 00 00", "7F 27 12", id="key of another level"),
    ],
)
def test_refusals(bench: PumpBench, request_: str, answer: str) -> None:
    assert bench.ask(request_) == answer


def test_security_is_for_the_service_session(bench: PumpBench) -> None:
    bench.ask("10 01")

    assert bench.ask("27 01") == "7F 27 7F"


def test_no_seed_comes_twice_or_is_zero(bench: PumpBench) -> None:
    seeds = [seed(bench) for _ in range(40)]
    bench.run(0, 0.1)
    for _ in range(3):
        bench.power_cycle()
        bench.run(0, 0.1)
        bench.ask("10 40")
        seeds.append(seed(bench))

    assert len(set(seeds)) == 43
    assert bytes(4) not in seeds


def test_seed_is_zero_once_unlocked(bench: PumpBench) -> None:
    key(bench)

    assert seed(bench) == bytes(4)
    assert bench.finish(WRITE) == "6E 20 02"


def test_a_seed_is_good_for_one_key(bench: PumpBench) -> None:
    right = key_of(seed(bench), 4).hex()
    assert bench.finish(f"27 02 {key_of(bytes(4), 4).hex()}") == "7F 27 35"

    assert bench.finish(f"27 02 {right}") == "7F 27 24"


def test_key_answers_the_last_seed(bench: PumpBench) -> None:
    first = key_of(seed(bench), 4).hex()
    seed(bench)

    assert bench.finish(f"27 02 {first}") == "7F 27 35"


@pytest.mark.parametrize("bit", range(32))
def test_every_bit_of_the_key_counts(bit: int) -> None:
    bench = PumpBench()
    bench.ask("10 40")

    assert key(bench, 1 << bit) == "7F 27 35"


@pytest.mark.parametrize("end", ["10 40", "10 01", "s3", "supply", "11 01"])
def test_locked_again_by(bench: PumpBench, end: str) -> None:
    key(bench)
    if end == "s3":
        bench.wait(5.1)
    elif end == "supply":
        bench.power_cycle()
    else:
        assert bench.ask(end) != ""
        bench.wait(0.3)
    bench.ask("10 40")

    assert bench.ask(WRITE) == "7F 2E 33"


def test_third_wrong_key_costs_ten_seconds(bench: PumpBench) -> None:
    assert [key(bench, 1) for _ in range(3)] == ["7F 27 35", "7F 27 35", "7F 27 36"]
    wait(bench, 9.5)
    assert bench.ask("27 01") == "7F 27 37"
    wait(bench, 1)

    assert [key(bench, 1) for _ in range(2)] == ["7F 27 35"] * 2  # three attempts anew
    assert key(bench) == "67 02"


def test_right_key_in_between_starts_the_count_anew(bench: PumpBench) -> None:
    answers = [key(bench, wrong) for wrong in (1, 1, 0)]
    bench.ask("10 40")
    answers += [key(bench, wrong) for wrong in (1, 1, 1)]

    assert answers == ["7F 27 35", "7F 27 35", "67 02", "7F 27 35", "7F 27 35", "7F 27 36"]


def test_supply_off_does_not_shorten_the_delay(bench: PumpBench) -> None:
    for _ in range(3):
        key(bench, 1)
    wait(bench, 9)
    bench.power_cycle()
    bench.ask("10 40")
    wait(bench, 9)
    assert bench.ask("27 01") == "7F 27 37"
    wait(bench, 1.5)

    assert key(bench) == "67 02"
    bench.power_cycle()
    bench.ask("10 40")
    assert key(bench) == "67 02"  # and the count is stored as 0


def test_supply_off_does_not_forget_wrong_keys(bench: PumpBench) -> None:
    key(bench, 1)
    key(bench, 1)
    bench.power_cycle()
    bench.ask("10 40")

    assert key(bench, 1) == "7F 27 36"


def wait(bench: PumpBench, seconds: float) -> None:
    """Let time pass and keep the session."""
    end_ns = bench.clock.now_ns() + round(seconds * 1e9)
    while bench.clock.now_ns() < end_ns - 100_000_000:
        bench.wait(min(2.0, (end_ns - bench.clock.now_ns()) / 1e9 - 0.05))
        bench.send("3E 80")
    bench.clock.sleep_until(end_ns)


# The key program


def answer(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], text: str, *arguments: str) -> str:
    monkeypatch.setattr(sys, "stdin", io.StringIO(text))
    monkeypatch.setattr(sys, "argv", ["key", *arguments])
    key_program.main()
    return capsys.readouterr().out


def test_key_program(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    assert answer(monkeypatch, capsys, "01 80\n") == "f1bb\n"
    assert answer(monkeypatch, capsys, "0180", "4") == key_of(b"\x01\x80", 4).hex() + "\n"


@pytest.mark.parametrize("text", ["", "seed", "018"])
def test_key_program_with_no_seed(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], text: str
) -> None:
    with pytest.raises(SystemExit, match="want a seed"):
        answer(monkeypatch, capsys, text)
