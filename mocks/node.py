"""The breaker as a LIN node, symbol by symbol: headers and responses on the wire, frames and messages to the firmware.

Published frames are built from the firmware's state as it is at the end of the header, the diagnostic answer likewise.
A response follows its header after this unit's response space, back to back, and is carried as one chunk at its end.

response_error (LIN 2.1 §2.7.3, from memory): set by an error in the response of a frame that this node receives or
sends; not by header faults, nor by a response that never began. It goes out after the frame that carried it was sent.

Sleep (LIN 2.1 §2.6, from memory): on a go-to-sleep command alone, never by itself for want of traffic. Asleep, the node
answers nothing and takes nothing. A dominant level of more than 150 us wakes it, be it a wake-up signal or the break of
a header, which stays unanswered; it listens again 20 to 80 ms later. Only the bus side sleeps: the firmware knows
nothing of it, keeps the switch as it is and goes on protecting, so that its watch for a silent master goes on as well.

Not modelled: a wake-up signal of the node's own; the first bytes of a response that somebody else talks into (the wire
knows no two senders, so a response that anything is heard during is lost as a whole and counts as an error); headers
stretched beyond their limit, which this node answers all the same.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from random import Random

from mocks.catalogue import catalogue
from mocks.clock import EventClock
from mocks.eeprom import Eeprom
from mocks.firmware.diagnosis import Diagnosis
from mocks.firmware.readings import READINGS
from mocks.firmware.tasks import SOFTWARE, Firmware, Trip
from mocks.image import Image, make_image, read_image
from mocks.wire import Wire
from protocol.decoder import BAD_STOP, BREAK, BusEvent, Decoder, FrameReceived, WireFault
from protocol.device import Device
from protocol.frame import (
    FRAME_IDS,
    MASTER_REQUEST,
    SLAVE_RESPONSE,
    SYNC,
    bits_ns,
    checksum,
    protected_id,
    response_ns,
)
from protocol.signals import FrameLayout, pack, unpack
from protocol.transport import Message, Reassembler, segment

_HEADER_SYMBOLS = 3
_FRAME_ID = {protected_id(frame_id): frame_id for frame_id in FRAME_IDS}
_CHIP_SIZE = 2048
_WAKE_PULSE_NS = 150_000  # LIN 2.1 §2.6.2: a longer dominant level is a wake-up signal
_GO_TO_SLEEP = 0x00  # first byte of a master request; the others do not matter
_SLACK_NS = 5_000_000
"""A response may lag this much beyond its limit: the receiver is a UART with a coarse timer."""


@dataclass(frozen=True)
class _Response:
    """What this node is sending."""

    frame_id: int
    symbols: tuple[int, ...]
    end_ns: int


class Node:
    """The node on ``wire``. It hangs itself into ``firmware``: trip and power hooks are its own.

    ``seed`` draws what differs from unit to unit: response space (1/2 to 2 bit times), time of a non-volatile write
    (9/10 to all of the declared longest), start-up (4/10 to 8/10 of the declared longest), processing time of each
    request (1 to 8 ms), time to wake up, serial number.
    """

    def __init__(self, device: Device, clock: EventClock, wire: Wire, firmware: Firmware, seed: int) -> None:
        draw = Random(f"node {seed}")
        self._device = device
        self._clock = clock
        self._wire = wire
        self._firmware = firmware
        self._bit_rate = device.node.bit_rate
        self._space_ns = bits_ns(draw.randint(5, 20), self._bit_rate) // 10
        longest_ns = device.ratings.write_time_ns
        self._chip = Eeprom(_CHIP_SIZE, draw.randint(longest_ns * 9 // 10, longest_ns))
        self._start_up_ns = device.ratings.start_up_ns * draw.randint(40, 80) // 100
        self._seed = seed
        self._processing_ns = lambda: draw.randint(1_000_000, 8_000_000)
        identity = device.identity
        self.product = (identity.supplier_id, identity.function_id, identity.variant)
        self.adopt(read_image(make_image(self.product, SOFTWARE)))
        self._reassembler = Reassembler(None, device.timing.n_cr_ns)
        self._wake_up_ns = draw.randint(20_000_000, 80_000_000)
        self._asleep = False
        self._awake_ns = 0
        self._tail: tuple[int, ...] = ()
        self._sending: _Response | None = None
        self._outgoing: list[bytes] = []
        self._response_error = False
        self._assign()
        firmware.on_trip = self._tripped
        firmware.on_condition = self._condition
        firmware.on_power_on = self._power_on
        firmware.on_power_off = self._power_off
        wire.listen(self.hear)

    # Application

    def programming(self) -> None:
        """The boot loader begins to write an image; the controller stands still."""
        if self._device.programming is not None and self._device.programming.set_points == "reset":
            self.diagnosis.configuration.write(self._firmware.calibration.defaults, self._clock.now_ns())

    def adopt(self, image: Image) -> None:
        """Have ``image`` from the next start on; non-volatile memory stays as it is."""
        self._firmware.software = image.software
        self._catalogue = catalogue(self._device, self._seed, image)
        self.diagnosis = Diagnosis(self._catalogue, self._firmware, self._chip, self._processing_ns)

    # Power

    def _power_on(self) -> None:
        now_ns = self._clock.now_ns()
        self.diagnosis.power_on(now_ns)
        self._assign()
        self._asleep = False
        self._awake_ns = now_ns + self._start_up_ns
        self._forget_link()
        self._response_error = False

    def _forget_link(self) -> None:
        """Nothing is half received or half sent."""
        self.diagnosis.drop()
        self._decoder.reset()
        self._reassembler.reset()
        self._tail = ()
        self._outgoing = []

    def _power_off(self) -> None:
        self._chip.cut(self._clock.now_ns())
        self._sending = None

    def _assign(self) -> None:
        """Take the frame identifiers of the node configuration."""
        node = self._device.node
        assigned = dict(zip(node.configurable_frames, self.diagnosis.node.pids, strict=True))
        self._assigned = self.diagnosis.node.pids
        ids = {name: protected_id(layout.frame_id) for name, layout in node.frames.items()} | assigned
        frames = {pid & 0x3F: node.frames[name] for name, pid in ids.items() if pid}
        self._published = {at: layout for at, layout in frames.items() if layout.publisher == node.name}
        self._commands = {at: layout for at, layout in frames.items() if layout.name == self._device.command.frame}
        involved = self._published | self._commands
        self._involved = frozenset({*involved, MASTER_REQUEST})
        lengths = {frame_id: layout.length for frame_id, layout in involved.items()}
        self._decoder = Decoder(lengths, self._bit_rate, _SLACK_NS)

    # Receiving

    def hear(self, symbols: Sequence[int], end_ns: int) -> None:
        """Symbols on the wire, own ones included; the last ended at ``end_ns``."""
        if not self._firmware.powered or end_ns < self._awake_ns:
            return
        if self._asleep:
            if any(dominant_ns(symbol, self._bit_rate) > _WAKE_PULSE_NS for symbol in symbols):
                self._asleep = False
                self._awake_ns = end_ns + self._wake_up_ns
            return
        if self._sending is not None:
            self._lose(self._sending)
        for event in self._decoder.feed(symbols, end_ns):
            self._take(event)
        self._tail = (*self._tail, *symbols)[-_HEADER_SYMBOLS:]
        if self._tail[:2] == (BREAK, SYNC) and self._tail[2:] and self._tail[2] in _FRAME_ID:
            self._header(_FRAME_ID[self._tail[2]], end_ns)

    def _take(self, event: BusEvent) -> None:
        if isinstance(event, FrameReceived):
            self._frame(event)
        elif isinstance(event, WireFault) and event.frame_id in self._involved:
            self._response_error = True

    def _frame(self, frame: FrameReceived) -> None:
        if frame.frame_id == MASTER_REQUEST:
            self._firmware.frame_heard()
            if frame.payload[0] == _GO_TO_SLEEP:
                self._go_to_sleep()
            else:
                self._request(frame.payload, frame.end_ns)
        elif frame.frame_id == SLAVE_RESPONSE:
            self._answered(frame)
        elif frame.frame_id in self._commands:
            self._command(unpack(self._commands[frame.frame_id], frame.payload), frame.end_ns)
        elif frame.frame_id in self._published:
            signals = unpack(self._published[frame.frame_id], frame.payload)
            if signals.get(self._device.status.response_error_signal):
                self._response_error = False

    def _command(self, signals: dict[str, int], now_ns: int) -> None:
        command = self._device.command
        if command.mode_signal is not None:
            self._firmware.select_mode(signals[command.mode_signal])
        self.diagnosis.commanded(signals[command.signal], now_ns)

    def _go_to_sleep(self) -> None:
        self._asleep = True
        self._forget_link()

    # Sending

    def _header(self, frame_id: int, end_ns: int) -> None:
        if frame_id == SLAVE_RESPONSE:
            payload = self._next_pdu(end_ns)
            if payload is None:
                return
        elif frame_id in self._published:
            payload = pack(self._published[frame_id], self._signals(self._published[frame_id]))
        else:
            return
        symbols = (*payload, checksum(frame_id, payload))
        response = _Response(frame_id, symbols, end_ns + self._space_ns + response_ns(self._bit_rate, len(payload)))
        self._sending = response
        self._clock.at(response.end_ns, lambda: self._finish(response))

    def _signals(self, layout: FrameLayout) -> dict[str, int]:
        values = self._firmware.status_signals()
        for row in self._catalogue.signals:
            values[row.signal] = row.raw(READINGS[row.source](self._firmware))
        values[self._device.status.response_error_signal] = int(self._response_error)
        return {signal.name: values.get(signal.name, signal.initial) for signal in layout.signals}

    def _finish(self, response: _Response) -> None:
        if self._sending is response:
            self._sending = None
            self._wire.carry(response.symbols, response.end_ns)

    def _lose(self, response: _Response) -> None:
        self._sending = None
        self._response_error = True
        if response.frame_id == SLAVE_RESPONSE:
            self._outgoing = []  # nothing is repeated: a message that lost a frame is lost

    # Messages

    def _request(self, pdu: bytes, now_ns: int) -> None:
        configuration = self.diagnosis.node
        if not configuration.addressed(pdu):
            return
        self._outgoing = []
        self.diagnosis.drop()
        message = self._reassembler.receive(pdu, now_ns)
        if isinstance(message, Message):
            self.diagnosis.request(message.nad, message.payload, now_ns)
            if configuration.pids != self._assigned:
                self._assign()
            self._plan_restart()
            self._plan_session_end()

    def _next_pdu(self, now_ns: int) -> bytes | None:
        if not self._outgoing:
            answer = self.diagnosis.answer(now_ns)
            if answer is None:
                return None
            self._outgoing = segment(*answer)
        return self._outgoing[0]

    def _answered(self, frame: FrameReceived) -> None:
        """A PDU was heard on the wire: the node's own, or another node's."""
        if self._outgoing and frame.payload == self._outgoing[0]:
            self._outgoing = self._outgoing[1:]
            if not self._outgoing:
                self.diagnosis.sent(frame.end_ns)
                self._plan_restart()

    def _plan_restart(self) -> None:
        due_ns = self.diagnosis.restart_due_ns(self._clock.now_ns())
        if due_ns is not None:
            self._clock.at(due_ns, self._restart)

    def _restart(self) -> None:
        """What service 11 asked for, unless the supply was gone since; later where a write has begun since."""
        due_ns = self.diagnosis.restart_due_ns(self._clock.now_ns())
        if due_ns is None:
            return
        if due_ns > self._clock.now_ns():
            self._plan_restart()
            return
        self._firmware.power_off()
        self._firmware.power_on()

    def _plan_session_end(self) -> None:
        """Nothing may come on the wire by the time that a session ends; what it took over goes back all the same."""
        end_ns = self.diagnosis.session_end_ns
        self._clock.at(end_ns, lambda: self.diagnosis.settle(end_ns))

    def _tripped(self, trip: Trip) -> None:
        self.diagnosis.tripped(trip, self._clock.now_ns())

    def _condition(self, cause: str, present: bool) -> None:
        self.diagnosis.condition(cause, present, self._clock.now_ns())


def dominant_ns(symbol: int, bit_rate: int) -> int:
    """The longest dominant level in a symbol. A break has at least 13 bit times (LIN 2.1 §2.3.1.1)."""
    if symbol == BREAK:
        return bits_ns(13, bit_rate)
    stop = int(not symbol & BAD_STOP)
    levels = f"{stop}{symbol & 0xFF:08b}0"  # as sent, from the right: start bit, least significant bit first, stop bit
    return bits_ns(max(map(len, levels.split("1"))), bit_rate)
