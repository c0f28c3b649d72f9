"""The diagnostic services (ISO 14229-1, from memory of the standard) that a session of the profile may allow.

    10 session   11 reset (01 hard, 03 soft: the same restart)   14 clear   19 (01 02 04 06 0A)   22 read   2E write
    2F I/O control: this firmware has no output of that kind, every identifier is out of range
    31 routine: the self-test   3E tester present   85 recording of codes; it comes back with the default session

Order of refusals: 11 service unknown, 7F not in this session, 13 no sub-function there, 12 sub-function unknown, 13
length, then what the service itself refuses. For 31 the identifier (31) comes before the sub-function (12).

A set-point may be written in any state of the switch, tripped included, and is in force before the answer goes out. A
reset opens the switch, whatever it carries. Codes may be cleared while a trip waits for its acknowledgement.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from mocks.firmware.catalogue import Catalogue, Number
from mocks.firmware.configuration import Configuration
from mocks.firmware.fault_memory import AVAILABLE, Entry, FaultMemory
from mocks.firmware.readings import READINGS
from mocks.firmware.routines import SELF_TEST, SELF_TEST_NS, SelfTest
from mocks.firmware.sessions import DEFAULT, Sessions
from mocks.firmware.tasks import Firmware
from protocol.identifiers import NegativeResponseCode as Nrc
from protocol.identifiers import Service

_ALL = 0xFFFFFF
_EVERY_RECORD = 0xFF
_EXTENDED_RECORD = 0x01  # holds the occurrence counter
_CODE_FORMAT = 0x01  # ISO 14229-1 format of fault codes
_BUFFER = 255  # most bytes of an answer
_DID = Number(2, signed=False)
_CODE = Number(3, signed=False)
_WITH_SUB_FUNCTION = frozenset({0x10, 0x11, 0x19, 0x31, 0x3E, 0x85})


@dataclass(frozen=True)
class Outcome:
    """The answer to a request, when what was asked for is done, and what follows the answer."""

    payload: bytes
    done_ns: int
    restart: bool = False


class RefusedError(Exception):
    """The request gets a negative answer."""

    def __init__(self, code: Nrc) -> None:
        self.code = code
        super().__init__(code.name)


Handler = Callable[[bytes, int], Outcome]


class Services:
    """Carries requests out. ``execute`` is given whole messages."""

    def __init__(
        self,
        catalogue: Catalogue,
        firmware: Firmware,
        configuration: Configuration,
        faults: FaultMemory,
        self_test: SelfTest,
    ) -> None:
        self._catalogue = catalogue
        self._firmware = firmware
        self._configuration = configuration
        self._faults = faults
        self._self_test = self_test
        self.sessions = Sessions(catalogue)
        self._plain: dict[int, tuple[range, Handler]] = {
            Service.CLEAR_CODES: (range(4, 5), self._clear),
            Service.READ_DATA: (range(3, 4096, 2), self._read),
            Service.WRITE_DATA: (range(4, 4096), self._write),
            Service.IO_CONTROL: (range(4, 4096), self._io_control),
            Service.ROUTINE: (range(4, 4096), self._routine),
        }
        self._by_sub_function: dict[int, dict[int, tuple[int, Handler]]] = {
            Service.SESSION: dict.fromkeys(catalogue.sessions, (2, self._session)),
            Service.RESET: dict.fromkeys((0x01, 0x03), (2, self._reset)),
            Service.READ_CODES: {
                0x01: (3, self._count),
                0x02: (3, self._codes),
                0x04: (6, self._snapshot),
                0x06: (6, self._extended),
                0x0A: (2, self._supported),
            },
            Service.TESTER_PRESENT: {0x00: (2, self._present)},
            Service.CODE_SETTING: {0x01: (2, self._recording), 0x02: (2, self._recording)},
        }
        self._known = frozenset().union(*catalogue.sessions.values()) & {*self._plain, *self._by_sub_function}

    def power_on(self, now_ns: int) -> None:
        """Begin in the default session."""
        self.sessions.start(DEFAULT, now_ns)
        self._self_test.power_on()

    def execute(self, request: bytes, now_ns: int) -> Outcome:
        """Carry out ``request``."""
        self.settle(now_ns)
        try:
            return self._handler(request, now_ns)(request, now_ns)
        except RefusedError as refused:
            return Outcome(bytes([0x7F, request[0], refused.code]), now_ns)

    def settle(self, now_ns: int) -> None:
        """Let a session end whose time is over, and with it what it had switched off."""
        if self.sessions.active(now_ns) == DEFAULT:
            self._faults.recording = True

    def _handler(self, request: bytes, now_ns: int) -> Handler:
        service = request[0]
        if service not in self._known:
            raise RefusedError(Nrc.service_not_supported)
        if service not in self.sessions.services(now_ns):
            raise RefusedError(Nrc.service_not_supported_in_session)
        if service in self._plain:
            lengths, handler = self._plain[service]
            if len(request) not in lengths:
                raise RefusedError(Nrc.incorrect_length_or_format)
            return handler
        if len(request) < 2:
            raise RefusedError(Nrc.incorrect_length_or_format)
        length, handler = self._by_sub_function[service].get(request[1] & 0x7F, (0, _no_sub_function))
        if length not in (0, len(request)):
            raise RefusedError(Nrc.incorrect_length_or_format)
        return handler

    def _session(self, request: bytes, now_ns: int) -> Outcome:
        session = request[1] & 0x7F
        self.sessions.start(session, now_ns)
        p2_ms, p2_star_10ms = self._catalogue.p2_ns // 1_000_000, self._catalogue.p2_star_ns // 10_000_000
        return Outcome(bytes([0x50, session]) + p2_ms.to_bytes(2, "big") + p2_star_10ms.to_bytes(2, "big"), now_ns)

    def _reset(self, request: bytes, now_ns: int) -> Outcome:
        return Outcome(bytes([0x51, request[1] & 0x7F]), now_ns, restart=True)

    def _clear(self, request: bytes, now_ns: int) -> Outcome:
        group = _CODE.decode(request[1:4])
        names = tuple(self._catalogue.codes.values()) if group == _ALL else (self._name(group),)
        return Outcome(b"\x54", self._faults.clear(names, now_ns))

    def _count(self, request: bytes, now_ns: int) -> Outcome:
        count = len(self._with_status(request[2]))
        return Outcome(bytes([0x59, 0x01, AVAILABLE, _CODE_FORMAT]) + count.to_bytes(2, "big"), now_ns)

    def _codes(self, request: bytes, now_ns: int) -> Outcome:
        return Outcome(bytes([0x59, 0x02, AVAILABLE]) + b"".join(self._with_status(request[2])), now_ns)

    def _supported(self, request: bytes, now_ns: int) -> Outcome:
        return Outcome(bytes([0x59, 0x0A, AVAILABLE]) + b"".join(map(self._row, self._catalogue.codes)), now_ns)

    def _snapshot(self, request: bytes, now_ns: int) -> Outcome:
        entry = self._entry(request, self._catalogue.snapshot_number)
        answer = bytes([0x59, 0x04]) + self._row(_CODE.decode(request[2:5]))
        if entry.occurrences:
            answer += bytes([self._catalogue.snapshot_number, len(self._catalogue.snapshot)])
            at = 0
            for row in self._catalogue.snapshot:
                answer += _DID.encode(row.did) + entry.snapshot[at : at + row.number.size]
                at += row.number.size
        return Outcome(answer, now_ns)

    def _extended(self, request: bytes, now_ns: int) -> Outcome:
        entry = self._entry(request, _EXTENDED_RECORD)
        answer = bytes([0x59, 0x06]) + self._row(_CODE.decode(request[2:5]))
        if entry.occurrences:
            answer += bytes([_EXTENDED_RECORD, entry.occurrences])
        return Outcome(answer, now_ns)

    def _entry(self, request: bytes, record: int) -> Entry:
        name = self._name(_CODE.decode(request[2:5]))
        if request[5] not in (record, _EVERY_RECORD):
            raise RefusedError(Nrc.request_out_of_range)
        return self._faults.entries[name]

    def _name(self, code: int) -> str:
        if code not in self._catalogue.codes:
            raise RefusedError(Nrc.request_out_of_range)
        return self._catalogue.codes[code]

    def _row(self, code: int) -> bytes:
        return _CODE.encode(code) + bytes([self._faults.entries[self._catalogue.codes[code]].status])

    def _with_status(self, mask: int) -> list[bytes]:
        return [row for row in map(self._row, self._catalogue.codes) if row[3] & mask]

    def _read(self, request: bytes, now_ns: int) -> Outcome:
        answer = b"\x62"
        for at in range(1, len(request), 2):
            answer += self._data(_DID.decode(request[at : at + 2]))
        if len(answer) == 1:
            raise RefusedError(Nrc.request_out_of_range)
        if len(answer) > _BUFFER:
            raise RefusedError(Nrc.response_too_long)
        return Outcome(answer, now_ns)

    def _data(self, did: int) -> bytes:
        """The record of one identifier, with it; nothing where the unit does not have it."""
        tables = self._catalogue
        if did in tables.set_points:
            return _DID.encode(did) + self._configuration.read(tables.set_points[did])
        if did in tables.readings:
            row = tables.readings[did]
            return _DID.encode(did) + row.encode(READINGS[row.source](self._firmware))
        if did in tables.texts:
            return _DID.encode(did) + tables.texts[did]
        return b""

    def _write(self, request: bytes, now_ns: int) -> Outcome:
        did = _DID.decode(request[1:3])
        if did not in self._catalogue.set_points:
            raise RefusedError(Nrc.request_out_of_range)
        row = self._catalogue.set_points[did]
        if len(request) != 3 + row.number.size:
            raise RefusedError(Nrc.incorrect_length_or_format)
        raw = row.number.decode(request[3:])
        if not row.low <= raw <= row.high:
            raise RefusedError(Nrc.request_out_of_range)
        return Outcome(b"\x6e" + request[1:3], self._configuration.write(row, raw, now_ns))

    def _io_control(self, request: bytes, now_ns: int) -> Outcome:
        raise RefusedError(Nrc.request_out_of_range)

    def _routine(self, request: bytes, now_ns: int) -> Outcome:
        if _DID.decode(request[2:4]) != SELF_TEST:
            raise RefusedError(Nrc.request_out_of_range)
        control = request[1] & 0x7F
        if control not in (0x01, 0x03):
            raise RefusedError(Nrc.sub_function_not_supported)
        if len(request) != 4:
            raise RefusedError(Nrc.incorrect_length_or_format)
        if control == 0x01:
            return self._start_self_test(now_ns)
        if self._self_test.result is None:
            raise RefusedError(Nrc.request_sequence_error)
        return Outcome(bytes([0x71, 0x03]) + _DID.encode(SELF_TEST) + bytes([self._self_test.result]), now_ns)

    def _start_self_test(self, now_ns: int) -> Outcome:
        if self._firmware.gate:
            raise RefusedError(Nrc.conditions_not_correct)
        result = self._self_test.run(now_ns)
        return Outcome(bytes([0x71, 0x01]) + _DID.encode(SELF_TEST) + bytes([result]), now_ns + SELF_TEST_NS)

    def _present(self, request: bytes, now_ns: int) -> Outcome:
        return Outcome(b"\x7e\x00", now_ns)

    def _recording(self, request: bytes, now_ns: int) -> Outcome:
        setting = request[1] & 0x7F
        self._faults.recording = setting == 0x01
        return Outcome(bytes([0xC5, setting]), now_ns)


def suppressed(request: bytes) -> bool:
    """Whether ``request`` wants no positive answer."""
    return request[0] in _WITH_SUB_FUNCTION and request[1] & 0x80 != 0


def _no_sub_function(request: bytes, now_ns: int) -> Outcome:
    raise RefusedError(Nrc.sub_function_not_supported)
