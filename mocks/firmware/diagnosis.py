"""The diagnostic server: requests to answers, and when each is ready (ISO 14229-2, LIN 2.1 §5; from memory of both).

A request is carried out when it is complete; its answer is ready once the work is done and the processing time over.
One that comes while the work for another goes on waits for it; one to write that comes while a write goes on is refused
at once as busy. Until the answer is ready, 'response pending' is: from
4/5 of P2 after the request, and again 4/5 of P2* after each that was sent. A new request drops the answer to the last
one, though not the work; an answer that nobody has asked for N_As long after it was ready is dropped as well.

A restart follows the answer to service 11, once all of it was sent and no write is under way.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from mocks.eeprom import Eeprom
from mocks.firmware import configuration, fault_memory, node_configuration, security
from mocks.firmware.catalogue import Catalogue
from mocks.firmware.configuration import Configuration
from mocks.firmware.fault_memory import FaultMemory
from mocks.firmware.memory import Memory
from mocks.firmware.node_configuration import NodeConfiguration
from mocks.firmware.outcome import Outcome
from mocks.firmware.routines import Routines
from mocks.firmware.security import Security
from mocks.firmware.services import Services, suppressed
from mocks.firmware.tasks import Firmware, Trip
from protocol.identifiers import NegativeResponseCode, Service
from protocol.transport import FUNCTIONAL_NAD

_NODE_SERVICES = range(0xB0, 0xB8)


@dataclass
class _Prepared:
    """An answer that is, or will be, ready to be sent."""

    nad: int
    payload: bytes
    service: int
    ready_ns: int
    pending_ns: int  # when 'response pending' is due, unless ready
    restart: bool


class Diagnosis:
    """Fault memory, set-points, node configuration and the server over them.

    ``processing_ns`` gives the processing time of each request.
    """

    def __init__(
        self, catalogue: Catalogue, firmware: Firmware, chip: Eeprom, processing_ns: Callable[[], int]
    ) -> None:
        self._catalogue = catalogue
        self._firmware = firmware
        self._memory = Memory(chip)
        records = [
            self._memory.record(configuration.record_length(catalogue)),
            self._memory.record(fault_memory.record_length(catalogue)),
            self._memory.record(node_configuration.record_length(catalogue.node)),
            self._memory.record(security.RECORD_LENGTH),
        ]
        self.configuration = Configuration(catalogue, records[0], firmware)
        self.faults = FaultMemory(catalogue, records[1])
        self.node = NodeConfiguration(catalogue.node, records[2])
        lock = None if catalogue.security is None else Security(catalogue.security, records[3], firmware)
        self._security = lock
        self._processing_ns = processing_ns
        routines = Routines(firmware, records)
        self._services = Services(catalogue, firmware, self.configuration, self.faults, routines, lock)
        self._prepared: _Prepared | None = None
        self._busy_ns = 0
        self._restart_after = False
        self._restart_ns: int | None = None

    def power_on(self, now_ns: int) -> None:
        """Start from what non-volatile memory holds. No write is under way: a restart waits, a supply cut ends it."""
        self.configuration.power_on(now_ns)
        self.faults.power_on(now_ns)
        self.node.power_on(now_ns)
        if self._security is not None:
            self._security.power_on(now_ns)
        self._services.power_on(now_ns)
        self._busy_ns = now_ns
        self._restart_ns = None
        self.drop()

    def tripped(self, trip: Trip, now_ns: int) -> None:
        """A protection function has operated."""
        self.settle(now_ns)
        self.faults.failed(trip, now_ns)

    def condition(self, cause: str, present: bool, now_ns: int) -> None:
        """The condition of a protection function that blocks has come, or that of any has gone."""
        self.settle(now_ns)
        self.faults.lasts(cause, present)
        if present:
            self.faults.failed(self._firmware.capture(cause), now_ns)

    def commanded(self, value: int, now_ns: int) -> None:
        """The switch command of a received frame."""
        self._firmware.command(value)
        self.settle(now_ns)
        if self._firmware.cause is None:
            self.faults.acknowledged()

    def settle(self, now_ns: int) -> None:
        """Let a session end whose time is over."""
        self._services.settle(now_ns)

    @property
    def session_end_ns(self) -> int:
        """When the session that is on ends, unless a request comes before."""
        return self._services.sessions.end_ns

    def drop(self) -> None:
        """A new request has begun: what was prepared is not sent any more."""
        self._prepared = None
        self._restart_after = False

    def request(self, nad: int, payload: bytes, now_ns: int) -> None:
        """A whole request, taken by this node."""
        start_ns = max(now_ns, self._busy_ns)
        if payload[0] == Service.WRITE_DATA and self._busy_ns > now_ns and self._memory.ready_ns(now_ns) > now_ns:
            refused = bytes([0x7F, payload[0], NegativeResponseCode.busy_repeat_request])
            self._prepare(nad, payload, Outcome(refused, now_ns), now_ns)
            return
        if payload[0] in _NODE_SERVICES:
            if nad != FUNCTIONAL_NAD:
                self._configure(nad, payload, start_ns)
            return
        outcome = self._services.execute(payload, start_ns)
        self._busy_ns = self._prepare(nad, payload, outcome, now_ns)

    def _prepare(self, nad: int, payload: bytes, outcome: Outcome, now_ns: int) -> int:
        """Have an answer sent to a request of ``now_ns``; returns when it is ready."""
        ready_ns = outcome.done_ns + self._processing_ns()
        self._services.sessions.keep(ready_ns)
        pending_ns = now_ns + self._catalogue.p2_ns * 4 // 5
        quiet = outcome.payload[0] != 0x7F and suppressed(payload) and ready_ns <= pending_ns
        if not quiet and nad != FUNCTIONAL_NAD:
            self._prepared = _Prepared(
                self.node.nad, outcome.payload, payload[0], ready_ns, pending_ns, outcome.restart
            )
        elif outcome.restart:
            self._restart_ns = ready_ns
        return ready_ns

    def answer(self, now_ns: int) -> tuple[int, bytes] | None:
        """Address and payload to send to a header that asks at ``now_ns``; None: nothing to say."""
        prepared = self._prepared
        if prepared is None:
            return None
        if now_ns > prepared.ready_ns + self._catalogue.n_as_ns:
            self._prepared = None
            return None
        if now_ns >= prepared.ready_ns:
            self._prepared = None
            self._restart_after = prepared.restart
            return prepared.nad, prepared.payload
        if now_ns >= prepared.pending_ns:
            prepared.pending_ns = now_ns + self._catalogue.p2_star_ns * 4 // 5
            return prepared.nad, bytes([0x7F, prepared.service, NegativeResponseCode.response_pending])
        return None

    def restart_due_ns(self, now_ns: int) -> int | None:
        """When the node has to restart: not before every write begun by ``now_ns`` is done."""
        return None if self._restart_ns is None else max(self._restart_ns, self._memory.ready_ns(now_ns))

    def sent(self, now_ns: int) -> None:
        """All of an answer was sent."""
        if self._restart_after:
            self._restart_ns = now_ns

    def _configure(self, nad: int, payload: bytes, now_ns: int) -> None:
        answer = self.node.serve(nad, payload, now_ns)
        if answer is not None:
            ready_ns = now_ns + self._processing_ns()
            self._prepared = _Prepared(*answer, payload[0], ready_ns, ready_ns, restart=False)
