"""A whole world with its supply on, as the tests drive it: text to instruments, frames on the wire, traces back."""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray

from harness.files.profile import load_device, shipped_device
from mocks.world import World
from protocol.decoder import BREAK
from protocol.device import Device
from protocol.frame import checksum

S = 1_000_000_000
MS = 1_000_000
START_NS = S
"""When the bench hands over: supply on for long, everything else off."""
_COMMAND_ID, _COMMAND_PID = 0x21, 0x61  # facts table of LIN 2.1 §2.8.2


@cache
def heater() -> Device:
    """The shipped device."""
    return load_device(shipped_device("heater"))


class Bench:
    """One seeded world."""

    def __init__(self, seed: int = 1, block: int = 100) -> None:
        self.world = World(heater(), seed, block)
        self.clock = self.world.clock
        self.say("supply_12v", "SOUR:VOLT 13.5;CURR 2;:OUTP ON")
        self.clock.sleep_until(START_NS)

    def say(self, role: str, line: str) -> None:
        """One message without an answer, and nothing in the error queue after it."""
        instrument = self.world.scpi(role)
        assert instrument.handle(line) is None
        assert instrument.handle("SYST:ERR?") == '0,"No error"', line

    def ask(self, role: str, line: str) -> float:
        """One query with a number for an answer."""
        answer = self.world.scpi(role).handle(line)
        assert isinstance(answer, str), (role, line)
        return float(answer)

    def wait(self, seconds: float) -> None:
        self.clock.sleep_until(self.clock.now_ns() + round(seconds * S))

    def command(self, *words: str) -> None:
        """Command frames on the wire, 10 ms apart: two bits of command, the rest recessive."""
        for word in words:
            payload = bytes([0xFC | heater().command.commands[word], 0xFF])
            symbols = [BREAK, 0x55, _COMMAND_PID, *payload, checksum(_COMMAND_ID, payload)]
            self.world.wire.carry(symbols, self.clock.now_ns())
            self.wait(0.01)

    def close(self) -> None:
        self.command("none", "close")
        assert self.world.firmware.gate

    def record(self, interval: float, points: int, before: int, channel: int, level: float, slope: str = "POS") -> None:
        """Arm the recorder."""
        self.say(
            "recorder",
            f"SENS:SWE:TINT {interval};POIN {points};OFFS:POIN {before};"
            f":TRIG:SOUR CHAN{channel};LEV {level};SLOP {slope};:INIT",
        )

    def trace(self, channel: int) -> NDArray[np.float64]:
        """Samples of one channel."""
        block = self.world.scpi("recorder").handle(f"TRAC:DATA? CHAN{channel}")
        assert isinstance(block, bytes), channel
        start = 2 + int(block[1:2])
        assert len(block) == start + int(block[2:start])
        return np.frombuffer(block[start:], dtype=">f4").astype(np.float64)
