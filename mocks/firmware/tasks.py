"""The breaker's tasks, and the state that all of them share. Who calls them, and when, is the world's business."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from mocks.firmware.calibration import Calibration
from mocks.firmware.protect import Overload
from mocks.firmware.states import NEXT, Event, State
from protocol.protection import Quantity


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

    ``write_gate`` is the gate driver's input, ``read_supply`` the supply converter (mV). ``on_trip``, ``on_power_on``
    and ``on_power_off`` belong to the fault memory and the diagnostic server; the power hooks run last, so that
    ``on_power_on`` may ``adopt`` the set-points that non-volatile memory holds.

    ``uptime_ms`` counts powered time over the unit's life and wraps at 32 bits; it and ``trip_count`` outlast a power
    cycle.
    """

    def __init__(
        self, calibration: Calibration, write_gate: Callable[[bool], None], read_supply: Callable[[], int]
    ) -> None:
        self.calibration = calibration
        self._write_gate = write_gate
        self.read_supply = read_supply
        self.on_trip: Callable[[Trip], None] = lambda trip: None
        self.on_condition: Callable[[str, bool], None] = lambda cause, present: None
        self.on_power_on: Callable[[], None] = lambda: None
        self.on_power_off: Callable[[], None] = lambda: None
        self.powered = False
        self.overload = Overload(calibration.overload, calibration.slow_period_us)
        self.uptime_ms = 0
        self.trip_count = 0
        self.mode = 0
        self._overrides: dict[Quantity, int] = {}
        self.state = State.OFF
        self.cause: str | None = None  # of the trip that waits for its acknowledgement
        self.current = 0
        self._last_command = calibration.close_command
        self.set_points: dict[str, int] = {}
        self.adopt(calibration.defaults)

    @property
    def gate(self) -> bool:
        """The switch is commanded on."""
        return self.state is State.ON

    def adopt(self, set_points: Mapping[str, int]) -> None:
        """Work with these raw set-points from now on. Limits are the diagnostic server's business."""
        self.set_points.update(set_points)
        self.overload.adopt(self.set_points)

    def power_on(self) -> None:
        """Start: switch off, memory cold unless kept, and a command that has stood since before is not a change."""
        self.powered = True
        self.current = 0
        self._last_command = self.calibration.close_command
        self.overload.restart()
        self.on_power_on()

    def power_off(self) -> None:
        """The supply is gone: the gate driver lets go, whatever the state was."""
        self.powered = False
        self._enter(State.OFF)
        self.on_power_off()

    def command(self, value: int) -> None:
        """The command signal of a received frame. It acts on its change only."""
        if value == self._last_command:
            return
        self._last_command = value
        if value == self.calibration.open_command:
            self._handle(Event.OPEN)
        elif value == self.calibration.close_command:
            self._handle(Event.CLOSE_HOT if self.overload.hot else Event.CLOSE_COOL)

    def select_mode(self, mode: int) -> None:
        """The mode signal of a received frame, raw."""
        self.mode = mode

    def frame_heard(self) -> None:
        """A valid frame of the master was received."""

    def override(self, quantity: Quantity, value: int | None) -> None:
        """Read ``value`` (in the unit that Trip has) in place of what is measured; None returns control."""
        if value is None:
            self._overrides.pop(quantity, None)
        else:
            self._overrides[quantity] = value

    def release_lockout(self) -> None:
        """What the routine does: the count is 0 again, and the breaker may be closed."""

    def capture(self, cause: str) -> Trip:
        """Everything that is known now, for a record of ``cause``."""
        return Trip(
            cause=cause,
            current=self.current,
            heat=self.overload.level,
            junction_temperature=25_000,
            supply_voltage=self.read_supply(),
            gate_rail_voltage=18_000,
            bus_voltage=0,
            heat_sink_temperature=self._overrides.get("heat_sink_temperature", 250),
            operate_time=self.overload.operate_us // 1000,
            uptime=self.uptime_ms,
            trip_count=self.trip_count,
            mode=self.mode,
        )

    def slow_task(self, current: int) -> bool:
        """Once a slow period, with its averaged sample. True where it opened the switch."""
        self.uptime_ms = self.uptime_ms + self.calibration.slow_period_us // 1000 & 0xFFFFFFFF
        self.current = current
        return self.overload.sample(current) and self._operate(self.calibration.overload.cause)

    def status_signals(self) -> dict[str, int]:
        """Raw values of the status frame's signals, by the LDF's names; response_error is the node's."""
        status = self.calibration.status
        flags = {"pickup": self.overload.picked_up, "tripped": self.state is State.TRIPPED, "hot": self.overload.hot}
        return {
            status.state_signal: status.states[self.state],
            status.switch_signal: status.switch[self.gate],
            status.cause_signal: 0 if self.cause is None else status.causes[self.cause],
            status.current_signal: status.current.apply(self.current),
        } | {signal: int(flags[name]) for name, signal in status.bits.items()}

    def _operate(self, cause: str) -> bool:
        if NEXT[self.state][Event.TRIP] is self.state:
            return False
        self._handle(Event.TRIP)
        self.cause = cause
        self.trip_count = self.trip_count + 1 & 0xFFFF
        self.on_trip(self.capture(cause))
        return True

    def _handle(self, event: Event) -> None:
        self._enter(NEXT[self.state][event])

    def _enter(self, state: State) -> None:
        self.state = state
        if state is not State.TRIPPED:
            self.cause = None
        self._write_gate(self.gate)
