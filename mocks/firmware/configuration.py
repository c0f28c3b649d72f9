"""Set-points: written by service 2E, in force at once, kept without supply as one record."""

from __future__ import annotations

from mocks.firmware.catalogue import Catalogue, SetPointRow
from mocks.firmware.memory import Record
from mocks.firmware.tasks import Firmware


class Configuration:
    """The set-points of a unit. A unit that was never written to has its defaults."""

    def __init__(self, catalogue: Catalogue, record: Record, firmware: Firmware) -> None:
        self._rows = tuple(catalogue.set_points.values())
        self._record = record
        self._firmware = firmware

    def power_on(self, now_ns: int) -> None:
        """Put in force what non-volatile memory holds."""
        stored = self._record.load(now_ns)
        if stored is None:
            self._firmware.adopt(self._firmware.calibration.defaults)
            return
        at = 0
        raw = {}
        for row in self._rows:
            raw[row.name] = row.number.decode(stored[at : at + row.number.size])
            at += row.number.size
        self._firmware.adopt(raw)

    def write(self, row: SetPointRow, raw: int, now_ns: int) -> int:
        """Put one set-point in force and begin to store all of them; returns when that is done."""
        self._firmware.adopt({row.name: raw})
        return self._record.save(b"".join(self.read(each) for each in self._rows), now_ns)

    def read(self, row: SetPointRow) -> bytes:
        """Bytes of one set-point as it is in force."""
        return row.number.encode(self._firmware.set_points[row.name])


def record_length(catalogue: Catalogue) -> int:
    """Bytes of the set-points' record."""
    return sum(row.number.size for row in catalogue.set_points.values())
