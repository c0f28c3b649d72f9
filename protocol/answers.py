"""Positive and negative answers as values, and their bytes in both directions (ISO 14229-1; on LIN by ISO 14229-7).

A server encodes them, a tester decodes them through protocol.services, which checks first that the answer belongs to
its request. Data records stay bytes here: their sizes are the device's (protocol.records).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from construct import Byte, Const, Construct, GreedyBytes, If, Int16ub, Int24ub, Struct, Terminated, this

from protocol.identifiers import CodeReport, NegativeResponseCode, Service
from protocol.layout import Coded, records

POSITIVE = 0x40
"""Added to the service identifier in a positive answer (LIN 2.1 §3.2.1.5)."""
NEGATIVE = 0x7F
"""First byte of a negative answer."""


@dataclass(frozen=True)
class NegativeResponse(Coded):
    """A refusal, or 'response pending'."""

    layout: ClassVar[Construct] = Struct(Const(NEGATIVE, Byte), "sid" / Byte, "code" / Byte, Terminated)
    sid: int
    code: int  # a NegativeResponseCode or a number without a name

    @property
    def name(self) -> str:
        """Name of the code, e.g. 'request_out_of_range'; '0xe3' for one that has none."""
        try:
            return NegativeResponseCode(self.code).name
        except ValueError:
            return f"{self.code:#04x}"

    @property
    def pending(self) -> bool:
        """Whether the answer is still to come."""
        return self.code == NegativeResponseCode.response_pending


def _answer(service: Service, *entries: Construct) -> Construct:
    return Struct(Const(service + POSITIVE, Byte), *entries, Terminated)


def _report(report: CodeReport, *entries: Construct) -> Construct:
    return _answer(Service.READ_CODES, Const(report, Byte), *entries)


@dataclass(frozen=True)
class SessionAnswer(Coded):
    """A session has started, with its timing as sent."""

    layout: ClassVar[Construct] = _answer(
        Service.SESSION, "session" / Byte, "p2_ms" / Int16ub, "p2_star_10ms" / Int16ub
    )
    session: int
    p2_ms: int  # ms
    p2_star_10ms: int  # 10 ms


@dataclass(frozen=True)
class ResetAnswer(Coded):
    """The node is about to restart."""

    layout: ClassVar[Construct] = _answer(Service.RESET, "kind" / Byte, "power_down_s" / If(this.kind == 0x04, Byte))
    kind: int
    power_down_s: int | None = None  # s; with kind 0x04 and no other (ISO 14229-1 §9.3)


@dataclass(frozen=True)
class ClearAnswer(Coded):
    """Fault codes are cleared."""

    layout: ClassVar[Construct] = _answer(Service.CLEAR_CODES)


@dataclass(frozen=True)
class CodeCountAnswer(Coded):
    """How many codes have the status asked for."""

    layout: ClassVar[Construct] = _report(CodeReport.COUNT, "availability" / Byte, "format" / Byte, "count" / Int16ub)
    availability: int  # status bits that the server supports
    format: int  # 1: ISO 14229-1
    count: int


@dataclass(frozen=True)
class CodeStatus:
    """A fault code and its status."""

    dtc: int  # 24 bits
    status: int  # CodeStatusBit


_CODES = records(CodeStatus, "dtc" / Int24ub, "status" / Byte)


@dataclass(frozen=True)
class CodesAnswer(Coded):
    """Which codes have the status asked for."""

    layout: ClassVar[Construct] = _report(CodeReport.CODES, "availability" / Byte, "codes" / _CODES)
    availability: int  # status bits that the server supports
    codes: tuple[CodeStatus, ...]


@dataclass(frozen=True)
class SupportedAnswer(Coded):
    """Every code that the server knows."""

    layout: ClassVar[Construct] = _report(CodeReport.SUPPORTED, "availability" / Byte, "codes" / _CODES)
    availability: int  # status bits that the server supports
    codes: tuple[CodeStatus, ...]


@dataclass(frozen=True)
class SnapshotAnswer(Coded):
    """A code, its status and its snapshot records: number, count of entries, then identifier and data of each."""

    layout: ClassVar[Construct] = _report(
        CodeReport.SNAPSHOT, "dtc" / Int24ub, "status" / Byte, "records" / GreedyBytes
    )
    dtc: int
    status: int  # CodeStatusBit
    records: bytes


@dataclass(frozen=True)
class ExtendedAnswer(Coded):
    """A code, its status and its extended data records: number and data of each."""

    layout: ClassVar[Construct] = _report(
        CodeReport.EXTENDED, "dtc" / Int24ub, "status" / Byte, "records" / GreedyBytes
    )
    dtc: int
    status: int  # CodeStatusBit
    records: bytes


@dataclass(frozen=True)
class ReadAnswer(Coded):
    """Data records: identifier and data of each."""

    layout: ClassVar[Construct] = _answer(Service.READ_DATA, "records" / GreedyBytes)
    records: bytes


@dataclass(frozen=True)
class SecurityAnswer(Coded):
    """The seed (odd level), or access granted (even level, no data)."""

    layout: ClassVar[Construct] = _answer(Service.SECURITY, "level" / Byte, "seed" / GreedyBytes)
    level: int
    seed: bytes = b""


@dataclass(frozen=True)
class WriteAnswer(Coded):
    """Data is written."""

    layout: ClassVar[Construct] = _answer(Service.WRITE_DATA, "did" / Int16ub)
    did: int


@dataclass(frozen=True)
class IoControlAnswer(Coded):
    """An input or output is taken over or given back."""

    layout: ClassVar[Construct] = _answer(Service.IO_CONTROL, "did" / Int16ub, "control" / Byte, "state" / GreedyBytes)
    did: int
    control: int
    state: bytes = b""


@dataclass(frozen=True)
class RoutineAnswer(Coded):
    """What a routine says of itself."""

    layout: ClassVar[Construct] = _answer(
        Service.ROUTINE, "control" / Byte, "routine" / Int16ub, "status" / GreedyBytes
    )
    control: int
    routine: int
    status: bytes = b""


@dataclass(frozen=True)
class PresenceAnswer(Coded):
    """The session is kept."""

    layout: ClassVar[Construct] = _answer(Service.TESTER_PRESENT, "sub_function" / Byte)
    sub_function: int = 0


@dataclass(frozen=True)
class CodeSettingAnswer(Coded):
    """Recording of faults is stopped or resumed."""

    layout: ClassVar[Construct] = _answer(Service.CODE_SETTING, "setting" / Byte)
    setting: int
