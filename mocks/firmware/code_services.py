"""The services on fault codes: 14 clear, 19 read (01 02 04 06 0A), 85 recording (ISO 14229-1, from memory)."""

from __future__ import annotations

from mocks.firmware.catalogue import Catalogue, Number
from mocks.firmware.fault_memory import AVAILABLE, Entry, FaultMemory
from mocks.firmware.outcome import Handler, Outcome, RefusedError
from protocol.identifiers import NegativeResponseCode as Nrc

_ALL = 0xFFFFFF
_EVERY_RECORD = 0xFF
_EXTENDED_RECORD = 0x01  # holds the occurrence counter
_CODE_FORMAT = 0x01  # ISO 14229-1 format of fault codes
_DID = Number(2, signed=False)
_CODE = Number(3, signed=False)


class CodeServices:
    """Carries out requests about the codes in ``faults``."""

    def __init__(self, catalogue: Catalogue, faults: FaultMemory) -> None:
        self._catalogue = catalogue
        self._faults = faults
        self.reports: dict[int, tuple[int, Handler]] = {
            0x01: (3, self._count),
            0x02: (3, self._codes),
            0x04: (6, self._snapshot),
            0x06: (6, self._extended),
            0x0A: (2, self._supported),
        }  # sub-function of service 19 -> length of the request

    def clear(self, request: bytes, now_ns: int) -> Outcome:
        """Service 14."""
        group = _CODE.decode(request[1:4])
        codes = self._catalogue.codes
        names = tuple(code.name for code in codes.values()) if group == _ALL else (self._name(group),)
        return Outcome(b"\x54", self._faults.clear(names, now_ns))

    def _count(self, request: bytes, now_ns: int) -> Outcome:
        count = len(self._with_status(request[2]))
        return Outcome(bytes([0x59, 0x01, AVAILABLE, _CODE_FORMAT]) + count.to_bytes(2, "big"), now_ns)

    def _codes(self, request: bytes, now_ns: int) -> Outcome:
        return Outcome(bytes([0x59, 0x02, AVAILABLE]) + b"".join(self._with_status(request[2])), now_ns)

    def _supported(self, request: bytes, now_ns: int) -> Outcome:
        return Outcome(bytes([0x59, 0x0A, AVAILABLE]) + b"".join(map(self._row, self._catalogue.codes)), now_ns)

    def _snapshot(self, request: bytes, now_ns: int) -> Outcome:
        numbers = (self._catalogue.first_number, self._catalogue.latest_number)
        entry = self._entry(request, numbers)
        answer = bytes([0x59, 0x04]) + self._row(_CODE.decode(request[2:5]))
        if entry is not None:
            for number, snapshot in zip(numbers, (entry.first, entry.latest), strict=True):
                if number is not None and request[5] in (number, _EVERY_RECORD):
                    answer += bytes([number, len(self._catalogue.snapshot)]) + self._with_identifiers(snapshot)
        return Outcome(answer, now_ns)

    def _with_identifiers(self, snapshot: bytes) -> bytes:
        answer = b""
        for row in self._catalogue.snapshot:
            answer += _DID.encode(row.did) + snapshot[: row.number.size]
            snapshot = snapshot[row.number.size :]
        return answer

    def _extended(self, request: bytes, now_ns: int) -> Outcome:
        entry = self._entry(request, (_EXTENDED_RECORD,))
        answer = bytes([0x59, 0x06]) + self._row(_CODE.decode(request[2:5]))
        if entry is not None:
            answer += bytes([_EXTENDED_RECORD, entry.occurrences])
        return Outcome(answer, now_ns)

    def _entry(self, request: bytes, records: tuple[int | None, ...]) -> Entry | None:
        name = self._name(_CODE.decode(request[2:5]))
        if request[5] not in (*records, _EVERY_RECORD):
            raise RefusedError(Nrc.request_out_of_range)
        return self._faults.entries.get(name)

    def _name(self, code: int) -> str:
        if code not in self._catalogue.codes:
            raise RefusedError(Nrc.request_out_of_range)
        return self._catalogue.codes[code].name

    def _row(self, code: int) -> bytes:
        return _CODE.encode(code) + bytes([self._faults.statuses[self._catalogue.codes[code].name]])

    def _with_status(self, mask: int) -> list[bytes]:
        return [row for row in map(self._row, self._catalogue.codes) if row[3] & mask]

    def record(self, request: bytes, now_ns: int) -> Outcome:
        """Service 85."""
        setting = request[1] & 0x7F
        self._faults.recording = setting == 0x01
        return Outcome(bytes([0xC5, setting]), now_ns)
