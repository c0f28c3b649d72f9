"""The LIN master of a bench: runs schedule tables, polls frames, commands the switch, makes diagnostic requests.

One thread; nothing happens on the bus but within a call. Slots lie on absolute instants, so lateness of one does not
move the next. A slot waits for the outcome of its frame (LIN 2.1 §2.4.2 gives a slot the frame's longest time; a port
adds its latency), so a late answer never runs into the next header. Two things repeat by themselves: ``poll``, which
reads, and the command frame, in which a command acts only when its value changes. A request never does.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from harness.bus.port import BusPort, Capabilities
from harness.bus.session import OpenSession, SessionWatch
from harness.bus.traffic import Observer, Runs, Statistics, request_made
from harness.bus.unanswered import NoAnswer, NotSent, Refused, Unanswered, outcome_text
from harness.clock import Clock, S
from protocol import exchange
from protocol.decoder import BusEvent, FrameReceived, NoResponse
from protocol.device import Device
from protocol.exchange import Exchange, Finished, Poll, Send, State
from protocol.frame import BREAK_BITS, MASTER_REQUEST, MAX_LENGTH, SLAVE_RESPONSE, bits_ns, frame_max_ns
from protocol.services import tester_present
from protocol.signals import pack, unpack
from protocol.transport import segment

__all__ = ["TRIES", "Master", "NoAnswer", "NotSent", "Refused", "Unanswered"]

TRIES = 3
"""How often ``poll`` and ``send_command`` send a header before they give up."""

_MOST_PENDING = 10  # a node may say 'response pending' for this many times P2*, then it is given up
_SLEEP = bytes((0x00, *[0xFF] * 7))  # the go-to-sleep command: LIN 2.1 §2.6.3
_KEEP_SHARE = (2, 5)  # tester present after this share of S3: 2 s of 5 s, ISO 14229-2


@dataclass(frozen=True)
class _Lost(exchange.Unanswered):
    """The request did not come back whole."""


@dataclass
class _Grid:
    """Where a schedule table stands: the next entry, and the instant of its slot."""

    entry: int = 0
    slot_ns: int = 0


class Master:
    """The master of ``device``'s bus on ``port``.

    ``nad`` is the node's present address, to be set when an address is assigned. ``latest`` holds the payload and end
    of the last good frame of each name, ``answer_pdus`` what frame 0x3D carried since the last request began, and
    ``last_sent_ns`` the end of the last own frame with a response. PortError from any call: the port is gone.
    """

    def __init__(self, port: BusPort, clock: Clock, device: Device, observer: Observer | None = None) -> None:
        node = device.node
        self._port = port
        self._clock = clock
        self._device = device
        self._observer = observer
        self._runs = Runs(observer) if observer is not None else None
        self._names = {layout.frame_id: layout.name for layout in node.frames.values()}
        self._command = node.frames[device.command.frame]
        self._commanded = device.command.commands["none"]
        self._mode: int | None = None  # raw; None: the signal's initial value
        self._longest_ns = {
            layout.frame_id: frame_max_ns(node.bit_rate, layout.length) + port.capabilities.latency_ns
            for layout in node.frames.values()
        }
        self._longest_pdu_ns = frame_max_ns(node.bit_rate, MAX_LENGTH) + port.capabilities.latency_ns
        self._pdu_slot_ns = _diagnostic_slot_ns(device)
        self._grids: dict[str, _Grid] = {}
        self._scheduled: str | None = None
        self.nad = node.configured_nad
        self.latest: dict[str, tuple[bytes, int]] = {}
        self.statistics = Statistics()
        self.answer_pdus: list[bytes] = []
        self.last_sent_ns = 0
        self._sessions = SessionWatch(device.timing.s3_ns)

    @property
    def capabilities(self) -> Capabilities:
        """What the port can do."""
        return self._port.capabilities

    @property
    def session(self) -> OpenSession | None:
        """The session that is open; ``run_until`` keeps it before it ends by itself. None: the default one."""
        return self._sessions.at(self._clock.now_ns())

    @property
    def session_ends_ns(self) -> int | None:
        """When the open session ends by itself (S3). None: default session."""
        session = self.session
        return None if session is None else session.ends_ns

    def run_until(self, instant_ns: int, schedule: str = "slow") -> None:
        """Run the schedule table of role ``schedule`` (a key of Device.schedules) until ``instant_ns``.

        A run that follows one of the same table within a slot's time goes on in step with it; else the table's next
        frame comes at once.
        """
        table = self._device.node.schedules[self._device.schedules[schedule]]
        grid = self._grids.setdefault(schedule, _Grid())
        now = self._clock.now_ns()
        if self._scheduled != schedule or grid.slot_ns + table[grid.entry % len(table)][1] <= now:
            grid.slot_ns = now
        self._scheduled = schedule
        while True:
            delay_ns = table[grid.entry % len(table)][1]
            keep_ns = self._keep_ns(grid.slot_ns)
            wake = min(instant_ns, grid.slot_ns, instant_ns if keep_ns is None else keep_ns)
            self._listen(wake)
            if wake == instant_ns:
                return
            if wake == keep_ns:
                self._keep_session()
                grid.slot_ns += delay_ns if wake == grid.slot_ns else 0
            else:
                self._slot(table, grid)

    def poll(self, frame_name: str) -> dict[str, int]:
        """Raw signals of a frame that the node publishes, from a header sent now.

        Raises NoAnswer after the tries are spent, KeyError for a frame that the LDF does not have.
        """
        layout = self._device.node.frames[frame_name]
        heard: list[BusEvent | None] = []
        for _ in range(TRIES):
            event = self._header(layout.frame_id, self._longest_ns[layout.frame_id])
            if isinstance(event, FrameReceived):
                return unpack(layout, event.payload)
            heard.append(event)
            self.statistics.retries += 1
        raise NoAnswer(frame_name, heard)

    def send_command(self, name: str) -> int:
        """Send the command frame with command ``name`` now, and keep it in the schedule; returns when it ended.

        A command acts when its value changes: to give the same one again, give another one in between. Raises NoAnswer
        where the frame does not come back from the wire, KeyError for a command that the device does not have.
        """
        self._commanded = self._device.command.commands[name]
        return self._send_until_back()

    def repeat_command(self) -> int:
        """Send the command frame once more as it stands: no new command. Returns when it ended.

        Raises NoAnswer where the frame does not come back from the wire.
        """
        return self._send_until_back()

    def _send_until_back(self) -> int:
        heard: list[BusEvent | None] = []
        for _ in range(TRIES):
            event = self._send_command_frame()
            if isinstance(event, FrameReceived):
                return event.end_ns
            heard.append(event)
            self.statistics.retries += 1
        raise NoAnswer(self._command.name, heard)

    def send_mode(self, name: str) -> int:
        """Send the command frame with operating mode ``name`` now, and keep it in the schedule; returns when it ended.

        The command that stands is sent along. Raises NoAnswer where the frame does not come back from the wire,
        KeyError for a mode that the device does not have.
        """
        self._mode = self._device.command.modes[name]
        return self._send_until_back()

    def silence_until(self, instant_ns: int) -> None:
        """Send nothing until ``instant_ns``, tester present included: a session may end meanwhile."""
        self._listen(instant_ns)

    def send_symbols(self, symbols: Sequence[int]) -> list[BusEvent]:
        """Put breaks and bytes on the wire as they are; what was heard by a frame's longest time after them.

        Needs the port's ``raw_symbols``. The port may hand them on late, and find out late that no more is coming.
        """
        self._port.send(symbols)
        heard = []
        sent_ns = bits_ns(BREAK_BITS * len(symbols), self._device.node.bit_rate)
        until_ns = self._clock.now_ns() + sent_ns + self._longest_pdu_ns + self._port.capabilities.latency_ns
        for event in self._port.events(until_ns):
            self._hear(event)
            heard.append(event)
        return heard

    def go_to_sleep(self) -> None:
        """Send the go-to-sleep command once. Raises NoAnswer where it does not come back from the wire."""
        event = self._respond(MASTER_REQUEST, _SLEEP, self._longest_pdu_ns)
        if not isinstance(event, FrameReceived):
            raise NoAnswer("go-to-sleep command", [event])

    def wake(self) -> None:
        """Send a wake-up signal. Needs the port's ``wake_pulse``."""
        self._port.wake()

    def request(self, payload: bytes, nad: int | None = None) -> bytes:
        """Make a diagnostic request and return the positive answer; b"" where none was wanted.

        Asks on for as long as the node says 'response pending' in time, but not for ever. Raises Refused, Unanswered;
        ValueError for a payload that no request can have.
        """
        outcome = self._ask(self.nad if nad is None else nad, payload, wait=True)
        now_ns = self._clock.now_ns()
        match outcome:
            case exchange.Answer(answer):
                self._sessions.served(payload, now_ns)
                return answer
            case exchange.Refused(response):
                self._sessions.kept(now_ns)
                raise Refused(payload, response)
            case exchange.Unanswered(reason, heard):
                raise Unanswered(payload, reason, heard)

    def send_request(self, payload: bytes) -> int:
        """Send a request and leave it at that; returns when its last frame ended. Raises NotSent."""
        self._ask(self.nad, payload, wait=False)
        return self.last_sent_ns

    def probe(self, frame_name: str) -> bool:
        """Whether one header of a frame is answered, with a good frame or not. Raises NoAnswer where it is lost."""
        layout = self._device.node.frames[frame_name]
        return self._answered(frame_name, layout.frame_id, self._longest_ns[layout.frame_id])

    def probe_answer(self) -> bool:
        """The same for the frame that carries diagnostic answers."""
        return self._answered("frame 0x3D", SLAVE_RESPONSE, self._longest_pdu_ns)

    def _answered(self, name: str, frame_id: int, longest_ns: int) -> bool:
        event = self._header(frame_id, longest_ns)
        if event is None:
            raise NoAnswer(name, [event])
        return not isinstance(event, NoResponse)

    def forget_session(self) -> None:
        """The node is in its default session again, for a reason that the bus does not show: its supply was off."""
        self._sessions.ended()

    def flush(self) -> None:
        """Hand the observer what has been counted so far; what is the same after that begins a new run."""
        if self._runs is not None:
            self._runs.flush()

    def close(self) -> None:
        """Flush and close the port."""
        self.flush()
        self._port.close()

    # The schedule

    def _slot(self, table: tuple[tuple[str, int], ...], grid: _Grid) -> None:
        name, delay_ns = table[grid.entry % len(table)]
        self.statistics.lateness.add(self._clock.now_ns() - grid.slot_ns)
        if name == self._command.name:
            self._send_command_frame()
        else:
            frame_id = self._device.node.frames[name].frame_id
            self._header(frame_id, self._longest_ns[frame_id])
        grid.entry += 1
        grid.slot_ns += delay_ns
        missed = max(0, self._clock.now_ns() - grid.slot_ns) // delay_ns
        self.statistics.lateness.missed += missed
        grid.slot_ns += missed * delay_ns

    def _send_command_frame(self) -> BusEvent | None:
        signals = {self._device.command.signal: self._commanded}
        if self._device.command.mode_signal is not None and self._mode is not None:
            signals[self._device.command.mode_signal] = self._mode
        payload = pack(self._command, signals)
        return self._respond(self._command.frame_id, payload, self._longest_ns[self._command.frame_id])

    # Frames

    def _header(self, frame_id: int, longest_ns: int) -> BusEvent | None:
        start_ns = self._clock.now_ns()
        self._port.header(frame_id)
        return self._outcome(frame_id, start_ns, longest_ns)

    def _respond(self, frame_id: int, payload: bytes, longest_ns: int) -> BusEvent | None:
        start_ns = self._clock.now_ns()
        self._port.respond(frame_id, payload)
        event = self._outcome(frame_id, start_ns, longest_ns)
        if isinstance(event, FrameReceived):
            self.last_sent_ns = event.end_ns
        return event

    def _outcome(self, frame_id: int, start_ns: int, longest_ns: int) -> BusEvent | None:
        """What became of the frame whose header was sent from ``start_ns`` on; None: it did not even come back.

        The time runs from when the port is done sending, which may have cost more than it should.
        """
        for event in self._port.events(self._clock.now_ns() + longest_ns):
            self._hear(event)
            if event.frame_id == frame_id and event.end_ns > start_ns:
                return event
        self.statistics.no_echo += 1
        return None

    def _listen(self, until_ns: int) -> None:
        for event in self._port.events(until_ns):
            self._hear(event)

    def _hear(self, event: BusEvent) -> None:
        self.statistics.count(event)
        if isinstance(event, FrameReceived) and event.frame_id in self._names:
            self.latest[self._names[event.frame_id]] = (event.payload, event.end_ns)
        if isinstance(event, FrameReceived) and event.frame_id == SLAVE_RESPONSE:
            self.answer_pdus.append(event.payload)
        if self._runs is not None:
            self._runs.add(event)

    # Diagnostics

    def _ask(self, nad: int, payload: bytes, wait: bool) -> exchange.Outcome:
        start_ns = self._clock.now_ns()
        self.answer_pdus = []
        dialogue = Exchange(nad, payload, self._device.timing, start_ns)
        outcome = self._exchange(dialogue, start_ns, wait)
        if self._observer is not None:
            self._observer(request_made(nad, payload, outcome, start_ns, self._clock.now_ns()))
        if isinstance(outcome, _Lost):
            raise NotSent(payload, outcome.reason)
        return outcome

    def _exchange(self, dialogue: Exchange, start_ns: int, wait: bool) -> exchange.Outcome:
        slot_ns = start_ns
        longest_ns = _MOST_PENDING * self._device.timing.p2_star_ns
        while True:
            slot = dialogue.next_slot()
            if isinstance(slot, Finished):
                return slot.outcome
            if isinstance(slot, Poll) and not wait:
                return exchange.Unanswered("its answer was not asked for")
            if dialogue.state is State.HELD and self._clock.now_ns() > start_ns + longest_ns:
                return exchange.Unanswered(f"'response pending' for more than {longest_ns / S:g} s")
            self._listen(max(slot_ns, dialogue.earliest_ns))
            self.statistics.lateness.add(self._clock.now_ns() - max(slot_ns, dialogue.earliest_ns))
            match slot:
                case Send(pdu):
                    event = self._respond(MASTER_REQUEST, pdu, self._longest_pdu_ns)
                    if not isinstance(event, FrameReceived):
                        # It may have been heard by the node, so that to send it again is not ours to decide.
                        return _Lost(f"the request did not come back whole: {outcome_text(event)}")
                    dialogue.sent(event.end_ns)
                case Poll():
                    event = self._header(SLAVE_RESPONSE, self._longest_pdu_ns)
                    if isinstance(event, FrameReceived):
                        dialogue.received(event.payload, event.end_ns)
                    else:
                        dialogue.silent(self._clock.now_ns())
            slot_ns = max(slot_ns + self._pdu_slot_ns, self._clock.now_ns())

    def _keep_ns(self, slot_ns: int) -> int | None:
        """When tester present is to go out: when due or, where the next slot leaves no room, in that slot's place."""
        ends_ns = self.session_ends_ns
        if ends_ns is None:
            return None
        share, of = _KEEP_SHARE
        due_ns = ends_ns - self._device.timing.s3_ns * (of - share) // of
        return slot_ns if slot_ns - self._pdu_slot_ns < due_ns <= slot_ns else due_ns

    def _keep_session(self) -> None:
        """Tester present that wants no answer: one frame, and no slot for what will not come."""
        now_ns = self._clock.now_ns()
        event = self._respond(MASTER_REQUEST, segment(self.nad, tester_present(suppress=True))[0], self._longest_pdu_ns)
        self._sessions.kept(event.end_ns if isinstance(event, FrameReceived) else now_ns)


def _diagnostic_slot_ns(device: Device) -> int:
    """Slot of a diagnostic frame: the longest that a schedule table gives it, else the frame's longest time."""
    tables = device.node.schedules.values()
    delays = [delay for table in tables for name, delay in table if name not in device.node.frames]
    return max(delays, default=frame_max_ns(device.node.bit_rate, MAX_LENGTH))
