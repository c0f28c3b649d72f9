"""A whole world with its supply on, as the tests drive it: text to instruments, frames on the wire, traces back."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from functools import cache

import numpy as np
from numpy.typing import NDArray

from harness.files.profile import load_device, shipped_device
from mocks.world import World
from protocol.decoder import BREAK
from protocol.device import Device
from protocol.frame import checksum, protected_id
from protocol.signals import pack

S = 1_000_000_000
MS = 1_000_000
START_NS = S
"""When the bench hands over: supply on for long, everything else off."""


@cache
def shipped(name: str = "heater") -> Device:
    """A shipped device."""
    return load_device(shipped_device(name))


@cache
def heater() -> Device:
    """The shipped device with its overload as the only function, so that nothing else trips."""
    device = shipped()
    return replace(device, functions={"overload": device.functions["overload"]})


class Bench:
    """One seeded world, of ``heater`` unless another device is given."""

    def __init__(self, seed: int = 1, block: int = 100, device: Device | None = None, screening: bool = True) -> None:
        self.device = device or heater()
        self.world = World(self.device, seed, block, screening)
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
        """Command frames on the wire, 10 ms apart: the command, a mode where there is one, the rest recessive."""
        for word in words:
            self.say_command(word)
            self.wait(0.01)

    def say_command(self, word: str, mode: str | None = None) -> None:
        """One command frame, at once."""
        order = self.device.command
        layout = self.device.node.frames[order.frame]
        values = {signal.name: signal.mask for signal in layout.signals} | {order.signal: order.commands[word]}
        if order.mode_signal is not None:
            values[order.mode_signal] = order.modes[mode or "drive"]
        payload = pack(layout, values)
        symbols = [BREAK, 0x55, protected_id(layout.frame_id), *payload, checksum(layout.frame_id, payload)]
        self.world.wire.carry(symbols, self.clock.now_ns())

    def close(self) -> None:
        self.command("none", "close")
        assert self.world.firmware.gate

    def keep_talking(self) -> None:
        """The master sends an empty command every 200 ms from now on."""
        self.say_command("none")
        self.clock.at(self.clock.now_ns() + S // 5, self.keep_talking)

    @property
    def opened_ns(self) -> int | None:
        """When the gate signal fell; None: it is on."""
        volts, _, since, _ = self.world.plant.gate.piece(self.clock.now_ns())
        return None if volts else since

    @property
    def cause(self) -> str | None:
        return self.world.firmware.cause

    @property
    def state(self) -> str:
        return self.world.firmware.state.value

    def adopt(self, **values: float) -> None:
        """Put set-points in force as if they had been written, in base units."""
        fields = {name: self.device.set_points[name].field for name in values}
        self.world.firmware.adopt({name: fields[name].to_raw(Fraction(str(each))) for name, each in values.items()})

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
