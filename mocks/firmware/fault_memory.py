"""Fault codes: status bits of every code, and entries with counters and snapshots for some, kept without supply.

Status bits as in ISO 14229-1 annex D (from memory of the standard):

    failure       test failed, also in this cycle and since clear; pending; both not-completed bits go out; confirmed in
                  the cycle that makes enough of them in a row
    passed        test failed goes out, and both not-completed bits: the condition is over, or the open command that
                  ends a trip is the next completed test. What lasts is not over by an acknowledgement.
    power-up      a new operation cycle: test failed and failed in this cycle go out, not completed in this cycle comes
                  on; pending goes out after a whole cycle without a failure, all failure bits once the code has aged
    clear         not completed, since clear and in this cycle; nothing else; the entry is gone

A failure takes an entry, the latest failure last. Where none is free it displaces the oldest of lowest priority, whose
failure bits go out with it, or is lost and leaves no trace, as the device has it. While recording is off (service 85)
failures and their ends leave no trace either.

    record:  status of each code (1 byte), then each entry:
             code (1, from 1; 0: free)  occurrences (1)  cycles in a row failing (1), not failing (1)  both snapshots
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
    | CodeStatusBit.failed_since_clear
)
_HEAD = 4  # bytes of an entry before its snapshots
_MOST = 0xFF  # a counter stays there


@dataclass
class Entry:
    """What is kept of one fault code that has failed. Snapshots are without their identifiers."""

    occurrences: int
    failing: int  # cycles in a row in which it failed
    clean: int  # cycles in a row in which it did not
    first: bytes
    latest: bytes


class FaultMemory:
    """Status of all codes, and the entries, oldest first. ``recording`` is what service 85 switches."""

    def __init__(self, catalogue: Catalogue, record: Record) -> None:
        self._layout = catalogue.snapshot
        self._snapshot_size = _snapshot_length(catalogue)
        self._row = catalogue.fault_memory
        self._priorities = {code.name: code.priority for code in catalogue.codes.values()}
        self._names = tuple(self._priorities)
        self._record = record
        self._lasting: set[str] = set()
        self.recording = True
        self.statuses: dict[str, int] = {}
        self.entries: dict[str, Entry] = {}

    def power_on(self, now_ns: int) -> None:
        """Read the record, if the unit has one, and begin an operation cycle. The session that begins has it record."""
        self._lasting = set()
        self.statuses = dict.fromkeys(self._names, int(_NEW))
        self.entries = {}
        stored = self._record.load(now_ns)
        if stored is not None:
            self._read(stored)
            self._next_cycle()
            if self._content() != stored:
                self._record.save(self._content(), now_ns)

    def failed(self, trip: Trip, now_ns: int) -> None:
        """A test has failed: a protection function operates, or the condition of one has come that blocks."""
        cause = trip.cause
        if not self.recording or not self._make_room(cause):
            return
        status = self.statuses[cause]
        snapshot = b"".join(row.encode(getattr(trip, row.source)) for row in self._layout)
        entry = self.entries.pop(cause, Entry(0, 0, 0, snapshot, snapshot))
        entry.occurrences = min(entry.occurrences + 1, _MOST)
        entry.clean = 0
        entry.latest = snapshot
        if not status & CodeStatusBit.test_failed_this_cycle:
            entry.failing = min(entry.failing + 1, _MOST)
        status = status & ~_NEW | _FAILED
        if entry.failing >= self._row.confirm_cycles:
            status |= CodeStatusBit.confirmed
        self.statuses[cause] = status
        self.entries[cause] = entry
        self._record.save(self._content(), now_ns)

    def lasts(self, cause: str, present: bool) -> None:
        """The condition of ``cause`` has come or gone. That it goes is a test passed."""
        if present:
            self._lasting.add(cause)
            return
        self._lasting.discard(cause)
        if self.recording:
            self.statuses[cause] &= ~(CodeStatusBit.test_failed | _NEW)

    def acknowledged(self) -> None:
        """No trip waits for its acknowledgement (any more)."""
        if self.recording:
            for name in self.entries:
                if name not in self._lasting:
                    self.statuses[name] &= ~CodeStatusBit.test_failed

    def clear(self, names: tuple[str, ...], now_ns: int) -> int:
        """Clear these codes in both copies of the record; returns when that is done."""
        for name in names:
            self.statuses[name] = int(_NEW)
            self.entries.pop(name, None)
        return self._record.scrub(self._content(), now_ns)

    def _make_room(self, cause: str) -> bool:
        """Whether there is an entry for ``cause``, or is one now."""
        if cause in self.entries or len(self.entries) < self._row.entries:
            return True
        if self._row.displaces:
            self._forget(max(self.entries, key=self._priorities.__getitem__))  # of equal ones the first: the oldest
        return self._row.displaces

    def _forget(self, name: str) -> None:
        del self.entries[name]
        self.statuses[name] &= _NEW

    def _next_cycle(self) -> None:
        for name, status in self.statuses.items():
            kept = status & ~(CodeStatusBit.test_failed | CodeStatusBit.test_failed_this_cycle)
            if not status & CodeStatusBit.test_failed_this_cycle:
                kept &= ~CodeStatusBit.pending
                if name in self.entries:
                    self.entries[name].failing = 0
                    self.entries[name].clean += 1
            self.statuses[name] = kept | CodeStatusBit.not_completed_this_cycle
        for name in [name for name, entry in self.entries.items() if entry.clean >= self._row.ageing_cycles]:
            self._forget(name)

    def _read(self, stored: bytes) -> None:
        count = len(self._names)
        self.statuses = dict(zip(self._names, stored[:count], strict=True))
        size = _HEAD + 2 * self._snapshot_size
        for at in range(count, len(stored), size):
            number, occurrences, failing, clean = stored[at : at + _HEAD]
            snapshots = stored[at + _HEAD : at + size]
            if number:
                first, latest = snapshots[: self._snapshot_size], snapshots[self._snapshot_size :]
                self.entries[self._names[number - 1]] = Entry(occurrences, failing, clean, first, latest)

    def _content(self) -> bytes:
        content = bytes(self.statuses.values())
        for name, entry in self.entries.items():
            content += bytes([self._names.index(name) + 1, entry.occurrences, entry.failing, entry.clean])
            content += entry.first + entry.latest
        free = self._row.entries - len(self.entries)
        return content + bytes(free * (_HEAD + 2 * self._snapshot_size))


def record_length(catalogue: Catalogue) -> int:
    """Bytes of the fault memory's record."""
    entries = catalogue.fault_memory.entries * (_HEAD + 2 * _snapshot_length(catalogue))
    return len(catalogue.codes) + entries


def _snapshot_length(catalogue: Catalogue) -> int:
    return sum(row.number.size for row in catalogue.snapshot)
