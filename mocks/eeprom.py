"""The memory chip beside the controller: what outlives the supply, and what a supply cut in mid-write leaves behind."""

from __future__ import annotations

from dataclasses import dataclass

ERASED = 0xFF
"""What an erased cell reads as."""


@dataclass(frozen=True)
class _Job:
    """One write: its bytes go in one after another, evenly spread over its time."""

    address: int
    data: bytes
    start_ns: int
    end_ns: int


class Eeprom:
    """A byte-wide memory that takes ``write_ns`` for one write, whatever its length, and works writes off in order.

    Not modelled: wear, retention, a read during a write (the firmware reads at power-up only).
    """

    def __init__(self, size: int, write_ns: int) -> None:
        self._cells = bytearray([ERASED] * size)
        self._write_ns = write_ns
        self._jobs: list[_Job] = []
        self._idle_ns = 0

    def read(self, address: int, length: int, now_ns: int) -> bytes:
        """``length`` bytes as they stand at ``now_ns``."""
        self._settle(now_ns)
        return bytes(self._cells[address : address + length])

    def program(self, address: int, data: bytes, now_ns: int) -> int:
        """Begin a write, after those still under way; returns when it will be done."""
        start_ns = self.ready_ns(now_ns)
        self._idle_ns = start_ns + self._write_ns
        self._jobs.append(_Job(address, data, start_ns, self._idle_ns))
        return self._idle_ns

    def ready_ns(self, now_ns: int) -> int:
        """When every write begun will be done."""
        return max(now_ns, self._idle_ns)

    def cut(self, now_ns: int) -> None:
        """The supply goes away: finished bytes stay, the one under way is erased, the rest is never written."""
        self._settle(now_ns)
        self._jobs.clear()
        self._idle_ns = now_ns

    def _settle(self, now_ns: int) -> None:
        for job in self._jobs:
            length = len(job.data)
            done = min(length, max(0, (now_ns - job.start_ns) * length // self._write_ns))
            self._cells[job.address : job.address + done] = job.data[:done]
            if job.start_ns < now_ns < job.end_ns:
                self._cells[job.address + done] = ERASED
        self._jobs = [job for job in self._jobs if job.end_ns > now_ns]
