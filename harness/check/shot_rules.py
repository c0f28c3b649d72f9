"""Rules for shots from the capacitor bank: what bank, backup, clamp, device and recorder stand, and show."""

from __future__ import annotations

import math

from harness.bench.hazard import Hazard, hazard_of
from harness.bench.proof import TOUCH_LIMIT_V
from harness.bench.safety_spec import LoopSpec
from harness.bench.spec import BenchSpec
from harness.check.action_rules import check_lockout
from harness.check.fault_rules import check_clamp, check_live, check_peak, check_stored
from harness.check.reach import NOT_CLOSED, closable, known_mode, missing_channels
from harness.check.recorder_rules import check_edges, check_ranges
from harness.check.spot import Faults, Spot, known
from harness.plan.plan import PlanStep
from harness.plan.steps import CalibrateLoop, ShortCircuit
from harness.quantity import Quantity, show
from harness.trip.clearing import Fault, clearing_limits
from harness.trip.corner import pickup_zone
from protocol.protection import Instantaneous

_CHANNELS = ("current", "switch_voltage", "bank")
_ONSET = 0.5  # of the least threshold
_LEAST_SAMPLES = 5  # of the recorder in the shortest response: the edge of the let-through current is seen


def check_calibrate_loop(step: CalibrateLoop, spot: Spot) -> Faults:
    """The breaker is out of the loop, and the current stays inside the recorder's range."""
    yield from _bank(step.voltage, spot)
    if not 0 < step.tolerance.exact < 1:
        yield spot.error("want more than 0 %, below 100 %", "tolerance")
    if spot.course.state in (None, "on"):
        yield spot.error("the breaker is not known to be open here; put '- open' before this step")
    bench = spot.bench
    if bench is not None and bench.interlock is not None and "bypass" not in bench.interlock.relays:
        yield spot.error(
            f"the interlock of bench {bench.name} has no relay 'bypass' to take the breaker out of the loop"
        )
    if bench is None or bench.bank is None or bench.loop is None or bench.recorder is None:
        return
    most = step.voltage.si * math.sqrt(bench.bank.capacitance / bench.loop.inductance)
    yield from check_ranges({"current": most, "bank": step.voltage.si}, spot, "voltage")


def check_short_circuit(step: ShortCircuit, spot: Spot) -> Faults:
    """Nothing is asked to take more than it is declared for, and a good breaker's comparator must clear it."""
    yield from _bank(step.voltage, spot)
    names = [name for name, function in spot.device.functions.items() if isinstance(function, Instantaneous)]
    if step.function not in names:
        yield from known("comparator", [step.function], names, spot, ("function",), key=False)
        return
    if step.closing:
        if spot.course.state in (None, "on"):
            yield spot.error("the breaker is not known to be open here; put '- open' before this step", "closing")
        else:
            yield from closable(spot, ("current", "bus_voltage"))
    elif not spot.course.closed:
        yield spot.error(NOT_CLOSED)
    yield from known_mode(spot)
    yield from check_lockout(step.function, spot)
    if spot.device.ratings.clamp is None:
        yield spot.error(f"the profile of {spot.device.name} declares no clamp: nothing says what ends the current")
    if not any(isinstance(place.step, CalibrateLoop) for place in _before(spot)):
        yield spot.error("no step calibrate_loop before this one: its limits follow from the loop as it is measured")
    if spot.bench is not None:
        yield from _clears(step, spot, spot.bench)


def _before(spot: Spot) -> list[PlanStep]:
    places = list(spot.plan.places)
    return places[: places.index(spot.place)]


def _bank(voltage: Quantity, spot: Spot) -> Faults:
    """What both steps ask of bench and plan."""
    bench = spot.bench
    if voltage.si <= TOUCH_LIMIT_V:
        yield spot.error(f"want more than {TOUCH_LIMIT_V:g} V, so that a fall to safety can be seen", "voltage")
    if voltage.si > spot.device.ratings.bus_voltage:
        yield spot.error(f"beyond the device's {show(spot.device.ratings.bus_voltage, 'V')}", "voltage")
    roles = [place.step.roles for place in spot.plan.places]
    if any("bank" not in used and hazard_of(used) is Hazard.HIGH_VOLTAGE for used in roles):
        yield spot.error("bank and source feed the breaker in one plan, and may not: make two plans of it")
    if bench is None or bench.bank is None:
        return  # a missing role is said already
    bank = bench.bank
    if voltage.si > bank.voltage:
        yield spot.error(f"beyond the bank's {show(bank.voltage, 'V')}", "voltage")
    if bench.source is not None and voltage.si > bench.source.voltage:
        yield spot.error(
            f"beyond the source's {show(bench.source.voltage, 'V')}, which proves the voltmeter", "voltage"
        )
    if bench.loop is None:
        yield spot.error(f"bench {bench.name} declares no loop: nothing says what may flow")
    yield from check_stored("the bank holds", bank.capacitance, voltage, spot, ("voltage",))
    yield from check_live(voltage, spot, ("voltage",))
    yield from missing_channels(_CHANNELS, spot, bench)


def _clears(step: ShortCircuit, spot: Spot, bench: BenchSpec) -> Faults:
    """What a good breaker lets through of the declared loop: energy in its clamp, peak current, time to see it in."""
    function = spot.device.functions[step.function]
    assert isinstance(function, Instantaneous)
    if bench.loop is None or bench.recorder is None or spot.device.ratings.clamp is None or step.voltage.si <= 0:
        return
    values, mode = spot.course.values, spot.course.mode
    onset = _ONSET * pickup_zone(function, values, mode).low
    try:
        limits = [
            clearing_limits(function, spot.device, values, mode, fault, onset, step.closing)
            for fault in _faults(step.voltage.si, bench.loop, spot)
        ]
    except ValueError as error:
        yield spot.error(f"no good breaker need clear this: {error}", "voltage")
        return
    peak, energy = (max(each[name].high for each in limits) for name in ("let-through peak", "clamp energy"))
    yield from check_clamp(peak, energy, spot, ("voltage",))
    yield from check_peak(peak, spot, ("voltage",))
    yield from _recorded(step, peak, function, spot, bench)


def _faults(volts: float, loop: LoopSpec, spot: Spot) -> list[Fault]:
    """The loop as the bench file declares it, and as far from it as a measurement before may find it and go on."""
    calibrations = [place.step for place in _before(spot) if isinstance(place.step, CalibrateLoop)]
    slack = max((step.tolerance.si for step in calibrations if 0 < step.tolerance.exact < 1), default=0.0)
    shares = (1.0, 1.0), (1 - slack, 1 - slack), (1 + slack, 1 - slack)
    return [Fault((volts, volts), henry * loop.inductance, ohm * loop.resistance) for henry, ohm in shares]


def _recorded(step: ShortCircuit, peak: float, function: Instantaneous, spot: Spot, bench: BenchSpec) -> Faults:
    """The recorder is fast enough for the edge of the let-through current, and its ranges hold it."""
    assert bench.recorder is not None and spot.device.ratings.clamp is not None
    interval = bench.recorder.shortest_interval
    if interval * _LEAST_SAMPLES > function.response[0]:
        shortest = show(function.response[0], "s")
        yield spot.error(f"the recorder's {show(interval, 's')} do not resolve a response of {shortest}")
    yield from check_edges(function.response[0], spot)
    for name in ("switch_voltage", "bank"):
        channel = bench.recorder.channels.get(name)
        if channel is not None and not channel.gain and not channel.offset:
            yield spot.error(f"the recorder's channel {name} declares no limits of error: no verdict without them")
    values = {"current": peak, "switch_voltage": spot.device.ratings.clamp[1], "bank": step.voltage.si}
    yield from check_ranges(values, spot, "voltage")
