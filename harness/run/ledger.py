"""What carries over from step to step and plan to plan: set-points asked for, thermal levels, the last trip.

Rule 1: every change is journalled before it is made, so that a record cut short still says what a device was left with.
Rule 2: a thermal level is an interval that holds every true level the declared accuracies allow; what is not known is
the whole interval from cold to trip.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from fractions import Fraction

from harness.clock import S
from harness.record.journal import Journal
from harness.record.result import Coverage
from harness.run.identity import Identity
from harness.run.wear import Unit
from harness.trip.band import level_interval, rescaled, time_to_cool
from harness.trip.loop import MeasuredLoop
from harness.trip.trace import Segments
from harness.trip.watch import REMEMBERS
from protocol.device import Device, SnapshotSource
from protocol.protection import JunctionTemperature

UNKNOWN = (0.0, 2.0)
"""Cold, or as hot as a trip with what flows on through latency and an open switch's sensing input leaves it."""
COLD = (0.0, 0.0)
HEAT_SINK = 25.0
"""degC, where nothing else is said: an ordinary room."""
_FALL_S = 0.2  # s, longer than any supply takes to fall once it is off; common practice, no source


@dataclass(frozen=True)
class Known:
    """A value as the instruments or the harness know it: least, greatest, and how well the two are known (standard).

    ``repeatability`` is the standard deviation of a healthy unit's own value from trip to trip; None: it may lie
    anywhere between the two.
    """

    low: float
    high: float
    uncertainty: float = 0.0
    repeatability: float | None = None


@dataclass(frozen=True)
class LastTrip:
    """What the instruments know of a trip; a snapshot is compared with it. A source that is absent is not known."""

    function: str
    coverage: Coverage
    span_ns: tuple[int, int]  # it happened between these
    values: Mapping[SnapshotSource, Known]
    number: int = 0  # of the run's trips


@dataclass(frozen=True)
class Uptime:
    """What the breaker said of its uptime, and between which instants it was so; ``off_ns`` of no supply since."""

    value_s: float
    span_ns: tuple[int, int]
    off_ns: tuple[int, int] = (0, 0)  # least and most

    def elapsed(self, first_ns: int, last_ns: int) -> tuple[int, int]:
        """Least and most powered time up to an instant between ``first_ns`` and ``last_ns``."""
        least, most = first_ns - self.span_ns[1] - self.off_ns[1], last_ns - self.span_ns[0] - self.off_ns[0]
        return max(least, 0), most


class Ledger:
    """The one place for state that outlives a step."""

    def __init__(self, device: Device, journal: Journal) -> None:
        self._device = device
        self._journal = journal
        self._held: dict[str, Fraction] = {}
        self._levels: dict[str, tuple[tuple[float, float], int]] = {}
        self._before: dict[str, tuple[tuple[float, float], int]] = {}
        self._off: dict[str, tuple[float, float]] = {}
        self.restore: dict[str, Fraction] = {}
        self.mode: str | None = next(iter(device.command.modes), None)
        self.first_trips: dict[str, LastTrip] = {}  # by fault code, since the last clearing
        self.latest_trips: dict[str, LastTrip] = {}
        self.trips = 0  # that have a snapshot of their own, since the run began
        self.unit: Identity | None = None  # as it was at the start of the run
        self.uptime: Uptime | None = None  # of a snapshot
        self.published_uptime: Uptime | None = None  # of a published frame, which is coarser and goes round earlier
        self._powered_down_ns: int | None = None
        self.trip_count: tuple[int, int] | None = None  # the breaker's own count, and ``trips`` then
        self.quarantine: str | None = None
        self.held: dict[str, float] = {}  # key of STIMULI -> where it is held
        self.writes = 0
        self.starts = 0  # of the device: power-ups and resets
        self.wear = Unit(device.budgets, None)  # of a unit that nobody has asked yet who it is
        self.loop: MeasuredLoop | None = None  # of the bank, as a step of this run has measured it

    def found(self, values: Mapping[str, Fraction]) -> None:
        """Set-points as read at the start of the run."""
        self._held.update(values)

    def ask(self, now_ns: int, name: str, value: Fraction) -> None:
        """A set-point is about to be written; its first value is kept, to be put back.

        Levels have followed the old set-points until now.
        """
        self._set_levels(now_ns, {function: self.level(function, now_ns) for function in self.remembering})
        self.restore.setdefault(name, self._held[name])
        self._note(now_ns, "set_point", name=name, value=str(value), put_back=str(self.restore[name]))
        self._held[name] = value
        self.writes += 1

    def ask_mode(self, now_ns: int, mode: str) -> None:
        """An operating mode is about to be commanded. Levels have followed the set-points of the old one until now."""
        self._set_levels(now_ns, {function: self.level(function, now_ns) for function in self.remembering})
        self._note(now_ns, "mode", mode=mode)
        self.mode = mode

    def refuse(self, name: str, value: Fraction) -> None:
        """The device refused the last write of ``name``; ``value`` is what it held before."""
        self._held[name] = value
        if self.restore.get(name) == value:
            del self.restore[name]

    def kept(self, name: str, value: Fraction) -> None:
        """The device kept ``value`` where its first one was to be put back; it is still to be."""
        self._held[name] = value

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
        if not isinstance(self._device.functions[function], REMEMBERS):
            return COLD
        start, since_ns = self._levels.get(function, (UNKNOWN, now_ns))
        if now_ns <= since_ns:
            return start
        return self._carried(function, Segments.constant(0.0, (now_ns - since_ns) / S), start)

    def time_to_cool(self, function: str, now_ns: int, target: float) -> float:
        """Time in s, without current, after which its level is certain to be below ``target``; inf: never certain."""
        level, definition = self.level(function, now_ns)[1], self._device.functions[function]
        seconds = time_to_cool(definition, self.set_points, level, target, self.mode, ambient=self.ambient)
        return math.inf if seconds is None else seconds

    def current_begins(self, now_ns: int) -> None:
        """A current is about to flow: until ``current_ended`` says how much, every level is unknown."""
        self._before = {name: (self.level(name, now_ns), now_ns) for name in self.remembering}
        self._note(now_ns, "current", levels_before={name: level for name, (level, _) in self._before.items()})
        self._set_levels(now_ns, dict.fromkeys(self.remembering, UNKNOWN))

    def current_ended(self, end_ns: int, current: Segments) -> None:
        """The recorded ``current`` went through the sensing chain until ``end_ns``: every level follows it."""
        began_ns = end_ns - round(current.duration_s * S)
        levels = {}
        for name, (level, since_ns) in self._before.items():
            gap = Segments.constant(0.0, max(began_ns - since_ns, 0) / S)
            levels[name] = self._carried(name, current, self._carried(name, gap, level))
        self._set_levels(end_ns, levels)

    def hold(self, now_ns: int, key: str, value: float) -> None:
        """A quantity is about to be taken to ``value`` and left there."""
        self._note(now_ns, "hold", key=key, value=value)
        self._rests(now_ns, {**self.held, key: value})

    def let_go(self, now_ns: int, key: str) -> None:
        """A quantity is about to go back to its healthy value."""
        self._note(now_ns, "let_go", key=key)
        self._rests(now_ns, {name: value for name, value in self.held.items() if name != key})

    @property
    def heat_sink(self) -> float:
        """Temperature of the heat sink as the breaker is shown it, degC."""
        return self.held.get("heat_sink", HEAT_SINK)

    def unknown_trip(self, cause: str) -> None:
        """A function operated that no instrument timed: what its snapshot holds is not known."""
        self.first_trips.pop(cause, None)
        self.latest_trips.pop(cause, None)

    def _rests(self, now_ns: int, held: dict[str, float]) -> None:
        """A junction's level is a share of what is left to its limit: the same rise is another one on a warmer sink."""
        before = self.heat_sink
        levels = {name: self.level(name, now_ns) for name in self.remembering}
        self.held = held
        if before == self.heat_sink:
            return
        for name, (low, high) in levels.items():
            function = self._device.functions[name]
            if isinstance(function, JunctionTemperature):
                sinks = before, self.heat_sink
                low, high = (rescaled(function, self.set_points, each, *sinks, self.mode) for each in (low, high))
                levels[name] = low, high
        self._set_levels(now_ns, levels)

    def powered_down(self, now_ns: int) -> None:
        """The supply is about to go: a level that outlives it is at most what it is now."""
        self._off = {name: self.level(name, now_ns) for name in self.remembering}
        self._powered_down_ns = now_ns
        self._set_levels(now_ns, dict.fromkeys(self.remembering, UNKNOWN))

    def powered_up(self, now_ns: int) -> None:
        """The device lost its supply and is up again: levels are cold or kept, as its profile says.

        Until the supply had fallen a kept one may have cooled, and there is nobody who says how long that took.
        """
        levels = {}
        for name in self.remembering:
            kept = getattr(self._device.functions[name], "kept_without_supply", False)
            levels[name] = UNKNOWN if kept else COLD
            if kept and name in self._off:
                low, high = self._off[name]
                levels[name] = self._carried(name, Segments.constant(0.0, _FALL_S), (low, high))[0], high
        self.uptime = self._without_supply(self.uptime, now_ns)
        self.published_uptime = self._without_supply(self.published_uptime, now_ns)
        self._off, self._powered_down_ns = {}, None
        self.starts += 1
        self._set_levels(now_ns, levels)

    def heat_unknown(self, now_ns: int) -> None:
        """Nobody knows what the device went through before: every level is unknown, as at any first contact."""
        self._set_levels(now_ns, dict.fromkeys(self.remembering, UNKNOWN))

    def final(self, now_ns: int) -> dict[str, object]:
        """What the device is left with: set-points as asked for, those not put back, levels, trips."""
        return {
            "device": self._device.name,
            "set_points": self.set_points,
            "not_put_back": {name: float(value) for name, value in self.restore.items()},
            "levels": {name: self.level(name, now_ns) for name in self.remembering} if self._held else {},
            "trips": self.trips,
            "writes": self.writes,
            "wear": self.wear.summary(),
            "mode": self.mode,
            "quarantine": self.quarantine,
        }

    def _without_supply(self, uptime: Uptime | None, now_ns: int) -> Uptime | None:
        if uptime is None or self._powered_down_ns is None:
            return uptime
        least, most = uptime.off_ns
        gone = now_ns - self._powered_down_ns
        sure = max(gone - round(2 * _FALL_S * S), 0)  # how long supply and breaker took is not known
        return replace(uptime, off_ns=(least + sure, most + gone))

    def tripped(self, cause: str, trip: LastTrip) -> None:
        """A trip with all that is known of it. What only bars closing is none to the breaker's own count."""
        self.trips += self._device.functions[trip.function].reaction == "trip"
        trip = replace(trip, number=self.trips)
        self.first_trips.setdefault(cause, trip)
        self.latest_trips[cause] = trip

    def uncounted(self) -> None:
        """The breaker may have tripped without anybody having seen it: its own count is not known any more."""
        self.trip_count = None

    def cleared(self) -> None:
        """The fault memory is empty, and with it every snapshot."""
        self.first_trips.clear()
        self.latest_trips.clear()

    @property
    def remembering(self) -> tuple[str, ...]:
        """The functions whose level outlasts what they watch."""
        return tuple(name for name, function in self._device.functions.items() if isinstance(function, REMEMBERS))

    @property
    def ambient(self) -> tuple[float, float]:
        """The least and greatest temperature that the breaker may take its heat sink for, degC."""
        tolerance = self._device.thermistor.tolerance if self._device.thermistor else 0.0
        return self.heat_sink - tolerance, self.heat_sink + tolerance

    def quarantined(self, now_ns: int, reason: str) -> None:
        """The unit failed in a way that forbids further stimuli in this run."""
        self._note(now_ns, "quarantine", reason=reason)
        self.quarantine = reason
        self.wear.quarantined(reason)

    def loop_measured(self, now_ns: int, loop: MeasuredLoop) -> None:
        """The bank's loop was measured with the breaker out of it."""
        values = {"inductance": loop.inductance, "resistance": loop.resistance}
        self._note(now_ns, "loop", **{name: [each.value, each.uncertainty] for name, each in values.items()})
        self.loop = loop

    def flashing(self, now_ns: int, build: Mapping[str, object]) -> None:
        """An image is about to be put into the breaker."""
        self._note(now_ns, "flashing", **build)

    def flashed(self, now_ns: int, detail: Mapping[str, object]) -> None:
        """The programming command has ended, and what the breaker is since."""
        self._note(now_ns, "flash", **detail)

    def _carried(self, name: str, current: Segments, start: tuple[float, float]) -> tuple[float, float]:
        function = self._device.function(name)
        return level_interval(function, self.set_points, current, start, self.mode, ambient=self.ambient)

    def _set_levels(self, now_ns: int, levels: Mapping[str, tuple[float, float]]) -> None:
        self._journal.remark(now_ns, "levels", levels)
        self._levels.update({name: (level, now_ns) for name, level in levels.items()})

    def _note(self, now_ns: int, kind: str, **detail: object) -> None:
        self._journal.event(now_ns, kind, detail)
