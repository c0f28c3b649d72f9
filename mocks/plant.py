"""The analogue truth: supplies, source, switch, load, injector, heat sink as straight pieces between changes.

Currents flow from source through switch to load; the injector adds to what the sensing chain sees and to nothing else.
Gate rail, bus input and thermistor are as in a machine until somebody connects an instrument in their place.
Everything here changes only through a method, at an instant given by its caller, never because somebody looked.
"""

from __future__ import annotations

from collections.abc import Callable

from mocks.bank import Bank
from mocks.clock import EventClock
from mocks.track import Track
from mocks.unit import Unit

GATE_VOLTS = 5.0
"""Gate signal when commanded on, V."""
_LOOP_INDUCTANCE = 20e-6  # H
_CLAMP_OVER_RATED = 1.4  # voltage that the switch clamps at while it breaks, over rated bus voltage
_LOAD_RESISTANCE = 50e3  # ohm across the load's input, always there
_LOAD_SATURATED = 0.2  # ohm, an electronic load that cannot get its current
_LOAD_LOCK_OUT = 40.0  # V, below this the load takes nothing
_SOURCE_RISE = 20e-6  # V/ns: 700 V in 35 ms
_SOURCE_FALL = 200e-6  # V/ns, by the source's own down-programmer
_SOURCE_RESISTANCE = 0.02  # ohm, sag
_HEALTHY_RAIL = 18.0  # V, isolated rail of the gate driver
_AMBIENT = 25.0  # degC, the heat sink
_SUPPLY_RISE = 6e-6  # V/ns: 12 V in 2 ms
_SUPPLY_FALL = 0.6e-6  # V/ns: hold-up capacitor at constant current, 20 ms from 12 V
_SUPPLY_ON_DELAY_NS = 3_000_000  # relay
_SUPPLY_OFF_DELAY_NS = 1_000_000
_SUPPLY_DROP_OUT = 3.0  # V, the electronics take nothing below
_SUPPLY_CURRENT = 0.06  # A
_GATE_CURRENT = 0.02  # A, more while the gate is driven


class Plant:
    """Tracks of every quantity; amperes, volts, ns.

    ``before_change`` is called before any track changes: whoever watches history takes what it needs and the rest may
    be forgotten. ``supply_changed`` is called after the 12 V supply took another course, ``sensed_changed`` after the
    sensed current did, ``gate_fell`` after the gate signal did that, ``commuted`` after the switch turned on or off,
    ``fed`` when the load can draw.
    """

    def __init__(self, clock: EventClock, unit: Unit, rated_voltage: float) -> None:
        self._clock = clock
        self._unit = unit
        self._clamp = _CLAMP_OVER_RATED * rated_voltage
        self.before_change: Callable[[], None] = lambda: None
        self.supply_changed: Callable[[], None] = lambda: None
        self.sensed_changed: Callable[[], None] = lambda: None
        self.gate_fell: Callable[[], None] = lambda: None
        self.commuted: Callable[[], None] = lambda: None
        self.fed: Callable[[], None] = lambda: None
        self.injected = Track()  # equivalent amperes at the sensing input
        self.current = Track()  # of the main loop: through the switch, or through the link across it
        self.sensed = Track()  # both, as the sensing chain sees them
        self.switch_voltage = Track()
        self.gate = Track()  # V, the driver's input
        self.supply = Track()
        self.source_voltage = Track()  # at no load
        self.gate_rail = Track(_HEALTHY_RAIL)
        self.bus = Track()  # V at the bus-voltage sensing input, or as many in its place
        self.heat_sink = Track(_AMBIENT)  # degC, or as many in its place
        self._drawn = Track()  # what the load regulates
        self.bank = Bank(clock)
        self._bypassed = False  # a link across the switch carries the current
        self._bus_connected = False  # an instrument stands in for the main bus
        self._conducting = False
        self._commutations = 0  # how often the gate signal changed, so that an old edge is known as such
        self._broken_ns = 0  # when the last break's current was gone
        self._source_limit = 0.0
        self._source_live = False  # above the load's lock-out
        self._source_courses = 0
        self._load_goal = 0.0
        self._load_slew = 1.0  # A/ns

    @property
    def tracks(self) -> tuple[Track, ...]:
        """Every track."""
        return (
            self.injected, self.current, self.sensed, self.switch_voltage, self.gate, self.supply, self.source_voltage,
            self.gate_rail, self.bus, self.heat_sink, self._drawn, self.bank.voltage, self.bank.current
        )  # fmt: skip

    def set_gate(self, on: bool) -> None:
        """The gate signal is written now; where that changes it, the switch follows after the driver's delay."""
        now_ns = self._clock.now_ns()
        if on == (self.gate.at(now_ns) > 0):
            return
        self._write_gate(on)
        commutation = self._commutations
        self._clock.at(now_ns + self._unit.gate_delay_ns, lambda: self._commute(on, commutation))

    def force_off(self) -> None:
        """The gate driver goes off by itself, and the switch with it at once."""
        if self.gate.at(self._clock.now_ns()) > 0:
            self._write_gate(False)
            self._commute(False, self._commutations)

    def _write_gate(self, on: bool) -> None:
        self.before_change()
        self.gate.set(self._clock.now_ns(), GATE_VOLTS if on else 0.0)
        self._commutations += 1
        if not on:
            self.gate_fell()

    def inject(self, current: float, slew: float) -> None:
        """The injector goes to ``current`` at ``slew`` (A/ns)."""
        self.before_change()
        self.injected.ramp(self._clock.now_ns(), current, slew)
        self._sense()

    def connect_gate_rail(self, volts: float | None, slew: float) -> None:
        """An external supply holds the isolated rail at ``volts``, reached at ``slew`` (V/ns); None: no longer."""
        self.before_change()
        self.gate_rail.ramp(self._clock.now_ns(), _HEALTHY_RAIL if volts is None else volts, slew)

    def connect_bus(self, volts: float | None, slew: float) -> None:
        """A signal of as many ``volts`` takes the main bus's place, changing at ``slew`` (V/ns); None: no longer."""
        self.before_change()
        now_ns = self._clock.now_ns()
        if volts is not None and not self._bus_connected:
            self.bus.set(now_ns, 0.0)
        self._bus_connected = volts is not None
        if volts is None:
            self._relate_bus()
        else:
            self.bus.ramp(now_ns, volts, slew)

    def connect_heat_sink(self, celsius: float | None, slew: float | None) -> None:
        """A simulator takes the thermistor's place: ``celsius``, at once or at ``slew`` (K/ns); None: no longer."""
        self.before_change()
        now_ns = self._clock.now_ns()
        goal = _AMBIENT if celsius is None else celsius
        if slew is None:
            self.heat_sink.set(now_ns, goal)
        else:
            self.heat_sink.ramp(now_ns, goal, slew)

    def switch_supply(self, volts: float, slew: float, held_up: float = 1.0) -> None:
        """The 12 V output goes to ``volts``; 0 is off. Through a relay where it was off or will be.

        Between two voltages it changes at ``slew`` (V/ns), where the breaker's own capacitor lets it. ``held_up``: how
        many times as long it takes to fall, as with a supply that has a capacitor of its own behind its switch.
        """
        self.before_change()
        now_ns = self._clock.now_ns()
        held = self.supply.at(now_ns)
        delay_ns = 0 if held and volts else _SUPPLY_ON_DELAY_NS if volts else _SUPPLY_OFF_DELAY_NS
        fastest = _SUPPLY_RISE if volts > held else _SUPPLY_FALL / held_up
        self.supply.ramp(now_ns, volts, fastest if delay_ns else min(slew, fastest), delay_ns)
        self.supply_changed()

    def switch_source(self, volts: float, current_limit: float, slew: float) -> None:
        """The source goes to ``volts`` at ``slew`` (V/ns); 0 is off. It gives ``current_limit`` at most."""
        self.before_change()
        now_ns = self._clock.now_ns()
        rate = _SOURCE_RISE if volts > self.source_voltage.at(now_ns) else _SOURCE_FALL
        self.source_voltage.ramp(now_ns, volts, min(slew, rate))
        self._source_limit = current_limit
        self._settle()
        self._source_courses += 1
        course, rising = self._source_courses, volts >= _LOAD_LOCK_OUT
        crossing_ns = self.source_voltage.crossing(_LOAD_LOCK_OUT, rising, max(0, now_ns - 1), None)
        if crossing_ns is not None:
            self._clock.at(crossing_ns, lambda: self._lock_out(course, rising))

    def draw(self, current: float, slew: float) -> None:
        """The load goes for ``current`` at ``slew`` (A/ns); 0 is off."""
        self.before_change()
        self._load_goal, self._load_slew = current, slew
        self._settle()

    def charge_bank(self, volts: float, amperes: float) -> None:
        """The bank's charger goes for ``volts`` (0: off) with at most ``amperes``."""
        self.before_change()
        self.bank.charge(volts, amperes)
        self._relate()

    def discharge_bank(self, on: bool) -> None:
        """The resistor across the bank."""
        self.before_change()
        self.bank.discharge(on)
        self._relate()

    def make(self, on: bool) -> None:
        """The making switch of the bank."""
        self.before_change()
        self.bank.make(on)
        self._relate()

    def bypass(self, on: bool) -> None:
        """The link across the switch."""
        self.before_change()
        self._bypassed = on
        self.bank.close_path(self._path, self._clamp)
        self._relate()

    @property
    def _path(self) -> float | None:
        """Resistance of what closes the bank's loop, ohm; None: it is open."""
        if self._bypassed:
            return 0.0
        return self._unit.on_resistance if self._conducting else None

    @property
    def conducting(self) -> bool:
        """The switch itself is on now."""
        return self._conducting

    @property
    def limited(self) -> bool:
        """The source is in current limit now: it cannot give what the load asks for."""
        return self._regulated() > self._source_limit

    def terminal_voltage(self) -> float:
        """Voltage of the source at its terminals now."""
        now_ns = self._clock.now_ns()
        if self.limited:
            return self.current.at(now_ns) * (self._unit.on_resistance + _LOAD_SATURATED)
        return self.source_voltage.at(now_ns) - self.current.at(now_ns) * _SOURCE_RESISTANCE

    def supply_current(self) -> float:
        """What the breaker's electronics take from the 12 V supply now."""
        now_ns = self._clock.now_ns()
        running = self.supply.at(now_ns) > _SUPPLY_DROP_OUT
        return _SUPPLY_CURRENT + _GATE_CURRENT * (self.gate.at(now_ns) > 0) if running else 0.0

    def load_fed(self) -> bool:
        """Whether the load can draw now."""
        return self._conducting and self._source_live

    def load_voltage(self) -> float:
        """Voltage at the load's input now."""
        return self.terminal_voltage() - self.switch_voltage.at(self._clock.now_ns())

    def _regulated(self) -> float:
        """What the load would take from a source without limit."""
        return self._load_goal if self._conducting and self._source_live else 0.0

    def _lock_out(self, course: int, live: bool) -> None:
        """The source's voltage passes the load's lock-out, unless it has taken another course since."""
        if course == self._source_courses:
            self.before_change()
            self._source_live = live
            self._settle()
            if self.load_fed():
                self.fed()

    def _broken(self) -> None:
        """The loop's current is gone."""
        self.before_change()
        self._settle()

    def _commute(self, on: bool, commutation: int) -> None:
        """The switch itself turns on or off, unless its signal has changed since.

        Breaking, it clamps until the loop's current is gone. Making, onto a load that waits for its current with its
        own regulator fully open, the loop's inductance alone holds the current back.
        """
        if commutation != self._commutations:
            return
        self.before_change()
        self._conducting = on
        self.commuted()
        now_ns = self._clock.now_ns()
        broken = self._drawn.at(now_ns)
        gone_ns = self.bank.close_path(self._path, self._clamp)
        if on:
            volts = self.source_voltage.at(now_ns)
            self._settle(volts / _LOOP_INDUCTANCE * 1e-9 if self._source_live else None)
            if self._source_live:
                self.fed()
            return
        if gone_ns is not None and not self._bypassed:
            self._break_until(gone_ns)
            return
        if not broken:
            self._settle()
            return
        excess = self._clamp - self.source_voltage.at(now_ns)
        self._break_until(self._drawn.ramp(now_ns, 0.0, excess / _LOOP_INDUCTANCE * 1e-9))

    def _break_until(self, gone_ns: int) -> None:
        """The switch clamps until its current is gone."""
        self._broken_ns = gone_ns
        self._relate()
        self.switch_voltage.set(self._clock.now_ns(), self._clamp)
        self._clock.at(gone_ns, self._broken)

    def _settle(self, slew: float | None = None) -> None:
        """Let the load go where it can, at its own slew or another; while the switch breaks, nothing has a say."""
        if self._conducting or self._clock.now_ns() >= self._broken_ns:
            goal = min(self._regulated(), self._source_limit)
            self._drawn.ramp(self._clock.now_ns(), goal, self._load_slew if slew is None else slew)
            self._relate()

    def _relate(self) -> None:
        """Work out the dependent tracks, from now on."""
        now_ns = self._clock.now_ns()
        unit = self._unit
        if self.bank.making:
            self._relate_shot(now_ns)
        elif self._conducting:
            self.current.combine(now_ns, [(self._drawn, 1.0), (self.source_voltage, 1 / _LOAD_RESISTANCE)])
            self.switch_voltage.combine(now_ns, [(self.current, unit.on_resistance)])
        else:
            total = unit.leakage_resistance + _LOAD_RESISTANCE
            self.current.combine(now_ns, [(self._drawn, 1.0), (self.source_voltage, 1 / total)])
            self.switch_voltage.combine(now_ns, [(self.source_voltage, unit.leakage_resistance / total)])
        self._relate_bus()
        self._sense()

    def _relate_shot(self, now_ns: int) -> None:
        """The bank feeds the loop: all that flows is its current, and an open switch has its voltage across it."""
        self.current.combine(now_ns, [(self.bank.current, 1.0)])
        if self._bypassed:
            self.switch_voltage.set(now_ns, 0.0)
        elif self._conducting:
            self.switch_voltage.combine(now_ns, [(self.current, self._unit.on_resistance)])
        else:
            self.switch_voltage.combine(now_ns, [(self.bank.voltage, 1.0)])

    def _sense(self) -> None:
        through = [] if self._bypassed else [(self.current, 1.0)]
        self.sensed.combine(self._clock.now_ns(), [*through, (self.injected, 1.0)])
        self.sensed_changed()

    def _relate_bus(self) -> None:
        """The source's voltage at its terminals, while nothing else is connected."""
        if self._bus_connected:
            return
        if self.limited:
            terms = [(self.current, self._unit.on_resistance + _LOAD_SATURATED)]
        else:
            terms = [(self.source_voltage, 1.0), (self.current, -_SOURCE_RESISTANCE)]
        self.bus.combine(self._clock.now_ns(), terms)
