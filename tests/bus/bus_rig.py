"""A port of the test's own for a master: a clock that moves when somebody waits, a node that says what it is told.

Times are those of heater.ldf at 19.2 kbit/s: slots of 10 ms (normal, diagnostic) and 1 s (slow), S3 of 5 s.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Sequence

from harness.bus.master import Master
from harness.bus.port import Capabilities
from harness.bus.traffic import RequestMade, Run
from harness.clock import MS
from harness.files.profile import load_device, shipped_device
from protocol.decoder import BusEvent, FaultKind, FrameReceived, NoResponse, WireFault
from protocol.device import Device

DEVICE = load_device(shipped_device("heater"))
COMMAND, STATUS, REQUEST, RESPONSE = 0x21, 0x22, 0x3C, 0x3D
STATUS_PAYLOAD = bytes.fromhex("08 00 40 1f 00 ff ff 7f")
HEADER_NS = 1_770_833  # 34 bit times, facts of LIN 2.1 §2.3.2


class Clock:
    def __init__(self) -> None:
        self.ns = 0

    def now_ns(self) -> int:
        return self.ns

    def sleep_until(self, instant_ns: int) -> None:
        self.ns = max(self.ns, instant_ns)


class Port:
    """Answers status headers; ``trouble`` names what happens to the next frames instead, by frame id."""

    capabilities = Capabilities(None, False, False, False, wake_pulse=True, latency_ns=0, raw_symbols=True)

    def __init__(self, clock: Clock) -> None:
        self.clock = clock
        self.sent: list[tuple[int, int, bytes | None]] = []  # instant, frame id, payload
        self.trouble: dict[int, deque[str]] = {}
        self.answers: deque[bytes | None] = deque()  # PDUs for headers 0x3D; None and the end: silence
        self.raw: list[tuple[int, list[int]]] = []
        self.extra_ns = 0
        self._due: deque[tuple[int, BusEvent]] = deque()

    def header(self, frame_id: int) -> None:
        self.sent.append((self.clock.ns, frame_id, None))
        payload: bytes | None = None
        if frame_id == STATUS:
            payload = STATUS_PAYLOAD
        elif frame_id == RESPONSE and self.answers:
            payload = self.answers.popleft()
        self._frame(frame_id, payload)

    def respond(self, frame_id: int, payload: bytes) -> None:
        self.sent.append((self.clock.ns, frame_id, payload))
        self._frame(frame_id, payload)

    def send(self, symbols: Sequence[int]) -> None:
        self.raw.append((self.clock.ns, list(symbols)))
        self._due.append((self.clock.ns + MS, WireFault(FaultKind.SYNC, None, bytes(symbols[1:3]), self.clock.ns, MS)))

    def wake(self) -> None:
        self.raw.append((self.clock.ns, [0x80]))

    def events(self, until_ns: int) -> Iterator[BusEvent]:
        while self._due and self._due[0][0] <= until_ns:
            at, event = self._due.popleft()
            self.clock.sleep_until(at)
            yield event
        self.clock.sleep_until(until_ns)

    def close(self) -> None: ...

    def _frame(self, frame_id: int, payload: bytes | None) -> None:
        start = self.clock.ns
        self.clock.ns += HEADER_NS + self.extra_ns
        end = self.clock.ns
        trouble = self.trouble[frame_id].popleft() if self.trouble.get(frame_id) else None
        if trouble == "lost":
            return
        if trouble == "silent" or payload is None:
            self._due.append((end + 5 * MS, NoResponse(frame_id, start, end)))
        elif trouble == "short":
            self._due.append((end + 5 * MS, WireFault(FaultKind.SHORT, frame_id, b"", start, end + MS)))
        else:
            end += (len(payload) + 1) * 520_833
            self._due.append((end, FrameReceived(frame_id, payload, start, end)))

    def stray(self, events: list[BusEvent]) -> None:
        """Have these heard first."""
        self._due.extend((self.clock.ns, event) for event in events)

    def instants(self, frame_id: int) -> list[int]:
        return [at for at, sent, _ in self.sent if sent == frame_id]


class Rig:
    def __init__(self, device: Device = DEVICE) -> None:
        self.clock = Clock()
        self.port = Port(self.clock)
        self.seen: list[Run | RequestMade] = []
        self.master = Master(self.port, self.clock, device, self.seen.append)

    def open_session(self) -> None:
        self.port.answers.append(bytes.fromhex("0a 06 50 03 00 32 00 c8"))
        self.master.request(bytes.fromhex("10 03"))
