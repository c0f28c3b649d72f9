"""One contract for every kind of port. A new kind adds a row to PORTS."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import pytest

from harness.bench.simulated import SimulatedPort
from harness.bench.visa import VisaLink
from harness.bus.port import BusPort, PortError
from harness.bus.serial_port import SerialPort
from harness.clock import MS, Clock, S, WallClock
from harness.files.profile import load_device, shipped_device
from mocks.world import World
from protocol.decoder import BAD_STOP, BREAK, BusEvent, FaultKind, FrameReceived, NoResponse, WireFault

DEVICE = load_device(shipped_device("heater"))
COMMAND, STATUS, NOBODY, RESPONSE = 0x21, 0x22, 0x10, 0x3D
PAYLOAD = b"\xfc\xff"
# Nominal frame times at 19.2 kbit/s, LIN 2.1 §2.3.2: 34 bit times of header, 10 for each byte and the checksum.
COMMAND_NS, STATUS_NS = 3_333_333, 6_458_333
PATIENCE_NS = 30 * S
FEW_TRIES = 5  # a served peer may miss a frame on a busy machine
TRIES = 100  # also covers the start of the node, 100 ms


@dataclass
class Rig:
    port: BusPort
    clock: Clock
    kill: Callable[[], None] | None  # takes away what is behind the port; None: it cannot be

    def next_event(self) -> BusEvent:
        return next(self.port.events(self.clock.now_ns() + PATIENCE_NS))

    def insist(self, send: Callable[[], None], count: int) -> list[FrameReceived]:
        """``send`` until ``count`` good frames come of it: on a busy machine a served peer may be late, not always."""
        for _ in range(TRIES):
            send()
            events = [self.next_event() for _ in range(count)]
            frames = [event for event in events if isinstance(event, FrameReceived)]
            if len(frames) == count:
                return frames
        raise AssertionError(f"no good frame in {TRIES} tries, the last time {events}")

    def rest(self, duration_ns: int) -> None:
        """Say nothing for a while; what is heard is dropped."""
        for _ in self.port.events(self.clock.now_ns() + duration_ns):
            pass

    def took(self, event: BusEvent) -> int:
        """The longest time that the frame may have taken on the wire; stamps are late by up to the port's latency."""
        return event.end_ns - event.start_ns + self.port.capabilities.latency_ns


def _simulated(_: Any) -> Rig:
    world = World(DEVICE, 1)
    for line in ("SOUR:VOLT 13.5", "SOUR:CURR 2", "OUTP ON"):
        world.scpi("supply_12v").handle(line)
    return Rig(SimulatedPort(world, DEVICE), world.clock, None)


def _served(server: Any, by_pty: bool) -> Rig:
    supply = VisaLink(server.bench["roles"]["supply_12v"]["resource"], timeout_ms=20_000)
    for line in ("SOUR:VOLT 13.5", "SOUR:CURR 2", "OUTP ON"):
        supply.write(line)
    supply.query("*OPC?")
    supply.close()
    clock = WallClock()
    if by_pty:
        port = SerialPort(server.bench["served"]["pty"], DEVICE.node, clock, "slow_bit_rate")
    else:
        port = SerialPort(server.bench["lin"]["port"], DEVICE.node, clock, "break_condition")
    return Rig(port, clock, server.end)


PORTS: dict[str, Callable[[Any], Rig]] = {
    "simulated": _simulated,
    "linwire": lambda server: _served(server, by_pty=False),
    "pty": lambda server: _served(server, by_pty=True),
}
kinds = pytest.mark.parametrize("kind", PORTS)


@pytest.fixture
def rig(kind: str, served: Any) -> Iterator[Rig]:
    rig = PORTS[kind](served)
    rig.insist(lambda: rig.port.header(STATUS), 1)
    yield rig
    rig.port.close()


@kinds
def test_a_header_is_answered(rig: Rig) -> None:
    event = rig.insist(lambda: rig.port.header(STATUS), 1)[0]
    assert (event.frame_id, len(event.payload)) == (STATUS, 8)
    assert event.payload[0] & 0b111 == 0  # HtrState: off
    assert rig.took(event) > 0.9 * STATUS_NS
    assert event.end_ns <= rig.clock.now_ns()


@kinds
def test_a_header_that_nobody_answers(rig: Rig) -> None:
    for frame_id in (NOBODY, RESPONSE):
        rig.port.header(frame_id)
        event = rig.next_event()
        assert isinstance(event, NoResponse)
        assert event.frame_id == frame_id


@kinds
def test_an_own_frame_comes_back(rig: Rig) -> None:
    event = rig.insist(lambda: rig.port.respond(COMMAND, PAYLOAD), 1)[0]
    assert (event.frame_id, event.payload) == (COMMAND, PAYLOAD)
    assert rig.took(event) > 0.9 * COMMAND_NS


@kinds
@pytest.mark.parametrize("payload", [b"\x00\x55", b"\x55\x61", b"\x00\x00", b"\xff\xff"])
def test_payloads_that_look_like_headers_come_back_whole(rig: Rig, payload: bytes) -> None:
    event = rig.insist(lambda: rig.port.respond(COMMAND, payload), 1)[0]
    assert (event.frame_id, event.payload) == (COMMAND, payload)


RAW: dict[str, tuple[list[int], FaultKind, int | None, bytes]] = {
    # PIDs of LIN 2.1 table 2.4: 0x21 -> 61, 0x22 -> e2; the good checksum is a1: 0x61 + 0xfc + 0xff, carries added
    "wrong checksum": ([BREAK, 0x55, 0x61, 0xFC, 0xFF, 0xA0], FaultKind.CHECKSUM, COMMAND, b"\x61\xfc\xff\xa0"),
    "short response": ([BREAK, 0x55, 0x61, 0xFC], FaultKind.SHORT, COMMAND, b"\x61\xfc"),
    "wrong parity": ([BREAK, 0x55, 0x62], FaultKind.PARITY, None, b"\x55\x62"),
    "bad sync": ([BREAK, 0x54, 0xE2], FaultKind.SYNC, None, b"\x54\xe2"),
    "stray bytes": ([0x3A, 0xC5, 0x99], FaultKind.SURPLUS, None, b"\x3a\xc5\x99"),
}


@kinds
@pytest.mark.parametrize("what", RAW)
def test_faulty_frames_go_out_and_the_next_header_is_answered(rig: Rig, what: str) -> None:
    symbols, kind, frame_id, raw = RAW[what]
    assert rig.port.capabilities.raw_symbols
    for _ in range(TRIES):
        rig.port.send(symbols)
        event = rig.next_event()
        if isinstance(event, WireFault) and event.kind is kind:
            break
    assert isinstance(event, WireFault)
    assert (event.kind, event.frame_id, event.raw) == (kind, frame_id, raw)
    status = rig.insist(lambda: rig.port.header(STATUS), 1)[0]
    assert status.frame_id == STATUS


@kinds
def test_a_good_frame_in_symbols_is_a_good_frame(rig: Rig) -> None:
    event = rig.insist(lambda: rig.port.send([BREAK, 0x55, 0x61, 0xFC, 0xFF, 0xA1]), 1)[0]
    assert (event.frame_id, event.payload) == (COMMAND, PAYLOAD)


@kinds
def test_a_symbol_that_no_port_can_send(rig: Rig) -> None:
    for symbol in (BAD_STOP | 0x55, -1):
        with pytest.raises(ValueError, match="neither a break nor a byte"):
            rig.port.send([BREAK, symbol])


@kinds
def test_a_sleeping_node_is_woken(rig: Rig) -> None:
    assert rig.port.capabilities.wake_pulse
    assert any(_sleeps(rig, wake=False) is NoResponse for _ in range(FEW_TRIES))
    assert any(_sleeps(rig, wake=True) is FrameReceived for _ in range(FEW_TRIES))


def _sleeps(rig: Rig, wake: bool) -> type[BusEvent]:
    """Put the node to sleep, wake it by a signal or not, and say what comes of the next header, which wakes it too."""
    rig.insist(lambda: rig.port.respond(0x3C, bytes((0, *[0xFF] * 7))), 1)
    rig.rest(100 * MS)
    if wake:
        rig.port.wake()
    rig.rest(100 * MS + rig.port.capabilities.latency_ns)
    rig.port.header(STATUS)
    event = rig.next_event()
    rig.rest(100 * MS)
    return type(event)


@kinds
def test_two_frames_back_to_back(rig: Rig) -> None:
    def both() -> None:
        before = rig.clock.now_ns()
        rig.port.respond(COMMAND, PAYLOAD)
        rig.port.header(STATUS)
        assert rig.clock.now_ns() - before > COMMAND_NS  # a break any earlier would cut the first frame off

    first, second = rig.insist(both, 2)
    assert (first.frame_id, second.frame_id) == (COMMAND, STATUS)
    assert first.end_ns <= second.end_ns


@kinds
def test_a_reader_that_stops_early_loses_nothing(rig: Rig) -> None:
    rig.port.respond(COMMAND, PAYLOAD)
    rig.port.header(STATUS)
    seen: list[int | None] = []
    for _ in range(2):
        for event in rig.port.events(rig.clock.now_ns() + PATIENCE_NS):
            seen.append(event.frame_id)
            break
    assert seen == [COMMAND, STATUS]


@kinds
def test_a_silent_bus_is_waited_out(rig: Rig) -> None:
    until = rig.clock.now_ns() + 20 * MS
    assert list(rig.port.events(until)) == []
    assert rig.clock.now_ns() >= until


@kinds
def test_closing_twice_does_nothing(rig: Rig) -> None:
    rig.port.close()
    rig.port.close()


@pytest.mark.parametrize("kind", ["linwire", "pty"])
def test_a_lost_peer_is_a_port_error_and_stays_one(kind: str, serving: Callable[..., Any]) -> None:
    rig = PORTS[kind](serving())
    rig.insist(lambda: rig.port.header(STATUS), 1)
    assert rig.kill is not None
    rig.kill()
    until = rig.clock.now_ns() + PATIENCE_NS
    with pytest.raises(PortError, match="lost"):
        list(rig.port.events(until))
    assert rig.clock.now_ns() < until
    with pytest.raises(PortError, match="was closed or lost"):
        rig.port.header(STATUS)
    with pytest.raises(PortError, match="was closed or lost"):
        list(rig.port.events(until))
    rig.port.close()
