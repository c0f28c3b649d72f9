"""A node, its firmware and a master's end of the wire, on an event clock: verbs that the node's tests share.

The world around it is the plainest there is: time moves, nothing else does. ``run`` plays the slow task with a current.
Devices are the shipped ones with the overload as their only protection function, so that nothing else trips.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cache

from harness.files.profile import load_device, shipped_device
from mocks.calibrate import calibrate
from mocks.clock import EventClock
from mocks.firmware.key import key_of
from mocks.firmware.tasks import Firmware, Terminals
from mocks.node import Node
from mocks.wire import Wire
from protocol.device import Device

BREAK = 0x100
SLOT_NS = 10_000_000
BIT_NS = 52_083  # 1/19200 s
PUMP_SLOT_NS = 20_000_000
PUMP_BIT_NS = 104_167  # 1/9600 s
COUNTS_PER_AMPERE = 65536 / 400  # 16 bits over ±200 A

# Protected identifiers: facts table of LIN 2.1 §2.8.2 (21 -> 61, 22 -> E2, 23 -> A3, 3C -> 3C, 3D -> 7D).
COMMAND, STATUS, INFO, REQUEST, ANSWER = 0x61, 0xE2, 0xA3, 0x3C, 0x7D


# The pump's: 30 -> F0, 31 -> B1 (same table).
PUMP_ORDER, PUMP_STATE = 0xF0, 0xB1


@cache
def heater() -> Device:
    return _overload_only("heater")


@cache
def pump() -> Device:
    return _overload_only("pump")


def _overload_only(name: str) -> Device:
    device = load_device(shipped_device(name))
    return replace(device, functions={"overload": device.functions["overload"]})


class Bench:
    """One unit with its supply on and started."""

    nad = 0x0A
    slot_ns = SLOT_NS
    bit_ns = BIT_NS

    def __init__(self, seed: int = 1, device: Device | None = None) -> None:
        self.device = device or self.default_device()
        self.clock = EventClock(lambda until_ns: until_ns)
        self.wire = Wire()
        self.gate: list[bool] = []
        calibration = calibrate(self.device)
        terminals = Terminals(13_500, 18_000, 0, calibration.temperatures.index(250))
        self.firmware = Firmware(calibration, self.gate.append, lambda: terminals)
        self.node = Node(self.device, self.clock, self.wire, self.firmware, seed)
        self.heard: list[int] = []
        self.ends: list[int] = []
        self.wire.listen(self._hear)
        self.start()

    def default_device(self) -> Device:
        return heater()

    def _hear(self, symbols: Sequence[int], end_ns: int) -> None:
        self.heard += symbols
        self.ends.append(end_ns)

    def wait(self, seconds: float) -> None:
        self.clock.sleep_until(self.clock.now_ns() + round(seconds * 1e9))

    def carry(self, *symbols: int) -> None:
        """Put symbols on the wire, back to back from now on, as one chunk at their end."""
        bits = sum(14 if symbol == BREAK else 10 for symbol in symbols)
        self.clock.sleep_until(self.clock.now_ns() + bits * self.bit_ns)
        self.wire.carry(symbols, self.clock.now_ns())

    def header(self, pid: int) -> str:
        """What the header is answered with, checksum included; "" for silence. Takes a slot."""
        start_ns = self.clock.now_ns()
        self.carry(BREAK, 0x55, pid)
        self.heard.clear()
        self.clock.sleep_until(start_ns + self.slot_ns)
        return bytes(self.heard).hex(" ").upper()

    def frame(self, pid: int, response: str) -> None:
        """Send a header and the master's own response, checksum included. Takes a slot."""
        start_ns = self.clock.now_ns()
        self.carry(BREAK, 0x55, pid, *bytes.fromhex(response))
        self.clock.sleep_until(start_ns + self.slot_ns)

    def poll(self, slots: int = 60) -> str:
        """The next diagnostic answer frame; "" where none comes in so many slots."""
        return next(filter(None, (self.header(ANSWER) for _ in range(slots))), "")

    def ask(self, message: str, nad: int | None = None) -> str:
        """Send a single-frame message, poll, and give back the next answer's message, its pending ones as they come."""
        self.send(message, nad)
        return self.answer()

    def finish(self, message: str) -> str:
        """The same, without the pending ones."""
        answer = self.ask(message)
        while answer[:2] == "7F" and answer[-2:] == "78":
            answer = self.answer(300)
        return answer

    def send(self, message: str, nad: int | None = None) -> None:
        """Send a message of up to 11 bytes."""
        address = bytes([self.nad if nad is None else nad])
        payload = bytes.fromhex(message)
        if len(payload) <= 6:
            self.send_pdu((address + bytes([len(payload)]) + payload).ljust(8, b"\xff"))
        else:
            self.send_pdu(address + bytes([0x10, len(payload)]) + payload[:5])
            self.send_pdu((address + b"\x21" + payload[5:]).ljust(8, b"\xff"))

    def send_pdu(self, pdu: bytes) -> None:
        """Send a request frame."""
        self.frame(REQUEST, (pdu + bytes([classic(pdu)])).hex())

    def answer(self, slots: int = 60) -> str:
        """The next answer message, reassembled; "" where none comes."""
        first = bytes.fromhex(self.poll(slots))
        if not first:
            return ""
        assert first[8] == classic(first[:8])
        if first[1] < 0x10:
            return first[2 : 2 + first[1]].hex(" ").upper()
        payload = first[3:8]
        length = (first[1] & 0xF) << 8 | first[2]
        while len(payload) < length:
            payload += bytes.fromhex(self.poll())[2:8]
        return payload[:length].hex(" ").upper()

    def run(self, ampere: float, seconds: float) -> None:
        """Let the slow task run with a constant current."""
        for _ in range(round(seconds * 100)):
            self.wait(0.01)
            counts = round(ampere * COUNTS_PER_AMPERE)
            self.firmware.slow_task(counts, counts**2)

    def close(self) -> None:
        """Command the switch closed: payload FE FF, other bits recessive."""
        self.frame(COMMAND, "FE FF 9F")

    def open(self) -> None:
        """Command the switch open."""
        self.frame(COMMAND, "FD FF A0")

    def trip(self) -> None:
        """Close and overload until it trips: 100 A at a 27.5 A pickup takes 60 s * ln(13.22/12.22) = 4.7 s."""
        self.close()
        self.run(100, 5)

    def trip_at_once(self) -> None:
        """Close and run the slow task at full scale, without letting time pass."""
        self.close()
        while self.firmware.gate:
            self.firmware.slow_task(32767, 32767**2)

    def power_cycle(self) -> None:
        """Take the supply away and bring it back."""
        self.firmware.power_off()
        self.firmware.adopt(dict.fromkeys(self.firmware.set_points, 1))  # what RAM holds by then
        self.wait(1)
        self.start()

    def start(self) -> None:
        """Supply on, wait for the node, and send 'none': a command acts on its change only."""
        self.firmware.power_on()
        self.wait(0.1)
        self.frame(COMMAND, "FC FF A1")


class PumpBench(Bench):
    """The same with the pump's breaker."""

    nad = 0x21
    slot_ns = PUMP_SLOT_NS
    bit_ns = PUMP_BIT_NS

    def default_device(self) -> Device:
        return pump()

    def order(self, payload: int) -> None:
        """Its command frame: order in bits 0 to 2 (3 close, 5 open), mode in bits 4 and 5 (1 drive, 2 charge)."""
        checksum = (0xF0 + payload) % 255  # inverted sum with carry over identifier and byte
        self.frame(PUMP_ORDER, f"{payload:02X} {255 - checksum:02X}")

    def start(self) -> None:
        self.firmware.power_on()
        self.wait(0.15)
        self.order(0x10)

    def unlock(self) -> None:
        """Service session, seed, key."""
        assert self.ask("10 40") == "50 40 00 50 01 2C"  # P2 80 ms, P2* 300 * 10 ms
        seed = bytes.fromhex(self.ask("27 01"))[2:]
        assert self.finish(f"27 02 {key_of(seed, 4).hex()}") == "67 02"


def classic(payload: bytes) -> int:
    """Inverted sum with carry, LIN 2.1 §2.3.1.5, written a second time."""
    total = 0
    for byte in payload:
        total += byte
        if total > 0xFF:
            total -= 0xFF
    return 0xFF - total
