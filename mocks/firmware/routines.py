"""Routines (service 31): what a unit's table lists. Each works for its time, with the switch open."""

from __future__ import annotations

from collections.abc import Sequence

from mocks.firmware.catalogue import RoutineRow
from mocks.firmware.memory import Record
from mocks.firmware.tasks import Firmware

_TORN = 0x01
_CURRENT = 0x02


class Routines:
    """Starts routines and keeps their results until the next power-up.

    The self-test sets bits in the first byte of its result: 01 a write to non-volatile memory was cut off, 02 current
    above pickup with the switch open.
    """

    def __init__(self, firmware: Firmware, records: Sequence[Record]) -> None:
        self._firmware = firmware
        self._records = records
        self.results: dict[int, bytes] = {}  # routine identifier ->

    def power_on(self) -> None:
        """Forget the results."""
        self.results = {}

    def run(self, identifier: int, row: RoutineRow, now_ns: int) -> bytes:
        """The result of a run that begins now."""
        result = row.result
        if row.action == "self_test":
            result = bytes([result[0] | self._self_test(now_ns)]) + result[1:]
        elif row.action == "release_lockout":
            self._firmware.release_lockout()
        self.results[identifier] = result
        return result

    def _self_test(self, now_ns: int) -> int:
        found = _TORN if any(record.torn(now_ns) for record in self._records) else 0
        return found | _CURRENT if self._firmware.overload.picked_up else found
