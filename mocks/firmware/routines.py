"""Routines (service 31): one, the self-test. It takes 300 ms, with the switch open."""

from __future__ import annotations

from collections.abc import Sequence

from mocks.firmware.memory import Record
from mocks.firmware.tasks import Firmware

SELF_TEST = 0x0203
"""Its routine identifier."""
SELF_TEST_NS = 300_000_000
"""How long it takes."""
_TORN = 0x01
_CURRENT = 0x02


class SelfTest:
    """Result bits: 01 a write to non-volatile memory was cut off, 02 current above pickup with the switch open."""

    def __init__(self, firmware: Firmware, records: Sequence[Record]) -> None:
        self._firmware = firmware
        self._records = records
        self.result: int | None = None  # of the last run since power-up

    def power_on(self) -> None:
        """Forget the result."""
        self.result = None

    def run(self, now_ns: int) -> int:
        """The result of a run that begins now."""
        self.result = _TORN if any(record.torn(now_ns) for record in self._records) else 0
        if self._firmware.overload.picked_up:
            self.result |= _CURRENT
        return self.result
