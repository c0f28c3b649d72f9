"""I/O control (service 2F): quantities that the firmware takes from the tester instead of its converters."""

from __future__ import annotations

from mocks.firmware.catalogue import ControlRow
from mocks.firmware.readings import READINGS
from mocks.firmware.tasks import Firmware


class Controls:
    """Takes quantities over and gives them back."""

    def __init__(self, rows: tuple[ControlRow, ...], firmware: Firmware) -> None:
        self._rows = rows
        self._firmware = firmware

    def adjust(self, row: ControlRow, state: bytes) -> None:
        """From now on the quantity is what ``state``, its record, says."""
        self._firmware.override(row.quantity, row.own.apply(row.reading.number.decode(state)))

    def give_back(self, row: ControlRow) -> None:
        """From now on the quantity is what it is."""
        self._firmware.override(row.quantity, None)

    def give_all_back(self) -> None:
        """The tester has gone: nothing stays taken over."""
        for row in self._rows:
            self.give_back(row)

    def state(self, row: ControlRow) -> bytes:
        """The quantity's record as the firmware works with it."""
        return row.reading.encode(READINGS[row.reading.source](self._firmware))
