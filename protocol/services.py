"""The tester's side of the diagnostic services: a function that builds each request, one that reads each answer.

    payload = read_codes(CodeStatusBit.confirmed)      bytes, for protocol.exchange
    answer = parse_response(payload, answer_bytes)     bytes that belong to the request, or NegativeResponse
    codes = parse_codes(answer)                        values

Sources: ISO 14229-1; on LIN ISO 14229-7.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TypeVar

from protocol import answers, requests
from protocol.answers import NEGATIVE, POSITIVE, CodeStatus, NegativeResponse
from protocol.identifiers import (
    ALL_CODES,
    ALL_RECORDS,
    SUB_FUNCTION_SERVICES,
    SUPPRESS,
    CodeReport,
    CodeSetting,
    CodeStatusBit,
    IoControlKind,
    NegativeResponseCode,
    ResetKind,
    RoutineControl,
    Service,
    dtc_text,
)
from protocol.layout import Coded, LayoutError

__all__ = [
    "ALL_CODES",
    "ALL_RECORDS",
    "CodeReport",
    "CodeSetting",
    "CodeStatus",
    "CodeStatusBit",
    "IoControlKind",
    "NegativeResponse",
    "NegativeResponseCode",
    "ResetKind",
    "RoutineControl",
    "Service",
    "ServiceError",
    "SessionTiming",
    "clear",
    "control_code_setting",
    "dtc_text",
    "ecu_reset",
    "io_control",
    "parse_code_count",
    "parse_codes",
    "parse_extended",
    "parse_io_control",
    "parse_read",
    "parse_response",
    "parse_routine",
    "parse_seed",
    "parse_session",
    "parse_snapshot",
    "read",
    "read_code_count",
    "read_codes",
    "read_extended",
    "read_snapshot",
    "read_supported",
    "routine",
    "security_key",
    "security_seed",
    "session",
    "tester_present",
    "write",
]


_Answer = TypeVar("_Answer", bound=Coded)


class ServiceError(ValueError):
    """An answer that is none to its request, or breaks its layout: the device's fault.

    Example scenarios: an answer of another service; a data identifier that was not asked for; bytes too few or many.
    """

    def __init__(self, problem: str, payload: bytes) -> None:
        self.problem = problem
        self.payload = payload
        super().__init__(f"{problem}; the answer was {payload.hex(' ') or 'empty'}")


# Requests. Each raises LayoutError (a ValueError) where a value does not fit.


def session(sub: int, suppress: bool = False) -> bytes:
    """Start session ``sub``."""
    return _request(requests.SessionRequest(sub), suppress)


def ecu_reset(kind: int = ResetKind.HARD, suppress: bool = False) -> bytes:
    """Restart the node."""
    return _request(requests.ResetRequest(kind), suppress)


def clear(group: int = ALL_CODES) -> bytes:
    """Clear fault code ``group``, or all."""
    return requests.ClearRequest(group).encode()


def read_code_count(mask: int = 0xFF) -> bytes:
    """Ask how many codes have a status bit of ``mask``."""
    return requests.CodeCountRequest(mask).encode()


def read_codes(mask: int = 0xFF) -> bytes:
    """Ask which codes have a status bit of ``mask``."""
    return requests.CodesRequest(mask).encode()


def read_snapshot(dtc: int, record: int = ALL_RECORDS) -> bytes:
    """Ask for snapshot ``record`` of code ``dtc``."""
    return requests.SnapshotRequest(dtc, record).encode()


def read_extended(dtc: int, record: int = ALL_RECORDS) -> bytes:
    """Ask for extended data ``record`` of code ``dtc``."""
    return requests.ExtendedRequest(dtc, record).encode()


def read_supported() -> bytes:
    """Ask for every code that the node knows."""
    return requests.SupportedRequest().encode()


def read(dids: Sequence[int]) -> bytes:
    """Read data by identifier, one or more. Raises ValueError for none."""
    if not dids:
        raise ValueError("no data identifier to read")
    return requests.ReadRequest(tuple(dids)).encode()


def write(did: int, data: bytes) -> bytes:
    """Write ``data`` to identifier ``did``."""
    return requests.WriteRequest(did, data).encode()


def security_seed(level: int) -> bytes:
    """Ask for the seed of ``level``, an odd number. Raises ValueError for an even one."""
    return requests.SecurityRequest(_seed_level(level), b"").encode()


def security_key(level: int, key: bytes) -> bytes:
    """Send the key for ``level``, the odd number that the seed was asked with. Raises ValueError for an even one."""
    return requests.SecurityRequest(_seed_level(level) + 1, key).encode()


def io_control(did: int, control: int, state: bytes = b"") -> bytes:
    """Take over the input or output ``did``, or give it back."""
    return requests.IoControlRequest(did, control, state).encode()


def routine(control: int, identifier: int, option: bytes = b"") -> bytes:
    """Start, stop or ask about routine ``identifier``."""
    return requests.RoutineRequest(control, identifier, option).encode()


def tester_present(suppress: bool) -> bytes:
    """Keep the session."""
    return _request(requests.PresenceRequest(0), suppress)


def control_code_setting(setting: int, suppress: bool = False) -> bytes:
    """Stop or resume the recording of faults."""
    return _request(requests.CodeSettingRequest(setting, b""), suppress)


def _request(request: Coded, suppress: bool) -> bytes:
    payload = request.encode()
    return requests.suppress(payload) if suppress else payload


def _seed_level(level: int) -> int:
    if level % 2 == 0:
        raise ValueError(f"security level {level}: want the odd number that asks for the seed")
    return level


# Answers. Each raises ServiceError where the bytes are no such answer.


def parse_response(request: bytes, payload: bytes) -> bytes | NegativeResponse:
    """``payload`` itself if it is a positive answer to ``request``, or what was refused.

    Checks service, sub-function and, for services with one, the identifier; the rest is left to the functions below.
    """
    if not payload:
        raise ServiceError("no answer can be empty", payload)
    if payload[0] == NEGATIVE:
        refusal = _decode(NegativeResponse, payload)
        if refusal.sid != request[0]:
            raise ServiceError(f"refuses service {refusal.sid:#04x}, the request was {request[0]:#04x}", payload)
        return refusal
    wanted = _echo(request)
    if payload[: len(wanted)] != wanted:
        raise ServiceError(f"want an answer that begins with {wanted.hex(' ')}", payload)
    return payload


def _echo(request: bytes) -> bytes:
    """How a positive answer to ``request`` has to begin."""
    sid = request[0]
    begin = bytes((sid + POSITIVE,))
    if sid in SUB_FUNCTION_SERVICES:
        begin += bytes(sub & ~SUPPRESS for sub in request[1:2])
        return begin + request[2:4] if sid == Service.ROUTINE else begin
    if sid in (Service.READ_DATA, Service.WRITE_DATA):
        return begin + request[1:3]
    return begin + request[1:4] if sid == Service.IO_CONTROL else begin


@dataclass(frozen=True)
class SessionTiming:
    """What the node promises for the session just started."""

    session: int
    p2_ns: int
    p2_star_ns: int


def parse_session(payload: bytes) -> SessionTiming:
    """Answer to ``session``."""
    answer = _decode(answers.SessionAnswer, payload)
    return SessionTiming(answer.session, answer.p2_ms * 1_000_000, answer.p2_star_10ms * 10_000_000)


def parse_code_count(payload: bytes) -> answers.CodeCountAnswer:
    """Answer to ``read_code_count``."""
    return _decode(answers.CodeCountAnswer, payload)


def parse_codes(payload: bytes) -> list[CodeStatus]:
    """Answer to ``read_codes`` or ``read_supported``."""
    if payload[1:2] == bytes((CodeReport.SUPPORTED,)):
        return list(_decode(answers.SupportedAnswer, payload).codes)
    return list(_decode(answers.CodesAnswer, payload).codes)


def parse_snapshot(payload: bytes) -> answers.SnapshotAnswer:
    """Answer to ``read_snapshot``; protocol.records.decode_snapshot reads its records."""
    return _decode(answers.SnapshotAnswer, payload)


def parse_extended(payload: bytes) -> answers.ExtendedAnswer:
    """Answer to ``read_extended``."""
    return _decode(answers.ExtendedAnswer, payload)


def parse_read(payload: bytes, sizes: Mapping[int, int | None]) -> dict[int, bytes]:
    """Answer to ``read``: the data of each identifier, in the order sent.

    ``sizes`` gives the bytes of each identifier asked for; None, for the last one sent, takes the rest.
    """
    rest = _decode(answers.ReadAnswer, payload).records
    found: dict[int, bytes] = {}
    while rest:
        did = int.from_bytes(rest[:2], "big")
        if len(rest) < 2 or did not in sizes or did in found:
            raise ServiceError(f"want identifiers {_texts(sizes)}, each once, not {rest[:2].hex()}", payload)
        size = sizes[did]
        data = rest[2:] if size is None else rest[2 : 2 + size]
        if size is not None and len(data) < size:
            raise ServiceError(f"identifier {did:#06x} has {len(data)} bytes, want {size}", payload)
        found[did] = data
        rest = rest[2 + len(data) :]
    if found.keys() != sizes.keys():
        raise ServiceError(f"no data for {_texts(sizes.keys() - found.keys())}", payload)
    return found


def parse_seed(payload: bytes) -> bytes:
    """Answer to ``security_seed``. All zero: already unlocked."""
    return _decode(answers.SecurityAnswer, payload).seed


def parse_io_control(payload: bytes) -> answers.IoControlAnswer:
    """Answer to ``io_control``."""
    return _decode(answers.IoControlAnswer, payload)


def parse_routine(payload: bytes) -> answers.RoutineAnswer:
    """Answer to ``routine``."""
    return _decode(answers.RoutineAnswer, payload)


def _decode(kind: type[_Answer], payload: bytes) -> _Answer:
    try:
        return kind.decode(payload)
    except LayoutError as error:
        raise ServiceError(f"no {kind.__name__}: {error.problem}", payload) from error


def _texts(dids: Iterable[int]) -> str:
    return ", ".join(f"{did:#06x}" for did in sorted(dids))
