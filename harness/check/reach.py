"""What can be applied at all: where the switch must be, what the device survives, what the bench gives and hears."""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import suppress

from harness.bench.instrument_spec import SignalSpec
from harness.bench.spec import BenchSpec
from harness.check.expected import AMBIENT, GATE_RAIL, LASTING, alive, watches
from harness.check.fault_rules import check_fault
from harness.check.primary_rules import check_isolation
from harness.check.recorder_rules import check_recorded
from harness.check.spot import COOLING, Faults, Spot, lasts, may_be
from harness.plan.steps import STIMULI, Stimulus
from harness.quantity import Quantity, show
from harness.trip.band import InPickupZone
from protocol import protection
from protocol.protection import DefiniteTime, Instantaneous

RESTS: dict[protection.Quantity, float] = {
    "current": 0.0,
    "gate_rail_voltage": GATE_RAIL,
    "bus_voltage": 0.0,
    "heat_sink_temperature": AMBIENT,
}
"""Where each quantity is while nothing is applied, as far as a bench need not be known for it."""
NOT_CLOSED = "the breaker is not known to be closed here; put '- close' before this step"
"""Of every step that needs the switch closed."""


def at_rest(spot: Spot, applied: tuple[protection.Quantity, ...] = ()) -> Iterator[tuple[str, str]]:
    """Functions that operate on a closed breaker with nothing else ``applied``, and the quantity that makes them."""
    situation = spot.course.situation
    rests = {quantity: value for quantity, value in at_ease(spot).items() if quantity not in applied}
    for name, function in spot.device.functions.items():
        quantity = watches(function)
        if not isinstance(function, DefiniteTime) or quantity not in rests or not alive(function, closed=True):
            continue
        if not situation.quiet(name, rests[quantity], LASTING):
            yield name, words_of(quantity)


def at_ease(spot: Spot) -> dict[protection.Quantity, float]:
    """Where each quantity is before the step: where it is held, else where the bench has it if that is known."""
    rests = dict(RESTS)
    if spot.bench is not None:
        rests["supply_voltage"] = spot.bench.supply_12v.voltage
        signals = (("gate_rail", "gate_supply"), ("bus", "bus_signal"), ("heat_sink", "ntc"))
        for key, role in signals:
            signal: SignalSpec | None = getattr(spot.bench, role)
            if signal is not None:
                rests[STIMULI[key].quantity] = signal.healthy
    return rests | spot.course.held


def barred_by(spot: Spot) -> list[str]:
    """Functions that certainly refuse a close command while a quantity is where it is held."""
    barred = []
    for quantity, value in spot.course.held.items():
        for name, function in spot.device.functions.items():
            if not isinstance(function, DefiniteTime) or function.quantity != quantity or not bars(function):
                continue
            with suppress(InPickupZone):
                if spot.course.situation.band(name, value).late_s is not None:
                    barred.append(name)
    return barred


def bars(function: protection.ProtectionFunction) -> bool:
    """Whether closing is refused while what ``function`` watches is beyond its threshold; see protocol.protection."""
    return function.reaction == "block" or watches(function) == "supply_voltage"


def check_stimulus(step: Stimulus, spot: Spot, function: str | None = None) -> Faults:
    """Everything about a stimulus but what its result would be worth; ``function`` is the one that is to operate."""
    yield from _switch(step, spot, function)
    if step.slew is not None and step.slew.exact <= 0:
        yield spot.error(f"want more than 0 {STIMULI[step.key].rate_unit}", "slew")
    if step.ramp is not None and step.ramp.rate.exact <= 0:
        yield spot.error(f"want more than 0 {STIMULI[step.key].rate_unit}, in either direction", "ramp", "rate")
    if step.pulses is not None:
        yield from lasts(step.pulses.on, spot, "pulses", "on")
        yield from lasts(step.pulses.off, spot, "pulses", "off")
        if not 0 <= step.pulses.low.si < step.current:
            yield spot.error(f"want 0 A or more, below {step.level}", "pulses", "low")
    if step.is_current:
        yield from _current(step, spot, function)
    yield from known_mode(spot)
    if spot.bench is not None:
        yield from _reach(step, spot, spot.bench)
    yield from check_recorded(step, spot)
    if step.draw is not None and step.voltage is not None:
        yield from check_fault(step.voltage, step.highest, spot, ("voltage",), step.highest_at)
    yield from check_isolation(step, spot)


def known_mode(spot: Spot) -> Faults:
    """Which set-points count."""
    if spot.device.command.modes and spot.course.mode is None:
        yield spot.error("the operating mode is not known here; put '- set_mode' before this step")


def _switch(step: Stimulus, spot: Spot, function: str | None) -> Faults:
    state = spot.course.state
    if step.closing:
        if state is None or state == "on":
            yield spot.error("the breaker is not known to be open here; put '- open' before this step", "closing")
        else:
            applied = (step.quantity, "bus_voltage") if step.draw is not None else (step.quantity,)
            held = () if function is None else tuple(spot.course.held)  # stimulus_rules says more
            yield from closable(spot, (*applied, *held))
    elif step.switch == "open":
        if state not in ("off", "cooling"):
            yield spot.error("the breaker is not known to be off here; put '- open' before this step", "switch")
    elif not spot.course.closed:
        yield spot.error(NOT_CLOSED)


def closable(spot: Spot, applied: tuple[protection.Quantity, ...] = ()) -> Faults:
    """A close command will be taken, and the breaker stays closed but for what is ``applied``."""
    hot, state = spot.course.hot, spot.course.state
    if state in ("tripped", "locked_out"):
        way = "acknowledge it by '- open'" if state == "tripped" else "release it by its routine"
        yield spot.error(f"the breaker is {state.replace('_', ' ')} here and will refuse to close; {way}")
    elif barred := barred_by(spot):
        yield spot.error(f"the breaker will refuse to close while {barred[0]} lasts; let go of it before")
    elif hot:
        yield spot.error(f"the breaker may refuse to close: {may_be(hot[0], spot)}; cool it first, {COOLING}")
    for name, quantity in at_rest(spot, applied):
        yield spot.error(f"{name} operates on a closed breaker with the {quantity} at rest; disable it first")


def _current(step: Stimulus, spot: Spot, function: str | None) -> Faults:
    if step.current <= 0:
        yield spot.error("want more than 0 A", step.key)
    if step.ramp is not None and step.ramp.begin.si < 0:
        yield spot.error("want 0 A or more", "ramp", "from")
    sampled = not isinstance(spot.device.functions.get(function or ""), Instantaneous)
    if sampled and step.highest > spot.device.sensing.full_scale:
        full_scale = show(spot.device.sensing.full_scale, "A")
        yield spot.error(f"beyond {full_scale}, which is all that the breaker measures", *step.highest_at)
    if step.draw is not None and step.voltage is not None:
        if step.highest > spot.device.ratings.peak_current:
            yield spot.error(f"beyond the switch's {show(spot.device.ratings.peak_current, 'A')}", *step.highest_at)
        if not 0 < step.voltage.si <= spot.device.ratings.bus_voltage:
            yield spot.error(f"want more than 0 V, up to {show(spot.device.ratings.bus_voltage, 'V')}", "voltage")


def _reach(step: Stimulus, spot: Spot, bench: BenchSpec) -> Faults:
    """What the bench's instruments can give and hear."""
    if step.is_current:
        stimulus = bench.load if step.draw is not None else bench.injector
        if step.voltage is not None:
            yield from check_sourced(step.voltage, step.highest, spot, ("voltage",), step.highest_at)
        elif stimulus is not None and step.highest > stimulus.current:
            yield spot.error(f"beyond the injector's {show(stimulus.current, 'A')}", *step.highest_at)
        if stimulus is not None:
            yield from _rates(step, stimulus.slew, f"{stimulus.slew / 1e6:.4g} A/us", spot, bench)
    elif step.key == "supply":
        supply = bench.supply_12v
        signal = SignalSpec("", supply.voltage, 0.0, supply.highest, math.inf, supply.gain, supply.offset)
        yield from _signal(step, signal, "supply_12v", spot, bench)
    else:
        [role] = STIMULI[step.key].roles
        found: SignalSpec | None = getattr(bench, role)
        if found is not None:
            yield from _signal(step, found, role, spot, bench)
    yield from missing_channels((STIMULI[step.key].channel, "gate"), spot, bench)


def check_sourced(
    volts: Quantity, amperes: float, spot: Spot, at: tuple[str, ...], amperes_at: tuple[str, ...]
) -> Faults:
    """Source and load of the bench can be at ``volts`` and ``amperes``, whose places these are."""
    bench = spot.bench
    if bench is None:
        return
    for name, role in (("load", bench.load), ("source", bench.source)):
        if role is not None and amperes > role.current:
            yield spot.error(f"beyond the {name}'s {show(role.current, 'A')}", *amperes_at)
    if bench.source is not None and volts.si > bench.source.voltage:
        yield spot.error(f"beyond the source's {show(bench.source.voltage, 'V')}", *at)


def _signal(step: Stimulus, signal: SignalSpec, role: str, spot: Spot, bench: BenchSpec) -> Faults:
    unit = STIMULI[step.key].unit
    values = [((step.key,), step.level), *([(("ramp", "from"), step.ramp.begin)] if step.ramp else [])]
    for place, value in values:
        if isinstance(value, Quantity) and not signal.lowest <= value.si <= signal.highest:
            limits = f"{show(signal.lowest, unit)} to {show(signal.highest, unit)}"
            yield spot.error(f"beyond the range of {role}, {limits}", *place)
    rate_unit = STIMULI[step.key].rate_unit
    # One without a slew of its own is taken there in steps.
    fastest = signal.fastest or signal.slew
    yield from _rates(step, fastest, show(fastest, rate_unit), spot, bench)


def _rates(step: Stimulus, fastest: float, words: str, spot: Spot, bench: BenchSpec) -> Faults:
    if step.slew is not None and step.slew.si > fastest:
        yield spot.error(f"faster than bench {bench.name} can, {words}", "slew")
    if step.ramp is not None and step.ramp.rate.si > fastest:
        yield spot.error(f"faster than bench {bench.name} can, {words}", "ramp", "rate")


def missing_channels(channels: tuple[str, ...], spot: Spot, bench: BenchSpec) -> Faults:
    """What the recorder is not connected to."""
    if bench.recorder is not None:
        for channel in channels:
            if channel not in bench.recorder.channels:
                yield spot.error(f"the recorder of bench {bench.name} has no channel {channel!r}")


def words_of(quantity: str) -> str:
    """A quantity in words."""
    return quantity.replace("_", " ").replace("supply voltage", "12 V supply")
