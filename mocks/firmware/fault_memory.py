"""Fault codes: status bits, occurrence counter and snapshot of each, kept without supply.

Status bits as in ISO 14229-1 annex D (from memory of the standard), for a monitor that runs while the switch is closed:

    trip          test failed, also in this cycle and since clear; pending, confirmed; both not-completed bits go out
    acknowledge   test failed goes out: the open command that ends the trip is the next completed test, and it passed
    power-up      a new operation cycle: test failed and failed in this cycle go out, not completed in this cycle comes
                  on; pending goes out after a whole cycle without a trip
    clear         not completed, since clear and in this cycle; nothing else; counter and snapshot gone

While recording is off (service 85) a trip and its acknowledgement leave no trace here.
"""

from __future__ import annotations

from dataclasses import dataclass

from mocks.firmware.catalogue import Catalogue
from mocks.firmware.memory import Record
from mocks.firmware.tasks import Trip
from protocol.identifiers import CodeStatusBit

AVAILABLE = 0x7F
"""Status bits that this firmware keeps: all but the warning lamp, which it does not have."""
_NEW = CodeStatusBit.not_completed_since_clear | CodeStatusBit.not_completed_this_cycle
_FAILED = (
    CodeStatusBit.test_failed
    | CodeStatusBit.test_failed_this_cycle
    | CodeStatusBit.pending
    | CodeStatusBit.confirmed
    | CodeStatusBit.failed_since_clear
)
_MOST = 0xFF  # the occurrence counter stays there


@dataclass
class Entry:
    """One fault code. ``occurrences`` is 0, and ``snapshot`` means nothing, until it was set."""

    status: int
    occurrences: int
    snapshot: bytes


class FaultMemory:
    """The entries of all codes of the catalogue. ``recording`` is what service 85 switches."""

    def __init__(self, catalogue: Catalogue, record: Record) -> None:
        self._layout = catalogue.snapshot
        self._names = tuple(catalogue.codes.values())
        self._record = record
        self._blank = bytes(snapshot_length(catalogue))
        self.recording = True
        self.entries: dict[str, Entry] = {}

    def power_on(self, now_ns: int) -> None:
        """Read the record, if the unit has one, and begin an operation cycle."""
        stored = self._record.load(now_ns)
        if stored is None:
            self.entries = {name: Entry(_NEW, 0, self._blank) for name in self._names}
            return
        size = len(stored) // len(self._names)
        for index, name in enumerate(self._names):
            part = stored[index * size : (index + 1) * size]
            self.entries[name] = Entry(_next_cycle(part[0]), part[1], part[2:])
        if self._content() != stored:
            self._record.save(self._content(), now_ns)

    def tripped(self, trip: Trip, now_ns: int) -> None:
        """A protection function has operated."""
        if not self.recording:
            return
        entry = self.entries[trip.cause]
        entry.status = entry.status & ~_NEW | _FAILED
        entry.occurrences = min(entry.occurrences + 1, _MOST)
        entry.snapshot = b"".join(row.encode(getattr(trip, row.source)) for row in self._layout)
        self._record.save(self._content(), now_ns)

    def acknowledged(self) -> None:
        """No trip waits for its acknowledgement (any more)."""
        if self.recording:
            for entry in self.entries.values():
                entry.status &= ~CodeStatusBit.test_failed

    def clear(self, names: tuple[str, ...], now_ns: int) -> int:
        """Clear these codes in both copies of the record; returns when that is done."""
        for name in names:
            self.entries[name] = Entry(_NEW, 0, self._blank)
        return self._record.scrub(self._content(), now_ns)

    def _content(self) -> bytes:
        return b"".join(bytes([row.status, row.occurrences]) + row.snapshot for row in self.entries.values())


def snapshot_length(catalogue: Catalogue) -> int:
    """Bytes of a snapshot without its identifiers."""
    return sum(row.number.size for row in catalogue.snapshot)


def record_length(catalogue: Catalogue) -> int:
    """Bytes of the fault memory's record."""
    return len(catalogue.codes) * (2 + snapshot_length(catalogue))


def _next_cycle(status: int) -> int:
    kept = status & ~(CodeStatusBit.test_failed | CodeStatusBit.test_failed_this_cycle)
    if not status & CodeStatusBit.test_failed_this_cycle:
        kept &= ~CodeStatusBit.pending
    return kept | CodeStatusBit.not_completed_this_cycle
