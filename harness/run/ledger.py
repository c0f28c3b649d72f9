"""What carries over from step to step and plan to plan: set-points asked for, thermal levels, the last trip.

Rule 1: every change is journalled before it is made, so that a record cut short still says what a device was left with.
Rule 2: a thermal level is an interval that holds every true level the declared accuracies allow; what is not known is
the whole interval from cold to trip.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction

from harness.clock import S
from harness.record.journal import Journal
from harness.record.result import Coverage
from harness.trip.band import level_interval
from harness.trip.trace import Segments
from protocol.device import Device

UNKNOWN = (0.0, 2.0)
"""Cold, or as hot as a trip with what flows on through latency and an open switch's sensing input leaves it."""
COLD = (0.0, 0.0)


@dataclass(frozen=True)
class LastTrip:
    """What the instruments know of the last trip; a snapshot is compared with it."""

    function: str
    coverage: Coverage
    current: float  # A, mean shortly before the decision
    current_uncertainty: float  # A, standard
    level: tuple[float, float]  # least and greatest thermal level that a good breaker has at its decision
    operate_time: float  # s
    operate_time_uncertainty: float  # s, standard; of the time alone
    supply_voltage: float  # V


class Ledger:
    """The one place for state that outlives a step."""

    def __init__(self, device: Device, journal: Journal) -> None:
        self._device = device
        self._journal = journal
        self._held: dict[str, Fraction] = {}
        self._levels: dict[str, tuple[tuple[float, float], int]] = {}
        self._before: dict[str, tuple[tuple[float, float], int]] = {}
        self.restore: dict[str, Fraction] = {}
        self.last_trip: LastTrip | None = None
        self.quarantine: str | None = None
        self.writes = 0

    def found(self, values: Mapping[str, Fraction]) -> None:
        """Set-points as read at the start of the run."""
        self._held.update(values)

    def ask(self, now_ns: int, name: str, value: Fraction) -> None:
        """A set-point is about to be written; its first value is kept, to be put back."""
        self.restore.setdefault(name, self._held[name])
        self._note(now_ns, "set_point", name=name, value=str(value), put_back=str(self.restore[name]))
        self._held[name] = value
        self.writes += 1

    def refuse(self, name: str, value: Fraction) -> None:
        """The device refused the last write of ``name``; ``value`` is what it held before."""
        self._held[name] = value
        if self.restore.get(name) == value:
            del self.restore[name]

    def restored(self, name: str) -> None:
        """A set-point is back at its first value."""
        self.restore.pop(name, None)

    def asked(self, name: str) -> Fraction:
        """What the device should hold for ``name``."""
        return self._held[name]

    @property
    def set_points(self) -> dict[str, float]:
        """Every set-point as asked for, or as found where the run has not written it; SI units."""
        return {name: float(value) for name, value in self._held.items()}

    def level(self, function: str, now_ns: int) -> tuple[float, float]:
        """Least and greatest thermal level of ``function`` now."""
        start, since_ns = self._levels.get(function, (UNKNOWN, now_ns))
        if now_ns <= since_ns:
            return start
        return self._carried(function, Segments.constant(0.0, (now_ns - since_ns) / S), start)

    def current_begins(self, now_ns: int) -> None:
        """A current is about to flow: until ``current_ended`` says how much, every level is unknown."""
        self._before = {name: (self.level(name, now_ns), now_ns) for name in self._device.functions}
        self._note(now_ns, "current", levels_before={name: level for name, (level, _) in self._before.items()})
        self._set_levels(now_ns, dict.fromkeys(self._device.functions, UNKNOWN))

    def current_ended(self, end_ns: int, current: Segments) -> None:
        """The recorded ``current`` went through the sensing chain until ``end_ns``: every level follows it."""
        began_ns = end_ns - round(current.duration_s * S)
        levels = {}
        for name, (level, since_ns) in self._before.items():
            gap = Segments.constant(0.0, max(began_ns - since_ns, 0) / S)
            levels[name] = self._carried(name, current, self._carried(name, gap, level))
        self._set_levels(end_ns, levels)

    def powered_up(self, now_ns: int) -> None:
        """The device lost its supply and is up again: levels are cold or unknown, as its profile says."""
        self._set_levels(
            now_ns,
            {
                name: UNKNOWN if function.kept_without_supply else COLD
                for name, function in self._device.functions.items()
            },
        )

    def quarantined(self, now_ns: int, reason: str) -> None:
        """The unit failed in a way that forbids further stimuli in this run."""
        self._note(now_ns, "quarantine", reason=reason)
        self.quarantine = reason

    def _carried(self, name: str, current: Segments, start: tuple[float, float]) -> tuple[float, float]:
        function = self._device.function(name)
        return level_interval(function, self.set_points, self._device.accuracy, current, start)

    def _set_levels(self, now_ns: int, levels: Mapping[str, tuple[float, float]]) -> None:
        self._journal.remark(now_ns, "levels", levels)
        self._levels.update({name: (level, now_ns) for name, level in levels.items()})

    def _note(self, now_ns: int, kind: str, **detail: object) -> None:
        self._journal.event(now_ns, kind, detail)
