"""Records that outlive the supply: each in two alternating copies, so that a cut in mid-write leaves one whole.

    copy:  sequence (1)  payload (length)  CRC-16 (2, big-endian, over both)

A save goes into the older copy with the next sequence number; a load takes the newest copy whose CRC is right.
"""

from __future__ import annotations

from mocks.eeprom import ERASED, Eeprom

_OVERHEAD = 3  # sequence and CRC


def crc16(data: bytes) -> int:
    """CRC-16 with polynomial 0x1021, start 0xFFFF, not reflected: 0x29B1 for b"123456789"."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte << 8
        for _ in range(8):
            crc = (crc << 1 ^ 0x1021) & 0xFFFF if crc & 0x8000 else crc << 1
    return crc


class Record:
    """One record of a fixed payload length at a fixed address of the chip."""

    def __init__(self, chip: Eeprom, address: int, length: int) -> None:
        self._chip = chip
        self._addresses = (address, address + length + _OVERHEAD)
        self._size = length + _OVERHEAD
        self._current = 1
        self._sequence = 0

    def load(self, now_ns: int) -> bytes | None:
        """Payload of the newest whole copy; None where there is none, as in a new unit."""
        copies = [self._chip.read(address, self._size, now_ns) for address in self._addresses]
        whole = [index for index, copy in enumerate(copies) if _whole(copy)]
        if not whole:
            self._current, self._sequence = 1, 0
            return None
        self._current = whole[-1]
        if len(whole) == 2 and (copies[0][0] - copies[1][0]) & 0xFF == 1:
            self._current = 0
        self._sequence = copies[self._current][0]
        return copies[self._current][1:-2]

    def save(self, payload: bytes, now_ns: int) -> int:
        """Begin to write ``payload`` into the older copy; returns when it will be done."""
        self._current = 1 - self._current
        self._sequence = (self._sequence + 1) & 0xFF
        body = bytes([self._sequence]) + payload
        copy = body + crc16(body).to_bytes(2, "big")
        return self._chip.program(self._addresses[self._current], copy, now_ns)

    def scrub(self, payload: bytes, now_ns: int) -> int:
        """Erase and save one copy after the other, so that neither keeps what was there; returns when that is done.

        At every instant one copy is whole.
        """
        done_ns = now_ns
        for _ in self._addresses:
            self._chip.program(self._addresses[1 - self._current], bytes([ERASED] * self._size), now_ns)
            done_ns = self.save(payload, now_ns)
        return done_ns

    def torn(self, now_ns: int) -> bool:
        """Whether the older copy is neither whole nor blank: a write was cut off."""
        older = self._chip.read(self._addresses[1 - self._current], self._size, now_ns)
        return not _whole(older) and older != bytes([ERASED] * self._size)


class Memory:
    """Hands out the chip to records, one after another."""

    def __init__(self, chip: Eeprom) -> None:
        self._chip = chip
        self._next = 0

    def ready_ns(self, now_ns: int) -> int:
        """When every write begun will be done: ``now_ns`` where none is under way."""
        return self._chip.ready_ns(now_ns)

    def record(self, length: int) -> Record:
        """Room for a record of ``length`` payload bytes."""
        record = Record(self._chip, self._next, length)
        self._next += 2 * (length + _OVERHEAD)
        return record


def _whole(copy: bytes) -> bool:
    return crc16(copy[:-2]) == int.from_bytes(copy[-2:], "big")
