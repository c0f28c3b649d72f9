"""Diagnostic requests as values, and their bytes in both directions (ISO 14229-1; on LIN by ISO 14229-7).

A tester builds them (protocol.services has a function for each), a server takes them apart with ``parse_request``. The
bit of the sub-function that suppresses the positive answer is no part of the values: ``suppress`` sets it in the bytes,
``suppressed`` reads it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from construct import (
    Byte,
    Const,
    Construct,
    ExprValidator,
    GreedyBytes,
    GreedyRange,
    Int16ub,
    Int24ub,
    Struct,
    Terminated,
    obj_,
)

from protocol.identifiers import SUB_FUNCTION_SERVICES, SUPPRESS, CodeReport, NegativeResponseCode, Service
from protocol.layout import Coded, LayoutError, tuple_of


class RequestError(ValueError):
    """A request that a server has to refuse: ``code`` says with which negative response code."""

    def __init__(self, code: NegativeResponseCode, payload: bytes) -> None:
        self.code = code
        self.payload = payload
        super().__init__(f"{code.name} ({code:#04x}) for request {payload.hex(' ')}")


# Requests, in the order of their identifiers

_SUB_FUNCTION = ExprValidator(Byte, obj_ < SUPPRESS)


def _request(service: Service, *entries: Construct) -> Construct:
    return Struct(Const(service, Byte), *entries, Terminated)


def _report(report: CodeReport, *entries: Construct) -> Construct:
    return _request(Service.READ_CODES, Const(report, Byte), *entries)


@dataclass(frozen=True)
class SessionRequest(Coded):
    """Start a session."""

    layout: ClassVar[Construct] = _request(Service.SESSION, "session" / _SUB_FUNCTION)
    session: int


@dataclass(frozen=True)
class ResetRequest(Coded):
    """Restart the node."""

    layout: ClassVar[Construct] = _request(Service.RESET, "kind" / _SUB_FUNCTION)
    kind: int


@dataclass(frozen=True)
class ClearRequest(Coded):
    """Clear fault codes: one code or ALL_CODES."""

    layout: ClassVar[Construct] = _request(Service.CLEAR_CODES, "group" / Int24ub)
    group: int


@dataclass(frozen=True)
class CodeCountRequest(Coded):
    """How many codes have a status bit of ``mask``."""

    layout: ClassVar[Construct] = _report(CodeReport.COUNT, "mask" / Byte)
    mask: int


@dataclass(frozen=True)
class CodesRequest(Coded):
    """Which codes have a status bit of ``mask``."""

    layout: ClassVar[Construct] = _report(CodeReport.CODES, "mask" / Byte)
    mask: int


@dataclass(frozen=True)
class SnapshotRequest(Coded):
    """Snapshot of a code: a record number or ALL_RECORDS."""

    layout: ClassVar[Construct] = _report(CodeReport.SNAPSHOT, "dtc" / Int24ub, "record" / Byte)
    dtc: int
    record: int


@dataclass(frozen=True)
class ExtendedRequest(Coded):
    """Extended data of a code: a record number or ALL_RECORDS."""

    layout: ClassVar[Construct] = _report(CodeReport.EXTENDED, "dtc" / Int24ub, "record" / Byte)
    dtc: int
    record: int


@dataclass(frozen=True)
class SupportedRequest(Coded):
    """Every code that the server knows, with its status."""

    layout: ClassVar[Construct] = _report(CodeReport.SUPPORTED)


@dataclass(frozen=True)
class ReadRequest(Coded):
    """Read data by identifier. At least one: ``parse_request`` refuses none."""

    layout: ClassVar[Construct] = _request(Service.READ_DATA, "dids" / tuple_of(GreedyRange(Int16ub)))
    dids: tuple[int, ...]


@dataclass(frozen=True)
class SecurityRequest(Coded):
    """Ask for a seed (odd ``level``), or send the key (even)."""

    layout: ClassVar[Construct] = _request(Service.SECURITY, "level" / _SUB_FUNCTION, "data" / GreedyBytes)
    level: int
    data: bytes


@dataclass(frozen=True)
class WriteRequest(Coded):
    """Write data by identifier."""

    layout: ClassVar[Construct] = _request(Service.WRITE_DATA, "did" / Int16ub, "data" / GreedyBytes)
    did: int
    data: bytes


@dataclass(frozen=True)
class IoControlRequest(Coded):
    """Take over an input or output: ``control`` as IoControlKind, ``state`` for ADJUST."""

    layout: ClassVar[Construct] = _request(Service.IO_CONTROL, "did" / Int16ub, "control" / Byte, "state" / GreedyBytes)
    did: int
    control: int
    state: bytes


@dataclass(frozen=True)
class RoutineRequest(Coded):
    """Start, stop or ask about a routine."""

    layout: ClassVar[Construct] = _request(
        Service.ROUTINE, "control" / _SUB_FUNCTION, "routine" / Int16ub, "option" / GreedyBytes
    )
    control: int
    routine: int
    option: bytes


@dataclass(frozen=True)
class PresenceRequest(Coded):
    """Keep the session."""

    layout: ClassVar[Construct] = _request(Service.TESTER_PRESENT, "sub_function" / _SUB_FUNCTION)
    sub_function: int


@dataclass(frozen=True)
class CodeSettingRequest(Coded):
    """Stop or resume recording of faults."""

    layout: ClassVar[Construct] = _request(Service.CODE_SETTING, "setting" / _SUB_FUNCTION, "option" / GreedyBytes)
    setting: int
    option: bytes


Request = (
    SessionRequest
    | ResetRequest
    | ClearRequest
    | CodeCountRequest
    | CodesRequest
    | SnapshotRequest
    | ExtendedRequest
    | SupportedRequest
    | ReadRequest
    | SecurityRequest
    | WriteRequest
    | IoControlRequest
    | RoutineRequest
    | PresenceRequest
    | CodeSettingRequest
)

_REPORTS: dict[int, type[Request]] = {
    CodeReport.COUNT: CodeCountRequest,
    CodeReport.CODES: CodesRequest,
    CodeReport.SNAPSHOT: SnapshotRequest,
    CodeReport.EXTENDED: ExtendedRequest,
    CodeReport.SUPPORTED: SupportedRequest,
}
_REQUESTS: dict[int, type[Request]] = {
    Service.SESSION: SessionRequest,
    Service.RESET: ResetRequest,
    Service.CLEAR_CODES: ClearRequest,
    Service.READ_DATA: ReadRequest,
    Service.SECURITY: SecurityRequest,
    Service.WRITE_DATA: WriteRequest,
    Service.IO_CONTROL: IoControlRequest,
    Service.ROUTINE: RoutineRequest,
    Service.TESTER_PRESENT: PresenceRequest,
    Service.CODE_SETTING: CodeSettingRequest,
}


def suppress(payload: bytes) -> bytes:
    """The same request, with no positive answer wanted. Raises ValueError for a service without sub-function."""
    if payload[0] not in SUB_FUNCTION_SERVICES:
        raise ValueError(f"service {payload[0]:#04x} has no sub-function to suppress the answer with")
    return bytes((payload[0], payload[1] | SUPPRESS)) + payload[2:]


def suppressed(payload: bytes) -> bool:
    """Whether the request wants no positive answer."""
    return len(payload) > 1 and payload[0] in SUB_FUNCTION_SERVICES and bool(payload[1] & SUPPRESS)


def parse_request(payload: bytes) -> Request:
    """The request in ``payload``, whether its answer is suppressed or not.

    Raises RequestError with the negative response code that ISO 14229-1 wants: unknown service, unknown report of
    READ_CODES, or wrong length. Whether a sub-function, identifier or value is known is the server's business.
    """
    if not payload or (payload[0] not in _REQUESTS and payload[0] != Service.READ_CODES):
        raise RequestError(NegativeResponseCode.service_not_supported, payload)
    if payload[0] in SUB_FUNCTION_SERVICES and len(payload) > 1:
        payload = bytes((payload[0], payload[1] & ~SUPPRESS)) + payload[2:]
    try:
        request = _kind(payload).decode(payload)
    except LayoutError as error:
        raise RequestError(NegativeResponseCode.incorrect_length_or_format, payload) from error
    if request == ReadRequest(()):
        raise RequestError(NegativeResponseCode.incorrect_length_or_format, payload)
    return request


def _kind(payload: bytes) -> type[Request]:
    if payload[0] != Service.READ_CODES:
        return _REQUESTS[payload[0]]
    if len(payload) < 2:
        raise RequestError(NegativeResponseCode.incorrect_length_or_format, payload)
    if payload[1] not in _REPORTS:
        raise RequestError(NegativeResponseCode.sub_function_not_supported, payload)
    return _REPORTS[payload[1]]
