"""SCPI messages that are almost right: against the mock's instruments, and as answers to the harness's link."""

from __future__ import annotations

import random
import socket
import threading
import time
from contextlib import suppress

from harness.bench import visa
from harness.bench.instrument import Instrument, InstrumentError, IsolationMonitor, PowerSupply, Recorder
from harness.bench.visa import VisaLink
from harness.files.profile import load_device, shipped_device
from mocks.lanes import TextTalk
from mocks.serve import ROLES
from mocks.world import World

SLOW_S = 2.0
"""A message that takes longer hangs."""
_COMMANDS = (
    b"*IDN?",
    b"*RST;*CLS",
    b"SYST:ERR?",
    b"SOUR:VOLT 12.5;:SOUR:CURR 1E-3;:OUTP ON",
    b"SOURce:VOLTage:SLEW?",
    b"OUTP OFF;:OUTP?",
    b"MEAS:VOLT?;CURR?",
    b"SOUR:LIST:CURR 1,2,3;:SOUR:LIST:DWEL 0.1;COUN 4",
    b"SOUR:CURR:MODE LIST;:INP ON",
    b"SOUR:PULS:WIDT 0.25;:SOUR:CURR:SLEW 1e4",
    b"SENS:SWE:TINT 1e-5;POIN 1000;OFFS:POIN 100",
    b"TRIG:SOUR CHAN1;SLOP POS;LEV 2.5",
    b"FORM REAL,32;:INIT;:ABOR",
    b"TRAC:DATA? CHAN2",
    b"STAT:OPER:COND?;:STAT:QUES:COND?",
    b"ROUT:CLOS (@1,2);:ROUT:OPEN (@5);CLOS? (@3)",
    b"SENS:DATA? (@1,2,3,4,5,6,7)",
    b"MEAS:VOLT? (@1,2)",
    b"SOUR:FUNC SHOR;:SOUR:TEMP 85",
    b"PRESS ARM 0.5",
    b"FAULT rebound ON",
    b"STATE?",
)
_ANSWERS = (b"0", b"1", b"700.25", b"-1.5E-3", b'0,"No error"', b'-222,"Data out of range"', b"Maker,Model,1,2")
_BLOCK = b"#216" + bytes(range(16))
_PIECES = (
    b"",
    b"\0",
    b"\xff",
    b'"',
    b"(",
    b")",
    b"(@",
    b",",
    b";",
    b":",
    b"?",
    b"#9",
    b"1e999",
    b"nan",
    b"-",
    b" ",
    b"\r",
)
_LINK_MS = 30  # of the link that is tried; shorter than in a run, so that what never comes costs little


def mutated(message: bytes, draw: random.Random) -> bytes:
    """``message`` with up to four changes: bytes flipped, taken out, doubled, cut off, or something put in."""
    content = bytearray(message)
    for _ in range(draw.randint(1, 4)):
        at = draw.randrange(len(content) + 1)
        match draw.randrange(6):
            case 0:
                content[at : at + 1] = bytes([draw.randrange(256)])
            case 1:
                del content[at : at + draw.randint(1, 4)]
            case 2:
                content[at:at] = content[: draw.randint(0, len(content))]
            case 3:
                del content[at:]
            case 4:
                content[at:at] = draw.choice(_PIECES)
            case _:
                content[at:at] = draw.choice(_COMMANDS)
    return bytes(content)


def fuzz_mock(count: int, seed: int) -> float:
    """``count`` messages to every kind of instrument and to the panel, as bytes of a lane; the slowest, in s."""
    draw = random.Random(seed)
    world = World(load_device(shipped_device("heater")), seed, guarded=True)
    handlers = [world.scpi(role).handle for role in ROLES] + [world.bench.panel.handle]
    talks = [TextTalk(handle) for handle in handlers]
    for talk in talks:
        talk.began(lambda chunk: None)
    worst_s = 0.0
    for number in range(count):
        message = mutated(draw.choice(_COMMANDS), draw)
        began = time.perf_counter()
        try:
            talks[number % len(talks)].said(message + b"\n")
            if number % 50 == 0:
                world.advance(world.clock.now_ns() + 1_000_000)
        except Exception as error:
            raise AssertionError(f"{message!r} to {number % len(talks)}: {type(error).__name__}: {error}") from error
        worst_s = max(worst_s, time.perf_counter() - began)
    assert worst_s < SLOW_S, f"a message took {worst_s:.1f} s"
    for role in ROLES:
        world.scpi(role).handle("*CLS")
        assert world.scpi(role).handle("*IDN?") is not None, f"{role} no longer answers"
    return worst_s


def fuzz_harness(count: int, seed: int) -> float:
    """``count`` mutated answers to the instruments of the harness, over PyVISA and a socket; the slowest, in s.

    An answer is taken or refused with InstrumentError, and nothing else; after that the link must be in step.
    """
    draw = random.Random(seed)
    answering = _Answering(draw)
    link = VisaLink(f"TCPIP::127.0.0.1::{answering.port}::SOCKET", _LINK_MS)
    before, visa._BLOCK_TIMEOUT_MS = visa._BLOCK_TIMEOUT_MS, _LINK_MS  # a block that is not whole is waited for
    supply, isolation = PowerSupply("source", link), IsolationMonitor("isolation", link)
    recorder = Recorder("recorder", link, {"current": 1})
    asks = (supply.voltage, supply.current, supply.limiting, supply.off, isolation.resistance, recorder.state)
    worst_s = 0.0
    try:
        for number in range(count):
            ask = asks[number % len(asks)] if number % 100 else lambda: recorder._trace("TRAC:DATA?", 1, 100)
            answering.mutates = True
            began = time.perf_counter()
            with suppress(InstrumentError):
                ask()
            worst_s = max(worst_s, time.perf_counter() - began)
            answering.mutates = False
            if number % 100 == 0:
                _in_step(supply)
    finally:
        visa._BLOCK_TIMEOUT_MS = before
        link.close()
        answering.close()
    assert worst_s < SLOW_S, f"an answer took {worst_s:.1f} s"
    return worst_s


def _in_step(instrument: Instrument) -> None:
    """A good answer is the answer to what was asked, whatever came before; one new connection is forgiven."""
    with suppress(InstrumentError):
        instrument._link.query("*IDN?")
    answer = instrument._link.query("*IDN?")
    assert answer == "Maker,Model,1,2", f"out of step: {answer!r}"


class _Answering:
    """An instrument whose answers are spoilt while ``mutates``."""

    def __init__(self, draw: random.Random) -> None:
        self._draw = draw
        self.mutates = False
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        threading.Thread(target=self._serve, daemon=True).start()

    def close(self) -> None:
        self._listener.close()

    def _serve(self) -> None:
        with suppress(OSError):
            while True:
                connection, _ = self._listener.accept()
                connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                threading.Thread(target=self._talk, args=(connection,), daemon=True).start()

    def _talk(self, connection: socket.socket) -> None:
        with suppress(OSError), connection:
            unfinished = b""
            while chunk := connection.recv(4096):
                *lines, unfinished = (unfinished + chunk).split(b"\n")
                for line in lines:
                    if b"?" in line:
                        connection.sendall(self._answer(line))

    def _answer(self, line: bytes) -> bytes:
        if line == b"*IDN?":
            return b"Maker,Model,1,2\n"
        if line.startswith(b"TRAC"):
            good = _BLOCK
        elif line.startswith(b"SYST"):
            good = b'0,"No error"'
        else:
            good = b"0"
        if not self.mutates:
            return good + b"\n"
        good = good if line.startswith(b"TRAC") else self._draw.choice(_ANSWERS)
        spoilt = mutated(good, self._draw)
        return spoilt + (b"\n" if self._draw.random() < 0.995 else b"")
