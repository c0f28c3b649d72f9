"""The breaker's tasks, and the state that all of them share. Who calls them, and when, is the world's business.

At one instant the fast task comes first, then the watch task, then the slow one.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import NamedTuple

from mocks.firmware.calibration import Calibration
from mocks.firmware.protection import Function, Protection
from mocks.firmware.states import NEXT, Event, State
from protocol.protection import Quantity

SOFTWARE = 0x0142
"""Number of the application that a unit leaves production with: major version, then minor and patch, a digit each."""


class Terminals(NamedTuple):
    """What the converters read besides the current."""

    supply: int  # mV
    gate_rail: int  # mV
    bus: int  # 0.1 V
    thermistor: int  # code of the divider


@dataclass(frozen=True)
class Trip:
    """What the firmware knows at the moment of a trip; the fault memory makes its record of it."""

    cause: str  # fault code
    current: int  # slow-channel counts
    heat: int  # 2**30 is the trip level
    junction_temperature: int  # mdegC
    supply_voltage: int  # mV
    gate_rail_voltage: int  # mV
    bus_voltage: int  # 0.1 V
    heat_sink_temperature: int  # 0.1 degC
    operate_time: int  # ms
    uptime: int  # ms, 32 bits
    trip_count: int  # this trip included
    mode: int  # raw value of the command frame's signal


class Firmware:
    """The application as the bus and the terminals see it.

    ``write_gate`` is the gate driver's input, ``read`` samples the converters, ``write_reference`` sets the
    comparator's threshold (mA), ``read_latch`` tells whether it has opened the switch. ``on_trip``, ``on_condition``,
    ``on_power_on`` and ``on_power_off`` belong to the fault memory and the diagnostic server; the power hooks run last,
    so that ``on_power_on`` may ``adopt`` the set-points that non-volatile memory holds.

    ``on_trip`` tells of every trip. ``on_condition`` tells when a function operates that only bars closing, and when
    its condition is over, with the switch open as well.

    ``uptime_ms`` counts powered time over the unit's life and wraps at 32 bits; it, ``trip_count`` and the count of
    the lock-out outlast a power cycle.
    """

    def __init__(
        self,
        calibration: Calibration,
        write_gate: Callable[[bool], None],
        read: Callable[[], Terminals],
        write_reference: Callable[[int], None] = lambda milliamperes: None,
        read_latch: Callable[[], bool] = lambda: False,
    ) -> None:
        self.calibration = calibration
        self._write_gate = write_gate
        self._read = read
        self._read_latch = read_latch
        self.on_trip: Callable[[Trip], None] = lambda trip: None
        self.on_condition: Callable[[str, bool], None] = lambda cause, present: None
        self.on_power_on: Callable[[], None] = lambda: None
        self.on_power_off: Callable[[], None] = lambda: None
        self.powered = False
        self.software = SOFTWARE
        self.protection = Protection(
            calibration.protection, calibration.fast_period_us, calibration.slow_period_us, write_reference
        )
        self.overload = self.protection.memory
        self.uptime_ms = 0
        self.trip_count = 0
        self.trips_in_a_row = 0
        self._last_trip_ms = 0
        self.state = State.OFF
        self.cause: str | None = None  # of the trip that waits for its acknowledgement
        self._blocking: list[Function] = []  # functions that bar closing now, and operated
        self.current = 0
        self.mode = 0
        self._heat_sink = 250  # 0.1 degC, as far as it can be trusted
        self._watch_due = False
        self._overrides: dict[Quantity, int] = {}
        self._last_command = calibration.close_command
        self.set_points: dict[str, int] = {}
        self.adopt(calibration.defaults)

    # What the bus asks for

    @property
    def gate(self) -> bool:
        """The switch is commanded on."""
        return self.state is State.ON

    @property
    def locked(self) -> bool:
        """Trips have come so often that only a routine lets the breaker close again."""
        return self.trips_in_a_row >= self.calibration.lockout_trips

    def adopt(self, set_points: Mapping[str, int]) -> None:
        """Work with these raw set-points from now on. Limits are the diagnostic server's business."""
        self.set_points.update(set_points)
        self._adopt()

    def select_mode(self, mode: int) -> None:
        """The mode signal of a received frame, raw."""
        if mode != self.mode:
            self.mode = mode
            self._adopt()

    def frame_heard(self) -> None:
        """A valid frame of the master was received."""
        for silence in self.protection.silences:
            silence.restart()

    def command(self, value: int) -> None:
        """The command signal of a received frame. It acts on its change only."""
        self.frame_heard()
        if value == self._last_command:
            return
        self._last_command = value
        if value == self.calibration.open_command:
            self._handle(Event.OPEN_LOCKED if self.locked else Event.OPEN)
            self._cool()
        elif value == self.calibration.close_command and not self.barred:
            self._handle(Event.CLOSE)

    @property
    def barred(self) -> bool:
        """Something refuses a close command."""
        return any(function.bars for function in self.protection.functions)

    def override(self, quantity: Quantity, value: int | None) -> None:
        """Read ``value`` (in the unit that Trip has) in place of what is measured; None returns control."""
        if value is None:
            self._overrides.pop(quantity, None)
        else:
            self._overrides[quantity] = value

    def release_lockout(self) -> None:
        """What the routine does: the count is 0 again, and the breaker may be closed."""
        self.trips_in_a_row = 0
        self._handle(Event.RELEASE)
        self._cool()

    def status_signals(self) -> dict[str, int]:
        """Raw values of the status frame's signals, by the LDF's names; response_error is the node's."""
        status = self.calibration.status
        hot = self.overload.bars or any(junction.bars for junction in self.protection.junctions)
        flags = {"pickup": self.overload.picked_up, "tripped": self.state is State.TRIPPED, "hot": hot}
        blocking = self._blocking[0].calibration.cause if self._blocking else None
        cause = self.cause or blocking
        return {
            status.state_signal: status.states[self.state],
            status.switch_signal: status.switch[self.gate],
            status.cause_signal: 0 if cause is None else status.causes[cause],
            status.current_signal: status.current.apply(self.current),
        } | {signal: int(flags[name]) for name, signal in status.bits.items()}

    def readings(self) -> dict[Quantity, int]:
        """Every quantity but the current as it reads now, in the unit that Trip has."""
        return self._measured() | self._overrides

    def _measured(self) -> dict[Quantity, int]:
        terminals = self._read()
        return {
            "supply_voltage": terminals.supply,
            "gate_rail_voltage": terminals.gate_rail,
            "bus_voltage": terminals.bus,
            "heat_sink_temperature": self.calibration.temperatures[terminals.thermistor],
        }

    def capture(self, cause: str) -> Trip:
        """Everything that is known now, for the record of ``cause``."""
        readings = self.readings()
        junctions = self.protection.junctions
        finders: list[Function] = [
            function for function in self.protection.functions if function.due and function.calibration.cause == cause
        ]
        return Trip(
            cause=cause,
            current=self.current,
            heat=self.overload.level,
            junction_temperature=junctions[0].temperature if junctions else self._heat_sink * 100,
            supply_voltage=readings["supply_voltage"],
            gate_rail_voltage=readings["gate_rail_voltage"],
            bus_voltage=readings["bus_voltage"],
            heat_sink_temperature=readings["heat_sink_temperature"],
            operate_time=[*finders, self.overload][0].operate_us // 1000,
            uptime=self.uptime_ms,
            trip_count=self.trip_count,
            mode=self.mode,
        )

    # Power

    def power_on(self) -> None:
        """Start: switch off, memory cold unless kept, and a command that has stood since before is not a change."""
        self.powered = True
        self.current = 0
        self._last_command = self.calibration.close_command
        self._overrides.clear()
        self._blocking.clear()
        self._watch_due = False
        for function in self.protection.functions:
            function.restart()
        self._enter(State.LOCKED_OUT if self.locked else State.OFF)
        self.on_power_on()

    def power_off(self) -> None:
        """The supply is gone: the gate driver lets go, whatever the state was."""
        self.powered = False
        self._enter(State.OFF)
        self.on_power_off()

    # Tasks

    def fast_task(self, current: int) -> bool:
        """Once a fast period, with its sample. True where it changed the state."""
        protection = self.protection
        due = self._read_latch()
        for comparator in protection.comparators:
            comparator.due = due
        magnitude = abs(current)
        gate = self.gate
        for function in protection.fast:
            if function.calibration.alive[gate]:
                function.sample(magnitude)
                due |= function.due
        return due and self._decide()

    def watch_task(self) -> None:
        """Once a slow period: everything that changes slowly and is read without averaging."""
        protection = self.protection
        measured = self._measured()
        readings = measured | self._overrides
        self._watch_due = False
        for sensor in protection.sensors:  # of the thermistor itself: a value taken over says nothing about that
            sensor.sample(measured["heat_sink_temperature"])
            readings["heat_sink_temperature"] = self._overrides.get("heat_sink_temperature", sensor.trusted)
            self._watch_due |= sensor.due
        self._heat_sink = readings["heat_sink_temperature"]
        gate = self.gate
        for function in protection.watched:
            if function.calibration.alive[gate]:
                function.sample(readings[function.calibration.quantity])
                self._watch_due |= function.due

    def slow_task(self, current: int, square: int) -> bool:
        """Once a slow period, with the mean of its samples and of their squares. True where it changed the state."""
        self.uptime_ms = self.uptime_ms + self.calibration.slow_period_us // 1000 & 0xFFFFFFFF
        self.current = current
        protection = self.protection
        self.overload.sample(current, square)
        due = self._watch_due | self.overload.due
        for junction in protection.junctions:
            junction.sample(square, self._heat_sink)
            junction.operate_us = self.overload.operate_us
            due |= junction.due
        for silence in protection.silences:
            silence.sample()
            due |= silence.due
        gate = self.gate
        for function in protection.slow:
            if function.calibration.alive[gate]:
                function.sample(abs(current))
                due |= function.due
        if self._blocking:
            self._unblock()
        return (due and self._decide()) or (self.state is State.COOLING and self._cool())

    def _unblock(self) -> None:
        """Let go of functions that no longer bar closing."""
        for blocking in [function for function in self._blocking if not function.due]:
            self._blocking.remove(blocking)
            self.on_condition(blocking.calibration.cause, False)

    def _decide(self) -> bool:
        """Let the functions act that are due, in the order of their priority. True where that changed the state."""
        before = self.state
        for function in self.protection.functions:
            if function.due:
                self._operate(function)
        return self.state is not before

    def _operate(self, function: Function) -> None:
        cause, event = function.calibration.cause, function.calibration.event
        if event is Event.BLOCK:
            if function not in self._blocking:
                self._blocking.append(function)
                self.on_condition(cause, True)
            self._handle(event)
        elif NEXT[self.state][event] is not self.state:
            self.trip_count = self.trip_count + 1 & 0xFFFF
            trip = self.capture(cause)
            self._handle(event)
            self.cause = cause
            self._count()
            self.on_trip(trip)

    def _count(self) -> None:
        """Count trips that follow one another closely."""
        since_ms = self.uptime_ms - self._last_trip_ms & 0xFFFFFFFF
        if since_ms > self.calibration.lockout_window_ms:
            self.trips_in_a_row = 0
        self.trips_in_a_row += 1
        self._last_trip_ms = self.uptime_ms

    def _cool(self) -> bool:
        """Leave the state of cooling once every function is back. True where that is so."""
        if self.state is not State.COOLING or any(function.present for function in self.protection.functions):
            return False
        self._handle(Event.COOL)
        return True

    def _adopt(self) -> None:
        for function in self.protection.functions:
            function.adopt(self.set_points, self.mode)

    def _handle(self, event: Event) -> None:
        self._enter(NEXT[self.state][event])

    def _enter(self, state: State) -> None:
        switched = (state is State.ON) != self.gate
        self.state = state
        if state is not State.TRIPPED:
            self.cause = None
        self._write_gate(self.gate)
        if switched:
            self.protection.commutated(self.gate)
