"""What a trip leaves in the snapshot, as the instruments and the harness know it: one entry a source."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

from harness.clock import S
from harness.record.result import Coverage
from harness.run.context import Context
from harness.run.ledger import Known, LastTrip
from harness.run.oracle import junction_temperatures, level_after
from harness.run.repeat import of_reading
from harness.run.shot import Shot
from harness.trip.trace import Segments
from protocol.device import SnapshotSource
from protocol.protection import (
    DefiniteTime,
    InverseTime,
    JunctionTemperature,
    ProtectionFunction,
    Quantity,
    ThermalMemory,
)

_ROOT3 = 3**0.5


def exactly(value: float, slack: float = 0.0, uncertainty: float = 0.0) -> Known:
    """A value that is known to ``slack``."""
    return Known(value - slack, value + slack, uncertainty)


def note_trip(
    function: ProtectionFunction,
    context: Context,
    coverage: Coverage,
    shot: Shot,
    levels: Mapping[str, tuple[float, float]],
) -> None:
    """Tell the ledger of a recorded trip of ``function``; ``levels`` are those at the start of the recording."""
    trip = _Trip(function, context, shot, levels)
    values: dict[SnapshotSource, Known] = {}
    for source, known in KNOWN.items():
        value = known(trip)
        if value is not None:
            values[source] = value
    span_ns = (shot.polled.began_ns, context.bench.clock.now_ns())
    context.ledger.tripped(function.cause, LastTrip(function.name, coverage, span_ns, values))


class _Trip:
    """A recorded trip, with what its sources have in common."""

    def __init__(
        self,
        function: ProtectionFunction,
        context: Context,
        shot: Shot,
        levels: Mapping[str, tuple[float, float]],
    ) -> None:
        assert shot.instants.decision is not None
        self.function, self.context, self.shot, self.levels = function, context, shot, levels
        self.accuracy = context.device.accuracy
        self.decision = shot.instants.decision
        self.measured = self.decision - shot.instants.onset
        self.quantity = context_quantity(shot)

    @property
    def current(self) -> Segments | None:
        """The recorded current up to the decision; None where another quantity was applied."""
        return self.shot.heating.first(self.decision) if self.quantity == "current" else None

    def level(self, function: ProtectionFunction) -> tuple[float, float]:
        """The levels that are possible when the breaker makes its record: at the decision, or a latency before it."""
        start = self.levels.get(function.name, (0.0, 0.0))
        ledger = self.context.ledger
        if function is self.function and isinstance(function, ThermalMemory | InverseTime):
            late = Segments.constant(self.shot.instants.before_decision, function.declared.latency[1])
            return 1.0, level_after(function, ledger, late, (1.0, 1.0))[1]
        current = self.current
        if current is None:
            return start
        earlier = max(self.decision - self.accuracy.latency[1], 0.0)
        lows = [level_after(function, ledger, current.first(end), start)[0] for end in (earlier, self.decision)]
        return min(lows), level_after(function, ledger, current, start)[1]


def context_quantity(shot: Shot) -> Quantity:
    """What the recorded channel of a shot is."""
    return _QUANTITIES[shot.look.channel]


_QUANTITIES: dict[str, Quantity] = {
    "injected": "current",
    "current": "current",
    "supply": "supply_voltage",
    "bus": "bus_voltage",
    "gate_rail": "gate_rail_voltage",
    "heat_sink": "heat_sink_temperature",
}


def _current(trip: _Trip) -> Known:
    if trip.current is None:
        return exactly(0.0, trip.accuracy.current_offset)
    mean = trip.shot.instants.before_decision
    gain = trip.accuracy.current_gain * abs(mean)
    uncertainty = trip.shot.uncertainty(mean)
    if trip.measured < trip.accuracy.latency[1]:  # what is averaged began before the current did
        peak = float(abs(trip.current.currents).max())
        return Known(-trip.accuracy.current_offset, peak * (1 + trip.accuracy.current_gain), uncertainty)
    if trip.shot.look.course.train:
        return exactly(mean, gain, uncertainty)
    sensing = trip.context.device.sensing
    climb = trip.shot.look.course.rate * sensing.slow_period_ns / S if trip.shot.look.course.is_ramp else 0.0
    return replace(exactly(mean, gain, uncertainty), repeatability=of_reading(climb, sensing.slow_noise))


def _heat(trip: _Trip) -> Known | None:
    for function in trip.context.device.functions.values():
        if isinstance(function, ThermalMemory | InverseTime):
            return Known(*trip.level(function))
    return None


def _junction(trip: _Trip) -> Known | None:
    for function in trip.context.device.functions.values():
        if isinstance(function, JunctionTemperature):
            if trip.quantity == "heat_sink_temperature":
                return None
            current = trip.current
            low, high = trip.context.ledger.ambient
            if current is None:
                return Known(low, high)
            earlier = current.first(max(trip.decision - trip.accuracy.latency[1], 0.0))
            start = trip.levels.get(function.name, (0.0, 0.0))
            return Known(
                junction_temperatures(function, trip.context.ledger, earlier, start)[0],
                junction_temperatures(function, trip.context.ledger, current, start)[1],
            )
    return None


def _operate_time(trip: _Trip) -> Known:
    """By the breaker's own clock, which starts at the pickup: a definite time's when it has seen the quantity beyond.

    What a comparator and an estimated temperature leave there is no more than the time itself.
    """
    measured, timing = trip.measured, trip.shot.time_uncertainty(trip.measured)
    slack = trip.function.declared.timer * measured
    match trip.function:
        case ThermalMemory() | InverseTime():
            return exactly(measured, slack, timing)
        case DefiniteTime(delay=delay, declared=declared):
            look = trip.shot.look
            if look.course.is_ramp or look.gate == "rising":  # when it began by its own reading is not recorded
                own = delay.value(trip.context.ledger.set_points, trip.context.ledger.mode)
                return exactly(own, declared.timer * own + declared.latency[1])
            return Known(measured - slack - declared.latency[1], measured + slack, timing)
        case _:
            return Known(0.0, measured + slack, timing)


def _voltage(source: Quantity, healthy: Callable[[Context], Known | None]) -> Callable[[_Trip], Known | None]:
    def known(trip: _Trip) -> Known | None:
        if trip.quantity != source:
            return healthy(trip.context)
        # As it was over the latency: on a ramp it went on meanwhile.
        samples = trip.shot.acquisition.channels[trip.shot.look.channel]
        interval = trip.shot.acquisition.interval_s
        last = int(trip.decision / interval)
        first = max(last - int(trip.accuracy.latency[1] / interval), 0)
        span = samples[first : last + 1]
        return Known(float(span.min()), float(span.max()), trip.shot.uncertainty(float(span[-1])))

    return known


def _supply(context: Context) -> Known:
    return exactly(context.bench.supply_12v.voltage(), 0.0, context.bench.spec.supply_12v.uncertainty)


def _signal(key: str, role: str) -> Callable[[Context], Known | None]:
    def known(context: Context) -> Known | None:
        spec = getattr(context.bench.spec, role)
        if spec is None:
            return None
        rest = context.ledger.held.get(key, spec.healthy)
        return exactly(rest, 0.0, (spec.gain * abs(rest) + spec.offset) / _ROOT3)

    return known


def _mode(trip: _Trip) -> Known | None:
    mode = trip.context.ledger.mode
    return None if mode is None else exactly(trip.context.device.command.modes[mode])


def _trip_count(trip: _Trip) -> Known | None:
    counted = trip.context.ledger.trip_count
    if counted is None or trip.function.reaction == "block":
        return None
    count, trips = counted
    return exactly(count + trip.context.ledger.trips - trips + 1)


def _uptime(trip: _Trip) -> Known | None:
    """It runs while the supply is there: on from what the breaker said of an earlier trip."""
    known = trip.context.ledger.uptime
    if known is None:
        return None
    least_ns, most_ns = known.elapsed(trip.shot.polled.began_ns, trip.context.bench.clock.now_ns())
    timer = trip.accuracy.timer
    return Known(known.value_s + least_ns / S * (1 - timer), known.value_s + most_ns / S * (1 + timer))


KNOWN: dict[SnapshotSource, Callable[[_Trip], Known | None]] = {
    "current": _current,
    "heat": _heat,
    "junction_temperature": _junction,
    "supply_voltage": _voltage("supply_voltage", _supply),
    "gate_rail_voltage": _voltage("gate_rail_voltage", _signal("gate_rail", "gate_supply")),
    "bus_voltage": _voltage("bus_voltage", _signal("bus", "bus_signal")),
    "heat_sink_temperature": _voltage("heat_sink_temperature", _signal("heat_sink", "ntc")),
    "uptime": _uptime,
    "operate_time": _operate_time,
    "trip_count": _trip_count,
    "mode": _mode,
}
"""Total over SnapshotSource; a test says so."""
