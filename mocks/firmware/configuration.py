"""Set-points: written by service 2E, in force at once, kept without supply as one record."""

from __future__ import annotations

from collections.abc import Mapping

from mocks.firmware.catalogue import Catalogue, GroupRow
from mocks.firmware.memory import Record
from mocks.firmware.tasks import Firmware


class Configuration:
    """The set-points of a unit. A unit that was never written to has its defaults."""

    def __init__(self, catalogue: Catalogue, record: Record, firmware: Firmware) -> None:
        self._all = _whole(catalogue)
        self._constraints = catalogue.constraints
        self._record = record
        self._firmware = firmware

    def power_on(self, now_ns: int) -> None:
        """Put in force what non-volatile memory holds."""
        stored = self._record.load(now_ns)
        if stored is None:
            self._firmware.adopt(self._firmware.calibration.defaults)
        else:
            self._firmware.adopt(self._all.decode(stored))

    def allows(self, group: GroupRow, raw: Mapping[str, int]) -> bool:
        """Whether every value is inside its limits, and all together keep every constraint."""
        inside = all(row.low <= raw[row.name] <= row.high for row in group.rows)
        together = {**self._firmware.set_points, **raw}
        return inside and all(constraint.holds(together) for constraint in self._constraints)

    def write(self, raw: Mapping[str, int], now_ns: int) -> int:
        """Put these in force and begin to store all set-points; returns when that is done."""
        self._firmware.adopt(raw)
        return self._record.save(self.read(self._all), now_ns)

    def read(self, group: GroupRow) -> bytes:
        """The record of a group as it is in force."""
        return group.encode(self._firmware.set_points)


def record_length(catalogue: Catalogue) -> int:
    """Bytes of the set-points' record."""
    return _whole(catalogue).size


def _whole(catalogue: Catalogue) -> GroupRow:
    return GroupRow(tuple(row for group in catalogue.set_points.values() for row in group.rows))
