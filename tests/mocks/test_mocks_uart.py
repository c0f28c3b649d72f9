from __future__ import annotations

from collections.abc import Sequence

import pytest

from mocks.clock import EventClock
from mocks.uart import Uart
from mocks.wire import Wire
from protocol.decoder import BAD_STOP, BREAK

RATE = 19_200
BYTE_NS = 520_833  # 10 bit times of 52.083 us
MS = 1_000_000


class Rig:
    def __init__(self) -> None:
        self.clock = EventClock(lambda stop_ns: stop_ns)
        self.wire = Wire()
        self.carried: list[tuple[list[int], int]] = []
        self.wire.listen(self._carried)
        self.read: list[bytes] = []
        self.uart = Uart(self.wire, self.clock, RATE, self.read.append)

    def _carried(self, symbols: Sequence[int], end_ns: int) -> None:
        assert self.clock.now_ns() == end_ns
        self.carried.append((list(symbols), end_ns))


@pytest.fixture
def rig() -> Rig:
    return Rig()


def test_bytes_take_their_time_on_the_wire_and_come_back(rig: Rig) -> None:
    rig.clock.sleep_until(MS)
    rig.uart.send_break()
    rig.uart.send(b"\x55\x61\xfc\xff\x9f", RATE)
    assert rig.carried == []
    rig.clock.sleep_until(50 * MS)
    # The header is carried by itself, so that whoever answers it can: 20 bit times; then 30 more.
    assert rig.carried == [
        ([BREAK, 0x55, 0x61], MS + 1_041_667),
        ([0xFC, 0xFF, 0x9F], MS + 1_041_667 + 1_562_500),
    ]
    assert rig.read == [b"\0\x55\x61", b"\xfc\xff\x9f"]


def test_a_header_in_pieces_is_carried_whole(rig: Rig) -> None:
    rig.uart.send_break()
    rig.clock.sleep_until(2 * MS)
    rig.uart.send(b"\x55", RATE)
    rig.clock.sleep_until(3 * MS)
    rig.uart.send(b"\xe2", RATE)
    rig.clock.sleep_until(60 * MS)
    assert rig.carried == [([BREAK, 0x55, 0xE2], 3 * MS + 1_041_667)]


def test_frames_that_arrive_at_once_follow_each_other(rig: Rig) -> None:
    for _ in range(2):
        rig.uart.send_break()
        rig.uart.send(b"\x55\xe2", RATE)
    rig.clock.sleep_until(60 * MS)
    assert rig.carried == [([BREAK, 0x55, 0xE2], 1_041_667), ([BREAK, 0x55, 0xE2], 2_083_334)]


def test_a_break_that_nothing_follows_is_carried_late(rig: Rig) -> None:
    rig.uart.send_break()
    rig.clock.sleep_until(19 * MS)
    assert rig.carried == []
    rig.clock.sleep_until(21 * MS)
    assert rig.carried == [([BREAK], 20 * MS)]


def test_a_break_cut_off_by_another_is_carried(rig: Rig) -> None:
    rig.uart.send_break()
    rig.uart.send_break()
    rig.uart.send(b"\x55\xe2", RATE)
    rig.clock.sleep_until(60 * MS)
    assert [symbols for symbols, _ in rig.carried] == [[BREAK], [BREAK, 0x55, 0xE2]]


@pytest.mark.parametrize(
    ("byte", "rate", "symbol"),
    [
        (0x00, 9_600, BREAK),  # 18 bit times dominant
        (0x00, 15_700, BREAK),  # 11.006: just long enough, LIN 2.1 §2.3.1.1
        (0x00, 15_800, BAD_STOP),  # 10.94: just not
        (0x41, 9_600, 0x41 | BAD_STOP),
        (0x41, 19_500, 0x41),  # 1.6 % fast, inside what a receiver stands
        (0x41, 19_700, 0x41 | BAD_STOP),  # 2.6 %
    ],
)
def test_what_arrives_of_a_byte_at_another_rate(rig: Rig, byte: int, rate: int, symbol: int) -> None:
    rig.uart.send(bytes([byte]), rate)
    rig.clock.sleep_until(60 * MS)
    assert [symbols for symbols, _ in rig.carried] == [[symbol]]


def test_what_others_say_is_read_too(rig: Rig) -> None:
    rig.wire.carry([0x12, 0x34 | BAD_STOP, BREAK], 0)
    assert rig.read == [b"\x12\x34\x00"]


def test_hanging_up_forgets_what_waits(rig: Rig) -> None:
    rig.uart.send_break()
    rig.uart.send(b"\x55", RATE)
    rig.uart.hang_up()
    rig.clock.sleep_until(60 * MS)
    assert rig.carried == []
    rig.uart.send_break()
    rig.uart.send(b"\x55\xe2", RATE)
    rig.clock.sleep_until(100 * MS)
    assert [symbols for symbols, _ in rig.carried] == [[BREAK, 0x55, 0xE2]]


def test_quiet_is_a_byte_time_without_anything(rig: Rig) -> None:
    rig.clock.sleep_until(10 * MS)
    quiet = [rig.uart.quiet]
    rig.uart.send(b"\x01", RATE)
    for after_ns in (0, 2 * BYTE_NS, 2 * BYTE_NS + 2):
        rig.clock.sleep_until(10 * MS + after_ns)
        quiet.append(rig.uart.quiet)
    rig.uart.send_break()
    quiet.append(rig.uart.quiet)
    assert quiet == [True, False, False, True, False]
