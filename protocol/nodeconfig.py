"""Node configuration, services 0xB0 to 0xB7: requests and answers as values, in both directions (LIN 2.1 §4.2).

Payloads here are service identifier and data; node address, length and padding are protocol.transport's. All words
are little-endian. Where identifiers do not match, a node stays silent; a refusal is a NegativeResponse.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import ClassVar

from construct import Array, Byte, Bytes, Const, Construct, GreedyBytes, Int16ul, Int32ul, OneOf, Struct, Terminated

from protocol.answers import NEGATIVE, POSITIVE, NegativeResponse
from protocol.layout import Coded, LayoutError, tuple_of
from protocol.services import ServiceError

ANY_SUPPLIER = 0x7FFF
"""Supplier id that every node takes for its own."""
ANY_FUNCTION = 0xFFFF
"""Function id (and message id) that every node takes for its own."""
KEEP = 0xFF
"""In place of a protected identifier: leave this frame as it is."""
UNASSIGN = 0x00
"""In place of a protected identifier: take this frame off the bus."""
PRODUCT_ID = 0
"""Identifier of ``ReadById`` for the product identification; the only one that is mandatory."""
SERIAL_NUMBER = 1
"""Identifier of ``ReadById`` for the serial number."""


class ConfigService(IntEnum):
    """Service identifiers of node configuration."""

    ASSIGN_NAD = 0xB0
    ASSIGN_FRAME_ID = 0xB1
    READ_BY_ID = 0xB2
    CONDITIONAL_CHANGE_NAD = 0xB3
    DATA_DUMP = 0xB4
    AUTO_ADDRESS = 0xB5
    SAVE_CONFIGURATION = 0xB6
    ASSIGN_FRAME_ID_RANGE = 0xB7


def _request(service: ConfigService, *entries: Construct) -> Construct:
    return Struct(Const(service, Byte), *entries, Terminated)


@dataclass(frozen=True)
class AssignNad(Coded):
    """Give a node a new address. Sent to, and answered from, its initial address."""

    layout: ClassVar[Construct] = _request(
        ConfigService.ASSIGN_NAD, "supplier" / Int16ul, "function" / Int16ul, "new_nad" / Byte
    )
    supplier: int
    function: int
    new_nad: int


@dataclass(frozen=True)
class AssignFrameId(Coded):
    """Give the frame with ``message`` id a protected identifier. LIN 2.0 only; later nodes have AssignFrameIdRange."""

    layout: ClassVar[Construct] = _request(
        ConfigService.ASSIGN_FRAME_ID, "supplier" / Int16ul, "message" / Int16ul, "pid" / Byte
    )
    supplier: int
    message: int
    pid: int


@dataclass(frozen=True)
class ReadById(Coded):
    """Read a record of up to 5 bytes; PRODUCT_ID, SERIAL_NUMBER, or 32 to 63 as the maker likes."""

    layout: ClassVar[Construct] = _request(
        ConfigService.READ_BY_ID, "identifier" / Byte, "supplier" / Int16ul, "function" / Int16ul
    )
    identifier: int
    supplier: int = ANY_SUPPLIER
    function: int = ANY_FUNCTION


@dataclass(frozen=True)
class ConditionalChangeNad(Coded):
    """Give a new address to the nodes whose record meets a condition. Gone from ISO 17987-3."""

    layout: ClassVar[Construct] = _request(
        ConfigService.CONDITIONAL_CHANGE_NAD,
        "identifier" / Byte,
        "byte" / Byte,
        "mask" / Byte,
        "invert" / Byte,
        "new_nad" / Byte,
    )
    identifier: int
    byte: int  # 1 is the first byte of the record
    mask: int
    invert: int
    new_nad: int

    def met_by(self, record: bytes) -> bool:
        """Whether a node whose ``identifier`` reads ``record`` has to change: (byte xor invert) and mask is 0."""
        return 1 <= self.byte <= len(record) and (record[self.byte - 1] ^ self.invert) & self.mask == 0


@dataclass(frozen=True)
class DataDump(Coded):
    """Five bytes whose meaning is the maker's."""

    layout: ClassVar[Construct] = _request(ConfigService.DATA_DUMP, "data" / Bytes(5))
    data: bytes


@dataclass(frozen=True)
class AutoAddress(Coded):
    """Find out node positions and assign addresses; ``function`` and ``method`` are those of ISO 17987-3 annex A."""

    layout: ClassVar[Construct] = _request(
        ConfigService.AUTO_ADDRESS,
        Const(ANY_SUPPLIER, Int16ul),
        "function" / Byte,
        "method" / Byte,
        "new_nad" / Byte,
    )
    function: int
    method: int
    new_nad: int


@dataclass(frozen=True)
class SaveConfiguration(Coded):
    """Keep addresses and identifiers. The answer does not wait until they are stored."""

    layout: ClassVar[Construct] = _request(ConfigService.SAVE_CONFIGURATION)


@dataclass(frozen=True)
class AssignFrameIdRange(Coded):
    """Give up to four frames, from index ``start`` of the node's list on, a protected identifier, KEEP or UNASSIGN."""

    layout: ClassVar[Construct] = _request(
        ConfigService.ASSIGN_FRAME_ID_RANGE, "start" / Byte, "pids" / tuple_of(Array(4, Byte))
    )
    start: int
    pids: tuple[int, ...]  # four


ConfigRequest = (
    AssignNad
    | AssignFrameId
    | ReadById
    | ConditionalChangeNad
    | DataDump
    | AutoAddress
    | SaveConfiguration
    | AssignFrameIdRange
)

_REQUESTS: dict[int, type[ConfigRequest]] = {
    ConfigService.ASSIGN_NAD: AssignNad,
    ConfigService.ASSIGN_FRAME_ID: AssignFrameId,
    ConfigService.READ_BY_ID: ReadById,
    ConfigService.CONDITIONAL_CHANGE_NAD: ConditionalChangeNad,
    ConfigService.DATA_DUMP: DataDump,
    ConfigService.AUTO_ADDRESS: AutoAddress,
    ConfigService.SAVE_CONFIGURATION: SaveConfiguration,
    ConfigService.ASSIGN_FRAME_ID_RANGE: AssignFrameIdRange,
}


def is_config(payload: bytes) -> bool:
    """Whether the request is one of node configuration, not of the diagnostic services (LIN 2.1 §3.2.1.5)."""
    return payload[:1] != b"" and payload[0] in _REQUESTS


def parse_request(payload: bytes) -> ConfigRequest:
    """The request in ``payload``. Raises LayoutError for another service or wrong bytes."""
    if not is_config(payload):
        raise LayoutError("ConfigRequest", "no service of node configuration", payload)
    return _REQUESTS[payload[0]].decode(payload)


# Answers

_WITH_DATA = (ConfigService.READ_BY_ID, ConfigService.DATA_DUMP)
_CONFIRMATIONS = [service + POSITIVE for service in ConfigService if service not in _WITH_DATA]


@dataclass(frozen=True)
class Confirmation(Coded):
    """Done. ``rsid`` is the request's service identifier + 0x40."""

    layout: ClassVar[Construct] = Struct("rsid" / OneOf(Byte, _CONFIRMATIONS), Terminated)
    rsid: int


@dataclass(frozen=True)
class RecordAnswer(Coded):
    """The record that ``ReadById`` asked for."""

    layout: ClassVar[Construct] = Struct(Const(ConfigService.READ_BY_ID + POSITIVE, Byte), "record" / GreedyBytes)
    record: bytes


@dataclass(frozen=True)
class DataDumpAnswer(Coded):
    """Five bytes whose meaning is the maker's."""

    layout: ClassVar[Construct] = Struct(Const(ConfigService.DATA_DUMP + POSITIVE, Byte), "data" / Bytes(5), Terminated)
    data: bytes


@dataclass(frozen=True)
class ProductId(Coded):
    """Record PRODUCT_ID: who made what, in which variant."""

    layout: ClassVar[Construct] = Struct("supplier" / Int16ul, "function" / Int16ul, "variant" / Byte, Terminated)
    supplier: int  # 15 bits
    function: int
    variant: int

    def matches(self, supplier: int, function: int) -> bool:
        """Whether a request with these identifiers, wildcards among them, is for this node."""
        return supplier in (self.supplier, ANY_SUPPLIER) and function in (self.function, ANY_FUNCTION)


@dataclass(frozen=True)
class SerialNumber(Coded):
    """Record SERIAL_NUMBER."""

    layout: ClassVar[Construct] = Struct("number" / Int32ul, Terminated)
    number: int


ConfigAnswer = Confirmation | RecordAnswer | DataDumpAnswer


def parse_answer(request: ConfigRequest, payload: bytes) -> ConfigAnswer | NegativeResponse:
    """The answer to ``request``. Raises ServiceError where the bytes are none."""
    sid = request.encode()[0]
    kinds: dict[type[ConfigRequest], type[ConfigAnswer]] = {ReadById: RecordAnswer, DataDump: DataDumpAnswer}
    try:
        if payload[:1] == bytes((NEGATIVE,)):
            answer: ConfigAnswer | NegativeResponse = NegativeResponse.decode(payload)
        else:
            answer = kinds.get(type(request), Confirmation).decode(payload)
    except LayoutError as error:
        raise ServiceError(error.problem, payload) from error
    if (answer.sid if isinstance(answer, NegativeResponse) else payload[0] - POSITIVE) != sid:
        raise ServiceError(f"the request was service {sid:#04x}", payload)
    return answer
