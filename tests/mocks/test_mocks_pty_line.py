"""A pseudo-terminal is real here; the clock behind it is the test's."""

from __future__ import annotations

import os
import select
import termios
import tty
from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest

from mocks.clock import EventClock
from mocks.pty_line import PtyLine, make_link, remove_link
from mocks.uart import Uart
from mocks.wire import Wire
from protocol.decoder import BREAK

MS = 1_000_000
PATIENCE_S = 10.0
HEADER = [BREAK, 0x55, 0xE2]


class Rig:
    def __init__(self) -> None:
        self.clock = EventClock(lambda stop_ns: stop_ns)
        self.wire = Wire()
        self.carried: list[int] = []
        self.wire.listen(self._carried)
        self.line = PtyLine(19_200, {0x61: 3}, lambda deliver: Uart(self.wire, self.clock, 19_200, deliver))
        self.client = os.open(self.line.device, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        tty.setraw(self.client)
        self.rate(termios.B19200)
        self.pause()

    def _carried(self, symbols: Sequence[int], _: int) -> None:
        self.carried += symbols

    def rate(self, code: int) -> None:
        settings = termios.tcgetattr(self.client)
        settings[4] = settings[5] = code
        termios.tcsetattr(self.client, termios.TCSANOW, settings)

    def write(self, content: str) -> None:
        """Let the client write and the line read it as soon as the kernel has passed it on."""
        os.write(self.client, bytes.fromhex(content))
        assert select.select([self.line], [], [], PATIENCE_S)[0], "the kernel passed nothing on"
        self.line.ready()

    def read(self, most: int) -> bytes:
        """What the client hears, as soon as the kernel has passed it on."""
        assert select.select([self.client], [], [], PATIENCE_S)[0], "the kernel passed nothing on"
        return os.read(self.client, most)

    def pause(self) -> None:
        self.clock.sleep_until(self.clock.now_ns() + 50 * MS)


@pytest.fixture
def rig() -> Iterator[Rig]:
    rig = Rig()
    yield rig
    os.close(rig.client)
    rig.line.close()
    rig.line.close()


def test_a_zero_at_a_low_rate_is_a_break(rig: Rig) -> None:
    rig.rate(termios.B9600)
    rig.write("00")
    rig.rate(termios.B19200)
    rig.write("55 e2")
    rig.pause()
    assert rig.carried == HEADER
    assert rig.read(100) == b"\x00\x55\xe2"


def test_a_break_whose_low_rate_was_missed_is_known_by_the_sync_byte(rig: Rig) -> None:
    rig.write("00 55 e2")
    rig.pause()
    assert rig.carried == HEADER


def test_a_zero_that_no_sync_byte_follows_is_a_byte(rig: Rig) -> None:
    rig.write("00")
    rig.write("12")
    rig.pause()
    assert rig.carried == [0x00, 0x12]


def test_zeros_inside_a_frame_are_bytes(rig: Rig) -> None:
    rig.write("00 55 61 00 55 e2")
    rig.pause()
    assert rig.carried == [BREAK, 0x55, 0x61, 0x00, 0x55, 0xE2]


def test_a_reader_that_was_away_tells_frames_apart(rig: Rig) -> None:
    rig.write("00 55 61 fc ff 9f 00 55 e2 00 55 61 00 55 61 00 55 e2")
    rig.pause()
    assert rig.carried == [BREAK, 0x55, 0x61, 0xFC, 0xFF, 0x9F, *HEADER, BREAK, 0x55, 0x61, 0x00, 0x55, 0x61, *HEADER]


@pytest.mark.parametrize("pieces", [["00", "55", "e2"], ["00 55", "e2"], ["00", "55 e2"]])
def test_a_header_may_come_in_pieces(rig: Rig, pieces: list[str]) -> None:
    for piece in pieces:
        rig.write(piece)
    rig.pause()
    assert rig.carried == HEADER


def test_a_frame_that_was_given_up_does_not_swallow_the_next(rig: Rig) -> None:
    rig.write("00 55 61 fc")
    rig.pause()
    rig.write("00 55 e2")
    rig.pause()
    assert rig.carried == [BREAK, 0x55, 0x61, 0xFC, *HEADER]


def test_other_bytes_at_a_low_rate_are_broken(rig: Rig) -> None:
    rig.rate(termios.B9600)
    rig.write("55 e2")
    rig.pause()
    assert [symbol & ~0xFF for symbol in rig.carried] == [0x200, 0x200]


def test_a_rate_that_has_no_name_is_seen(rig: Rig) -> None:
    import serial

    with serial.Serial(rig.line.device, 10_417) as port:
        port.write(b"\0")
        rig.line.ready()
        rig.pause()
    assert rig.carried == [BREAK]


def test_nobody_reading_does_no_harm(rig: Rig) -> None:
    for _ in range(4000):  # 400 kB: more than any kernel keeps for a reader
        rig.wire.carry(bytes(100), 0)
    assert 0 < len(rig.read(1_000_000)) < 400_000
    rig.write("00 55 e2")
    rig.pause()
    assert rig.carried[-3:] == HEADER


def test_a_link_replaces_a_link_and_nothing_else(tmp_path: Path) -> None:
    link = tmp_path / "line.tty"
    make_link(link, "/dev/pts/first")
    make_link(link, "/dev/pts/second")
    assert os.readlink(link) == "/dev/pts/second"
    remove_link(link, "/dev/pts/first")
    assert link.is_symlink()
    remove_link(link, "/dev/pts/second")
    assert not os.path.lexists(link)
    link.write_text("somebody's work")
    with pytest.raises(FileExistsError, match="no symbolic link"):
        make_link(link, "/dev/pts/first")
    remove_link(link, "/dev/pts/first")
    assert link.read_text() == "somebody's work"
    assert os.listdir(tmp_path) == ["line.tty"]
