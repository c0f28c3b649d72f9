"""Node configuration, services B0 to B7 (LIN 2.1 §4.2): address and frame identifiers, live at once, kept if saved.

B1, B4 and B5 are refused as not supported. What is not for this product, or malformed, is not answered.
Choices where LIN 2.1 leaves one, or where its text was not at hand: B3 answers with the new address; B7 refuses as a
whole (12) a request that names a frame that this node does not have or an identifier above 0x3B, and takes the parity
of an identifier as given.
"""

from __future__ import annotations

from collections.abc import Callable

from mocks.firmware.catalogue import NodeRow
from mocks.firmware.memory import Record
from protocol.identifiers import NegativeResponseCode
from protocol.transport import BROADCAST_NAD, FUNCTIONAL_NAD

_ANY_SUPPLIER = 0x7FFF
_ANY_FUNCTION = 0xFFFF
_NADS = range(0x01, 0x7E)
_KEEP = 0xFF
_FIRST_RESERVED_ID = 0x3C

Answer = tuple[int, bytes] | None
"""Node address and payload, or silence."""


class NodeConfiguration:
    """Node address and protected identifiers (0: not assigned), in the order of the configurable frames."""

    def __init__(self, row: NodeRow, record: Record) -> None:
        self._row = row
        self._record = record
        self._product = (
            row.supplier.to_bytes(2, "little") + row.function.to_bytes(2, "little") + row.variant.to_bytes(1, "little")
        )
        self._serial = row.serial.to_bytes(4, "little")
        self._services: dict[int, tuple[int, Callable[[int, bytes, int], Answer]]] = {
            0xB0: (6, self._assign_nad),
            0xB2: (6, self._read_by_id),
            0xB3: (6, self._change_nad),
            0xB6: (1, self._save),
            0xB7: (6, self._assign_ids),
        }
        self.nad = row.configured_nad
        self.pids = row.pids

    def power_on(self, now_ns: int) -> None:
        """Take what was saved, or what the node was made with."""
        self.nad, self.pids = self._row.configured_nad, self._row.pids
        stored = self._record.load(now_ns)
        if stored is not None:
            self.nad, self.pids = stored[0], tuple(stored[1:])

    def serve(self, nad: int, request: bytes, now_ns: int) -> Answer:
        """Carry out a request that came to ``nad``."""
        length, handler = self._services.get(request[0], (0, self._unknown))
        if length not in (0, len(request)):
            return None
        return handler(nad, request, now_ns)

    def addressed(self, pdu: bytes) -> bool:
        """Whether this node takes a PDU: assign-address goes to the initial address, all else to the present one."""
        own = self._row.initial_nad if pdu[1:3] == b"\x06\xb0" else self.nad
        return pdu[0] in (own, BROADCAST_NAD, FUNCTIONAL_NAD)

    def _unknown(self, nad: int, request: bytes, now_ns: int) -> Answer:
        return self._refuse(request, NegativeResponseCode.service_not_supported)

    def _assign_nad(self, nad: int, request: bytes, now_ns: int) -> Answer:
        if not self._meant(request[1:5]) or request[5] not in _NADS:
            return None
        self.nad = request[5]
        return self._row.initial_nad, b"\xf0"

    def _read_by_id(self, nad: int, request: bytes, now_ns: int) -> Answer:
        if not self._meant(request[2:6]):
            return None
        match request[1]:
            case 0:
                return self.nad, b"\xf2" + self._product
            case 1:
                return self.nad, b"\xf2" + self._serial
            case _:
                return self._refuse(request, NegativeResponseCode.sub_function_not_supported)

    def _change_nad(self, nad: int, request: bytes, now_ns: int) -> Answer:
        identifier, at, mask, invert, new = request[1:6]
        record = {0: self._product, 1: self._serial}.get(identifier, b"")
        if not 1 <= at <= len(record) or (record[at - 1] ^ invert) & mask or new not in _NADS:
            return None
        self.nad = new
        return self.nad, b"\xf3"

    def _save(self, nad: int, request: bytes, now_ns: int) -> Answer:
        self._record.save(bytes([self.nad, *self.pids]), now_ns)
        return self.nad, b"\xf6"

    def _assign_ids(self, nad: int, request: bytes, now_ns: int) -> Answer:
        pids = list(self.pids)
        for index, pid in enumerate(request[2:6], start=request[1]):
            if pid == _KEEP:
                continue
            if index >= len(pids) or pid & 0x3F >= _FIRST_RESERVED_ID:
                return self._refuse(request, NegativeResponseCode.sub_function_not_supported)
            pids[index] = pid
        self.pids = tuple(pids)
        return self.nad, b"\xf7"

    def _meant(self, product: bytes) -> bool:
        supplier, function = (int.from_bytes(part, "little") for part in (product[:2], product[2:]))
        return supplier in (self._row.supplier, _ANY_SUPPLIER) and function in (self._row.function, _ANY_FUNCTION)

    def _refuse(self, request: bytes, code: NegativeResponseCode) -> Answer:
        return self.nad, bytes([0x7F, request[0], code])


def record_length(row: NodeRow) -> int:
    """Bytes of the node configuration's record."""
    return 1 + len(row.pids)
