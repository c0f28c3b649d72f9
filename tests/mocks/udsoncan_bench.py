"""An independent diagnostic client, udsoncan, against the simulated world: requests and answers travel as frames 3C and
3D on its wire, through our transport layer, on its event clock. Trips are made by the injector."""

from __future__ import annotations

import logging
import struct
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any

from udsoncan import DidCodec
from udsoncan.client import Client
from udsoncan.connections import BaseConnection
from udsoncan.exceptions import TimeoutException

from harness.files.profile import load_device, shipped_device
from mocks.world import World
from protocol.decoder import BREAK
from protocol.device import Device
from protocol.frame import checksum, protected_id
from protocol.signals import pack
from protocol.transport import Message, Reassembler, segment

MASTER_REQUEST, SLAVE_RESPONSE = 0x3C, 0x7D  # protected identifiers


class LinConnection(BaseConnection):
    """Messages to and from one node of a world. Its timeouts are event-clock time."""

    def __init__(self, world: World, device: Device) -> None:
        super().__init__("lin")
        self._world = world
        self._nad = device.node.configured_nad
        self._bit_ns = 1_000_000_000 // device.node.bit_rate
        self._slot_ns = 200 * self._bit_ns
        self._heard: list[int] = []
        self._open = False
        self.messages: list[bytes] = []
        world.wire.listen(self._hear)

    def open(self) -> LinConnection:
        self._open = True
        return self

    def close(self) -> None:
        self._open = False

    def is_open(self) -> bool:
        return self._open

    def empty_rxqueue(self) -> None:
        """Nothing waits here: an answer stays in the node until it is asked for."""

    def specific_send(self, payload: bytes, timeout: float | None = None) -> None:
        for pdu in segment(self._nad, payload):
            self.slot(MASTER_REQUEST, *pdu, checksum(0x3C, pdu))

    def specific_wait_frame(self, timeout: float | None = None) -> bytes:
        assert timeout is not None
        end_ns = self._world.clock.now_ns() + round(timeout * 1e9)
        reassembler = Reassembler(self._nad, 1_000_000_000)
        begun = False
        while begun or self._world.clock.now_ns() < end_ns:
            response = self.slot(SLAVE_RESPONSE)
            assert begun <= bool(response), "an answer begun goes on in the next slot"
            if response:
                begun = True
                assert response[8] == checksum(0x3D, response[:8])
                message = reassembler.receive(response[:8], self._world.clock.now_ns())
                if isinstance(message, Message):
                    self.messages.append(message.payload)
                    return message.payload
        raise TimeoutException("no answer")

    def slot(self, pid: int, *response: int) -> bytes:
        """Send a header, and the master's response if there is one; what the node says to it."""
        clock = self._world.clock
        start_ns = clock.now_ns()
        clock.sleep_until(start_ns + (34 + 10 * len(response)) * self._bit_ns)
        self._world.wire.carry((BREAK, 0x55, pid, *response), clock.now_ns())
        self._heard.clear()
        clock.sleep_until(start_ns + self._slot_ns)
        return bytes(self._heard)

    def _hear(self, symbols: Sequence[int], end_ns: int) -> None:
        self._heard += symbols


class Word(DidCodec):
    """An integer by a format of the struct module; a tuple where the format has several."""

    def __init__(self, layout: str) -> None:
        self._layout = layout

    def encode(self, value: int | tuple[int, ...]) -> bytes:
        return struct.pack(self._layout, *(value if isinstance(value, tuple) else (value,)))

    def decode(self, data: bytes) -> object:
        values = struct.unpack(self._layout, data)
        return values if len(values) > 1 else values[0]

    def __len__(self) -> int:
        return struct.calcsize(self._layout)


class Unit:
    """A world with its 12 V supply on, and a client of its breaker."""

    def __init__(self, name: str, seed: int, configuration: Mapping[str, Any]) -> None:
        self.device = load_device(shipped_device(name))
        self.world = World(self.device, seed)
        self.clock = self.world.clock
        self.say("supply_12v", "SOUR:VOLT 13.5;CURR 2;:OUTP ON")
        self.wait(1)
        self.connection = LinConnection(self.world, self.device)
        self.client = Client(self.connection, config={"request_timeout": 60, **configuration})

    def say(self, role: str, line: str) -> None:
        """One message without an answer, and nothing in the error queue after it."""
        instrument = self.world.scpi(role)
        assert instrument.handle(line) is None
        assert instrument.handle("SYST:ERR?") == '0,"No error"', line

    def wait(self, seconds: float) -> None:
        """Nothing on the wire."""
        self.clock.sleep_until(self.clock.now_ns() + round(seconds * 1e9))

    def command(self, *words: str, mode: str = "drive") -> None:
        """Command frames, one after another."""
        command = self.device.command
        layout = self.device.node.frames[command.frame]
        for word in words:
            raw = {signal.name: signal.initial for signal in layout.signals} | {command.signal: command.commands[word]}
            if command.mode_signal is not None:
                raw[command.mode_signal] = command.modes[mode]
            payload = pack(layout, raw)
            self.connection.slot(protected_id(layout.frame_id), *payload, checksum(layout.frame_id, payload))

    def keep(self, seconds: float, mode: str = "drive") -> None:
        """Command frames that command nothing, so that the master is no silent one."""
        end_ns = self.clock.now_ns() + round(seconds * 1e9)
        while self.clock.now_ns() < end_ns:
            self.command("none", mode=mode)
            self.wait(0.5)

    def trip(self, ampere: float, seconds: float, mode: str = "drive") -> None:
        """Close, inject for so long, and stop."""
        self.command("none", "close", mode=mode)
        assert self.world.firmware.gate
        self.say("injector", f"SOUR:CURR {ampere};:OUTP ON")
        self.keep(seconds, mode)
        assert not self.world.firmware.gate
        self.say("injector", "OUTP OFF")
        self.wait(0.1)


@contextmanager
def opened(name: str, seed: int, configuration: Mapping[str, Any]) -> Iterator[Unit]:
    """A unit whose client is connected."""
    logging.getLogger("UdsClient").setLevel(logging.CRITICAL)  # it reports every exception as an error
    unit = Unit(name, seed, configuration)
    with unit.client:
        yield unit


def read(client: Client, *dids: int) -> tuple[Any, ...]:
    """Values of data identifiers, by one request."""
    response = client.read_data_by_identifier(list(dids))
    assert response is not None
    return tuple(response.service_data.values[did] for did in dids)
