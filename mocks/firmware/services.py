"""The diagnostic services (ISO 14229-1, from memory of the standard) that a session of the profile may allow.

    10 session   11 reset (01 hard, 03 soft: the same restart)   14 clear   19 (01 02 04 06 0A)   22 read   27 seed and
    key   2E write   2F I/O control (00 return, 03 adjust)   31 routine (01 start, 03 results)   3E tester present
    85 recording of codes

Order of refusals: 11 service unknown, 7F not in this session, 33 locked, 13 no sub-function there, 12 sub-function
unknown, 13 length, then what the service itself refuses. For 31 the identifier (31) comes before the sub-function (12).
For 2E: 31 identifier, 13 length of the record, 22 state of the switch, 31 a value or a constraint.

A session that begins or ends locks, gives every quantity back and has codes recorded again. Written set-points are in
force before the answer goes out. A reset opens the switch, whatever it carries. Codes may be cleared while a trip waits
for its acknowledgement, and a lock-out outlasts that.
"""

from __future__ import annotations

from mocks.firmware.catalogue import Catalogue, Number
from mocks.firmware.code_services import CodeServices
from mocks.firmware.configuration import Configuration
from mocks.firmware.controls import Controls
from mocks.firmware.fault_memory import FaultMemory
from mocks.firmware.outcome import Handler, Outcome, RefusedError
from mocks.firmware.readings import READINGS
from mocks.firmware.routines import Routines
from mocks.firmware.security import Security
from mocks.firmware.sessions import DEFAULT, Sessions
from mocks.firmware.tasks import Firmware
from protocol.identifiers import NegativeResponseCode as Nrc
from protocol.identifiers import Service

_BUFFER = 255  # most bytes of an answer
_DID = Number(2, signed=False)
_WITH_SUB_FUNCTION = frozenset({0x10, 0x11, 0x19, 0x27, 0x31, 0x3E, 0x85})
_RETURN, _ADJUST = 0x00, 0x03  # control parameters of service 2F
_START, _RESULTS = 0x01, 0x03  # sub-functions of service 31


class Services:
    """Carries requests out. ``execute`` is given whole messages."""

    def __init__(
        self,
        catalogue: Catalogue,
        firmware: Firmware,
        configuration: Configuration,
        faults: FaultMemory,
        routines: Routines,
        security: Security | None,
    ) -> None:
        self._catalogue = catalogue
        self._firmware = firmware
        self._configuration = configuration
        self._faults = faults
        self._routines = routines
        self._security = security
        self._controls = Controls(tuple(catalogue.controls.values()), firmware)
        self.sessions = Sessions(catalogue)
        codes = CodeServices(catalogue, faults)
        self._plain: dict[int, tuple[range, Handler]] = {
            Service.CLEAR_CODES: (range(4, 5), codes.clear),
            Service.READ_DATA: (range(3, 4096, 2), self._read),
            Service.WRITE_DATA: (range(4, 4096), self._write),
            Service.IO_CONTROL: (range(4, 4096), self._io_control),
            Service.ROUTINE: (range(4, 4096), self._routine),
        }
        self._by_sub_function: dict[int, dict[int, tuple[int, Handler]]] = {
            Service.SESSION: dict.fromkeys(catalogue.sessions, (2, self._session)),
            Service.RESET: dict.fromkeys((0x01, 0x03), (2, self._reset)),
            Service.READ_CODES: codes.reports,
            Service.TESTER_PRESENT: {0x00: (2, self._present)},
            Service.CODE_SETTING: dict.fromkeys((0x01, 0x02), (2, codes.record)),
        }
        self._guarded: frozenset[int] = frozenset()
        if security is not None and catalogue.security is not None:
            self._guarded = catalogue.security.services
            self._by_sub_function[Service.SECURITY] = {
                catalogue.security.level: (2, lambda request, now_ns: self._seed(security, request, now_ns)),
                catalogue.security.level + 1: (
                    2 + catalogue.security.key_bytes,
                    lambda request, now_ns: self._key(security, request, now_ns),
                ),
            }
        self._known = frozenset().union(*catalogue.sessions.values()) & {*self._plain, *self._by_sub_function}

    def power_on(self, now_ns: int) -> None:
        """Begin in the default session."""
        self._begin(DEFAULT, now_ns)
        self._routines.power_on()

    def execute(self, request: bytes, now_ns: int) -> Outcome:
        """Carry out ``request``."""
        self.settle(now_ns)
        try:
            return self._handler(request, now_ns)(request, now_ns)
        except RefusedError as refused:
            return Outcome(bytes([0x7F, request[0], refused.code]), now_ns)

    def settle(self, now_ns: int) -> None:
        """Let a session end whose time is over, and with it what it had opened, taken over or switched off."""
        if self.sessions.over(now_ns):
            self._begin(DEFAULT, now_ns)

    def _begin(self, session: int, now_ns: int) -> None:
        self.sessions.start(session, now_ns)
        self._faults.recording = True
        self._controls.give_all_back()
        if self._security is not None:
            self._security.lock()

    def _handler(self, request: bytes, now_ns: int) -> Handler:
        service = request[0]
        if service not in self._known:
            raise RefusedError(Nrc.service_not_supported)
        if service not in self.sessions.services:
            raise RefusedError(Nrc.service_not_supported_in_session)
        if self._security is not None and service in self._guarded and not self._security.unlocked:
            raise RefusedError(Nrc.security_access_denied)
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
        self._begin(session, now_ns)
        p2_ms, p2_star_10ms = self._catalogue.p2_ns // 1_000_000, self._catalogue.p2_star_ns // 10_000_000
        return Outcome(bytes([0x50, session]) + p2_ms.to_bytes(2, "big") + p2_star_10ms.to_bytes(2, "big"), now_ns)

    def _reset(self, request: bytes, now_ns: int) -> Outcome:
        return Outcome(bytes([0x51, request[1] & 0x7F]), now_ns, restart=True)

    # Data

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
        if did in tables.controls:
            return _DID.encode(did) + self._controls.state(tables.controls[did])
        if did in tables.texts:
            return _DID.encode(did) + tables.texts[did]
        return b""

    def _write(self, request: bytes, now_ns: int) -> Outcome:
        did = _DID.decode(request[1:3])
        if did not in self._catalogue.set_points:
            raise RefusedError(Nrc.request_out_of_range)
        group = self._catalogue.set_points[did]
        if len(request) != 3 + group.size:
            raise RefusedError(Nrc.incorrect_length_or_format)
        if self._firmware.state.value not in self._catalogue.write_states:
            raise RefusedError(Nrc.conditions_not_correct)
        raw = group.decode(request[3:])
        if not self._configuration.allows(group, raw):
            raise RefusedError(Nrc.request_out_of_range)
        return Outcome(b"\x6e" + request[1:3], self._configuration.write(raw, now_ns))

    # Control

    def _seed(self, security: Security, request: bytes, now_ns: int) -> Outcome:
        if security.barred(now_ns):
            raise RefusedError(Nrc.required_time_delay_not_expired)
        return Outcome(bytes([0x67, request[1] & 0x7F]) + security.seed(), now_ns)

    def _key(self, security: Security, request: bytes, now_ns: int) -> Outcome:
        if not security.asked:
            raise RefusedError(Nrc.request_sequence_error)
        refused, done_ns = security.key(request[2:], now_ns)
        if refused is not None:
            return Outcome(bytes([0x7F, request[0], refused]), done_ns)
        return Outcome(bytes([0x67, request[1] & 0x7F]), done_ns)

    def _io_control(self, request: bytes, now_ns: int) -> Outcome:
        did, control, state = _DID.decode(request[1:3]), request[3], request[4:]
        if did not in self._catalogue.controls or control not in (_RETURN, _ADJUST):
            raise RefusedError(Nrc.request_out_of_range)
        row = self._catalogue.controls[did]
        if len(state) != (row.reading.number.size if control == _ADJUST else 0):
            raise RefusedError(Nrc.incorrect_length_or_format)
        if control == _ADJUST:
            self._controls.adjust(row, state)
        else:
            self._controls.give_back(row)
        return Outcome(b"\x6f" + request[1:4] + self._controls.state(row), now_ns)

    def _routine(self, request: bytes, now_ns: int) -> Outcome:
        identifier = _DID.decode(request[2:4])
        if identifier not in self._catalogue.routines:
            raise RefusedError(Nrc.request_out_of_range)
        control = request[1] & 0x7F
        if control not in (_START, _RESULTS):
            raise RefusedError(Nrc.sub_function_not_supported)
        if len(request) != 4:
            raise RefusedError(Nrc.incorrect_length_or_format)
        answer = bytes([0x71, control]) + request[2:4]
        if control == _RESULTS:
            if identifier not in self._routines.results:
                raise RefusedError(Nrc.request_sequence_error)
            return Outcome(answer + self._routines.results[identifier], now_ns)
        if self._firmware.gate:
            raise RefusedError(Nrc.conditions_not_correct)
        row = self._catalogue.routines[identifier]
        return Outcome(answer + self._routines.run(identifier, row, now_ns), now_ns + row.duration_ns)

    def _present(self, request: bytes, now_ns: int) -> Outcome:
        return Outcome(b"\x7e\x00", now_ns)


def suppressed(request: bytes) -> bool:
    """Whether ``request`` wants no positive answer."""
    return request[0] in _WITH_SUB_FUNCTION and request[1] & 0x80 != 0


def _no_sub_function(request: bytes, now_ns: int) -> Outcome:
    raise RefusedError(Nrc.sub_function_not_supported)
