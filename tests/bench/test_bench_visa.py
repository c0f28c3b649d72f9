"""The PyVISA link against an instrument of the test's own, which answers from a thread and as late as it is told."""

from __future__ import annotations

import os
import socket
import threading
import time
import tty
from collections.abc import Iterator
from contextlib import suppress
from typing import Any

import pytest

from harness.bench import visa
from harness.bench.instrument import InstrumentError, error_queue
from harness.bench.visa import VisaLink

TIMEOUT_MS = 300
MOST = 1000  # bytes of a block


class Instrument(threading.Thread):
    """Answers each line out of ``answers``; ``late`` names the line whose answer waits until ``hurry`` is set."""

    def __init__(self) -> None:
        super().__init__(daemon=True)
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.resource = f"TCPIP::127.0.0.1::{self.listener.getsockname()[1]}::SOCKET"
        self.answers: dict[bytes, bytes | None] = {b"*IDN?": b"maker,model,1,2\n"}
        self.late = b""
        self.trickle = b""  # the line whose answer goes on for ever, a piece every 0.05 s
        self.hurry = threading.Event()
        self.heard: list[bytes] = []
        self.connections = 0
        self.start()

    def run(self) -> None:
        while True:
            try:
                connection, _ = self.listener.accept()
            except OSError:
                return
            self.connections += 1
            threading.Thread(target=self._serve, args=(connection,), daemon=True).start()

    def _serve(self, connection: socket.socket) -> None:
        with suppress(OSError), connection, connection.makefile("rb") as lines:
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            for line in lines:
                self.heard.append(line.strip())
                answer = self.answers.get(line.strip(), b"")
                if answer is None:
                    return
                if line.strip() == self.late:
                    self.hurry.wait(30)
                connection.sendall(answer)
                while line.strip() == self.trickle and not self.hurry.wait(0.05):
                    connection.sendall(b"1")


@pytest.fixture
def instrument() -> Iterator[Instrument]:
    instrument = Instrument()
    yield instrument
    instrument.hurry.set()
    instrument.listener.shutdown(socket.SHUT_RDWR)
    instrument.listener.close()
    instrument.join(10)


@pytest.fixture
def link(instrument: Instrument) -> Iterator[VisaLink]:
    link = VisaLink(instrument.resource, TIMEOUT_MS)
    yield link
    link.close()


def test_text_goes_and_comes(instrument: Instrument, link: VisaLink) -> None:
    instrument.answers[b"MEAS:VOLT?"] = b"13.5\n"
    link.write("OUTP ON")
    assert link.query("MEAS:VOLT?") == "13.5"
    assert link.identity == "maker,model,1,2"
    assert instrument.heard == [b"*IDN?", b"OUTP ON", b"MEAS:VOLT?"]


def test_a_block_may_hold_line_feeds_and_be_empty(instrument: Instrument, link: VisaLink) -> None:
    # IEEE 488.2 §8.7.9: '#', number of digits, length, payload; the message ends with a line feed
    instrument.answers |= {b"A?": b"#15\n\n\x00\n\n\n", b"B?": b"#10\n", b"C?": b"#3012" + b"0123456789\n\n\n"}
    assert link.query_block("A?", MOST) == b"\n\n\x00\n\n"
    assert link.query_block("B?", MOST) == b""
    assert link.query_block("C?", MOST) == b"0123456789\n\n"
    assert link.query("*IDN?") == "maker,model,1,2"


def test_a_large_block_does_not_take_long(instrument: Instrument, link: VisaLink) -> None:
    content = b"\0\0\0\n" * 1_000_000
    instrument.answers[b"TRAC:DATA? CHAN1"] = b"#7%07d" % len(content) + content + b"\n"
    begun = time.monotonic()
    assert link.query_block("TRAC:DATA? CHAN1", len(content)) == content
    assert time.monotonic() - begun < 2  # 0.02 s; 5 s where every line feed ends a read


@pytest.mark.parametrize("answer", [b"13.5\n", b"#0123\n", b"#12123\n", b"#1x\n", b"#2+3abc\n"])
def test_what_is_no_block_is_an_error(instrument: Instrument, link: VisaLink, answer: bytes) -> None:
    instrument.answers[b"A?"] = answer
    with pytest.raises(InstrumentError, match=r"'A\?'"):
        link.query_block("A?", MOST)
    assert link.query("*IDN?") == "maker,model,1,2"


def test_a_late_answer_is_never_the_next_ones(instrument: Instrument, link: VisaLink) -> None:
    instrument.answers |= {b"SLOW?": b"late\n", b"FAST?": b"fast\n"}
    instrument.late = b"SLOW?"
    with pytest.raises(InstrumentError, match=r"'SLOW\?'.*see that it is on"):
        link.query("SLOW?")
    instrument.hurry.set()
    assert [link.query("FAST?") for _ in range(3)] == ["fast"] * 3
    assert instrument.connections == 2


@pytest.mark.parametrize("pause", [0.0, 0.4])
def test_an_answer_that_trickles_has_one_deadline_over_all_of_it(
    instrument: Instrument, link: VisaLink, pause: float
) -> None:
    """A byte every 0.05 s, and a line feed never; its rest, and the line feed, are nobody's answer."""
    instrument.answers |= {b"SLOW?": b"7", b"FAST?": b"fast\n"}
    instrument.trickle = b"SLOW?"
    begun = time.monotonic()

    with pytest.raises(InstrumentError, match=r"'SLOW\?' \(it is not whole after 0.3 s\)"):
        link.query("SLOW?")

    assert 0.3 <= time.monotonic() - begun < 1.5
    time.sleep(pause)
    assert [link.query("FAST?") for _ in range(3)] == ["fast"] * 3
    assert instrument.connections == 2


def test_a_block_that_trickles_has_one_too(
    instrument: Instrument, link: VisaLink, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(visa, "_BLOCK_TIMEOUT_MS", 200)
    instrument.answers |= {b"A?": b"#550000", b"B?": b"#9", b"FAST?": b"fast\n"}
    for instrument.trickle, least in ((b"A?", 0.8), (b"B?", 0.3)):  # 50 kB at 100 kB/s after 0.3 s
        begun = time.monotonic()
        with pytest.raises(InstrumentError, match="not whole"):
            link.query_block(instrument.trickle.decode(), 50_000)
        assert least <= time.monotonic() - begun < least + 1.5
        assert link.query("FAST?") == "fast"


def test_a_block_longer_than_what_was_asked_for_is_refused_by_its_head(instrument: Instrument, link: VisaLink) -> None:
    instrument.answers |= {b"A?": b"#9900000000", b"B?": b"#41001" + b"0" * 1001 + b"\n", b"FAST?": b"fast\n"}
    begun = time.monotonic()
    for asked, length in (("A?", 900000000), ("B?", 1001)):
        with pytest.raises(InstrumentError, match=f"a block of {length} bytes where 1000 were asked for at most"):
            link.query_block(asked, 1000)
        assert link.query("FAST?") == "fast"
    assert time.monotonic() - begun < 2


def test_a_line_without_end_is_refused(instrument: Instrument, link: VisaLink) -> None:
    instrument.answers[b"A?"] = b"1" * 1_000_000
    with pytest.raises(InstrumentError, match="a line of more than 65536 bytes"):
        link.query("A?")


def test_what_came_behind_a_block_is_nobodys_answer(instrument: Instrument, link: VisaLink) -> None:
    instrument.answers |= {b"A?": b"#13abc\n700\n", b"MEAS:CURR?": b"25\n"}
    assert link.query_block("A?", MOST) == b"abc"
    with pytest.raises(InstrumentError, match=r"it says b'700.*nobody asked for"):
        link.query("MEAS:CURR?")
    assert link.query("MEAS:CURR?") == "25"


def test_what_nobody_asked_for_is_never_taken_for_an_answer(instrument: Instrument, link: VisaLink) -> None:
    instrument.answers |= {b"MEAS:VOLT?": b"0\n700\n", b"MEAS:CURR?": b"25\n"}
    assert link.query("MEAS:VOLT?") == "0"
    with pytest.raises(InstrumentError, match=r"it says b'700.*nobody asked for"):
        link.query("MEAS:CURR?")
    assert link.query("MEAS:CURR?") == "25"
    assert instrument.connections == 2


def test_an_instrument_that_goes_away_and_comes_back(instrument: Instrument, link: VisaLink) -> None:
    instrument.answers |= {b"DIE?": None, b"FAST?": b"fast\n"}
    with pytest.raises(InstrumentError):
        link.query("DIE?")
    assert link.query("FAST?") == "fast"


def test_a_write_then_a_query_do_not_wait_for_each_other(instrument: Instrument, link: VisaLink) -> None:
    instrument.answers[b"SYST:ERR?"] = b'0,"No error"\n'
    begun = time.monotonic()
    for _ in range(100):
        link.write("SOUR:VOLT 13.5")
        link.query("SYST:ERR?")
    assert time.monotonic() - begun < 3  # 4.4 s where each pair waits 44 ms for a delayed acknowledge


def test_answers_that_are_no_text_are_an_error(instrument: Instrument, link: VisaLink) -> None:
    instrument.answers[b"A?"] = b"\xff\xfe\n"
    with pytest.raises(InstrumentError, match=r"'A\?'"):
        link.query("A?")


def test_a_closed_link_says_so(link: VisaLink) -> None:
    link.close()
    link.close()
    with pytest.raises(InstrumentError, match="closed"):
        link.query("*IDN?")


# A serial line, which is the same line after each failure


class SerialInstrument(threading.Thread):
    """On a pseudo-terminal: answers each line out of ``answers``; SLOW? is answered bit by bit until ``hurry``."""

    def __init__(self) -> None:
        super().__init__(daemon=True)
        self.ours, self.theirs = os.openpty()
        tty.setraw(self.theirs)
        self.resource = f"ASRL{os.ttyname(self.theirs)}::INSTR"
        self.answers = {b"*IDN?": b"maker,model,1,2\n", b"FAST?": b"fast\n", b"A?": b"#15\n\n\x00\n\n\n"}
        self.hurry = threading.Event()
        self.start()

    def run(self) -> None:
        unfinished = b""
        with suppress(OSError):
            while chunk := os.read(self.ours, 100):
                *lines, unfinished = (unfinished + chunk).split(b"\n")
                for line in lines:
                    while line == b"SLOW?" and not self.hurry.wait(0.05):
                        os.write(self.ours, b"1")
                    os.write(self.ours, self.answers.get(line, b"\n"))


def test_a_late_rest_on_a_serial_line_is_never_the_next_answer() -> None:
    instrument = SerialInstrument()
    link = VisaLink(instrument.resource, TIMEOUT_MS)
    assert (link.query("FAST?"), link.query_block("A?", MOST)) == ("fast", b"\n\n\x00\n\n")
    begun = time.monotonic()
    with pytest.raises(InstrumentError, match=r"'SLOW\?'"):
        link.query("SLOW?")
    assert time.monotonic() - begun < 1.5
    with pytest.raises(InstrumentError, match=r"it goes on talking for 1\.5 s"):
        link.query("FAST?")
    threading.Timer(0.1, instrument.hurry.set).start()
    assert [link.query("FAST?") for _ in range(3)] == ["fast"] * 3
    os.write(instrument.ours, b"700\n")
    time.sleep(0.1)
    with pytest.raises(InstrumentError, match=r"it says b'700.*nobody asked for"):
        link.query("FAST?")
    assert link.query("FAST?") == "fast"
    link.close()
    os.close(instrument.theirs)
    instrument.join(10)
    os.close(instrument.ours)


# Opening


def test_whoever_is_no_instrument_is_refused(instrument: Instrument) -> None:
    instrument.answers[b"*IDN?"] = b"220 mail\n"
    with pytest.raises(InstrumentError, match=r"says '220 mail'"):
        VisaLink(instrument.resource, TIMEOUT_MS)


def test_an_instrument_that_somebody_has(served: Any) -> None:
    resource = served.bench["roles"]["injector"]["resource"]
    first = VisaLink(resource)
    with pytest.raises(InstrumentError, match="somebody else has this instrument"):
        VisaLink(resource)
    assert first.query("*OPC?") == "1"
    first.close()
    for _ in range(5):
        VisaLink(resource).close()


def test_nobody_there(tmp_path: Any) -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = listener.getsockname()[1]
    for resource in (
        f"TCPIP::127.0.0.1::{port}::SOCKET",
        f"ASRL{tmp_path}/ttyNone::INSTR",
        "nonsense",
    ):
        with pytest.raises(InstrumentError, match=resource.replace("/", ".")):
            VisaLink(resource, TIMEOUT_MS)


# The served bench's instruments, through PyVISA and a socket


def test_long_and_short_forms_compound_messages_and_the_header_path(served: Any) -> None:
    """SCPI-99 volume 1, 6.2.4: a header goes on where the one before it stood, a colon begins at the root."""
    link = VisaLink(served.bench["roles"]["load"]["resource"])
    link.write("*CLS;*RST")
    link.write("SOURCE:CURRENT:SLEW 1000;MODE FIX;:sour:pulse:width 0.5;:CURR 2.5")
    assert link.query("SOUR:CURR?;CURR:SLEW?;*OPC?;MODE?;:SOURCE:PULS:WIDT?;:INPUT:STATE?") == "2.5;1000;1;FIX;0.5;0"
    assert link.query("SYST:ERR?") == '0,"No error"'
    link.write("SOUR:CURR:SLEW 1000;INP ON")  # INP is looked for below SOUR:CURR, and is not there
    assert link.query("SYSTEM:ERROR:NEXT?").startswith('-113,"Undefined header')
    assert link.query("INP?") == "0"
    link.close()


def test_the_error_queue_is_first_in_first_out_and_says_that_it_overflowed(served: Any) -> None:
    """SCPI-99 volume 2, 21.8.1: the last entry of a full queue becomes -350."""
    link = VisaLink(served.bench["roles"]["load"]["resource"])
    link.write("*CLS")
    link.write("SOUR:CURR 1e9")
    link.write("BOGUS")
    for _ in range(40):
        link.write("SOUR:CURR")
    found = [entry.partition(",")[0] for entry in error_queue(link)]
    assert found[:3] == ["-222", "-113", "-109"]
    assert found[-1] == "-350"
    assert error_queue(link) == []
    link.close()
