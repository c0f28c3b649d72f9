"""Seed and key (service 27, ISO 14229-1 from memory): what opens the services that a session alone does not.

A seed is good for one key, right or wrong. Seeds are numbers of a counter that never comes back, scrambled: it is the
time that the unit has been powered in all its life, in ms, or one more than it last was. No seed is zero while locked;
one asked for while unlocked is. After too many wrong keys in a row no seed is given for a while, and none for as long
after a power-up either: the count of wrong keys is kept without supply. When that time is over it starts anew.
"""

from __future__ import annotations

from mocks.firmware.catalogue import SecurityRow
from mocks.firmware.key import key_of
from mocks.firmware.memory import Record
from mocks.firmware.tasks import Firmware
from protocol.identifiers import NegativeResponseCode as Nrc

RECORD_LENGTH = 1
"""Bytes of the record: how many wrong keys came in a row."""
_WORD = 0xFFFFFFFF


class Security:
    """The lock of one level."""

    def __init__(self, row: SecurityRow, record: Record, firmware: Firmware) -> None:
        self._row = row
        self._record = record
        self._firmware = firmware
        self._counter = 0
        self._wrong = 0
        self._open_ns = 0
        self._seed = b""
        self.unlocked = False

    def power_on(self, now_ns: int) -> None:
        """Barred where too many wrong keys were the last that it knew. The session that begins locks."""
        self._counter = 0
        stored = self._record.load(now_ns)
        self._wrong = 0 if stored is None else stored[0]
        self._open_ns = now_ns + self._row.delay_ns if self._wrong >= self._row.attempts else now_ns

    def lock(self) -> None:
        """A session begins or ends."""
        self.unlocked = False
        self._seed = b""

    def barred(self, now_ns: int) -> bool:
        """Whether wrong keys have cost a delay that lasts."""
        return now_ns < self._open_ns

    @property
    def asked(self) -> bool:
        """A seed waits for its key."""
        return self._seed != b""

    def seed(self) -> bytes:
        """A new seed, or zero where nothing is locked."""
        self._seed = b""
        if self.unlocked:
            return bytes(self._row.seed_bytes)
        while not any(self._seed):
            self._counter = max(self._counter + 1, self._firmware.uptime_ms)
            self._seed = _scramble(self._counter, self._row.seed_bytes)
        return self._seed

    def key(self, key: bytes, now_ns: int) -> tuple[Nrc | None, int]:
        """Open, or say why not; and when the count of wrong keys is stored."""
        self.unlocked = key == key_of(self._seed, self._row.key_bytes)
        self._seed = b""
        before = self._wrong
        self._wrong = 0 if self.unlocked else before % self._row.attempts + 1
        done_ns = now_ns if self._wrong == before else self._record.save(bytes([self._wrong]), now_ns)
        if self.unlocked:
            return None, done_ns
        if self._wrong < self._row.attempts:
            return Nrc.invalid_key, done_ns
        self._open_ns = now_ns + self._row.delay_ns
        return Nrc.exceeded_attempts, done_ns


def _scramble(counter: int, size: int) -> bytes:
    """``size`` bytes for a counter: words of a mixture that takes no two counters of 32 bits to the same word."""
    words = b""
    for _ in range(0, size, 4):
        counter = (counter + 0x5D3A61C7) & _WORD
        word = (counter ^ counter >> 16) * 0x6B1F9D2B & _WORD  # an odd factor can be undone, so can the shifts
        word = (word ^ word >> 15) * 0x3C8E5A95 & _WORD
        words += (word ^ word >> 16).to_bytes(4, "big")
    return words[:size]
