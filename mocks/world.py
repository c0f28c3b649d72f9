"""A simulated world: a breaker on a bench, its wire and its instruments, moved by one event clock.

The core loop runs the firmware's tasks in blocks between events. Firmware changes take effect at the instant of their
task: the loop stops there, so that nothing computed for later is used.

Screening leaves out tasks that provably change nothing. Fast samples are left out while the exact current, with every
error and six standard deviations of noise, keeps to the range in which the firmware's fast functions stand still. Watch
tasks are left out while the quantities are constant and one task has just left all that it works on as it was.
"""

from __future__ import annotations

from collections.abc import Callable

from mocks.bench import Bench
from mocks.calibrate import calibrate
from mocks.clock import EventClock
from mocks.comparator import Comparator
from mocks.firmware.tasks import Firmware, Terminals
from mocks.node import Node
from mocks.noise import Noise
from mocks.plant import Plant
from mocks.programmer import Programmer
from mocks.scpi import ScpiInstrument
from mocks.sensing import Chain
from mocks.thermistor import OPEN, SHORT, divider_code
from mocks.unit import draw_unit
from mocks.wire import Wire
from mocks.wiring import Wiring
from protocol.device import Device

_GOOD_SUPPLY = 6.8  # V, the controller starts
_BAD_SUPPLY = 6.0  # V, it is held in reset
_VOLTS_STEP_MV = 20  # resolution of the converters of supply and gate rail
_BUS_STEP_DV = 5  # resolution of the converter of the bus
_BLOCK = 100  # slow samples computed at once


class World:
    """``clock`` moves it, ``wire`` is its LIN, ``scpi`` its instruments. Everything is off at the start."""

    def __init__(
        self,
        device: Device,
        seed: int,
        block: int = _BLOCK,
        screening: bool = True,
        noise_seed: int | None = None,
        guarded: bool = False,
    ) -> None:
        """Build ``device`` and its instruments with the tolerances that ``seed`` stands for.

        A ``noise_seed`` stands for one run of that unit on that bench: noise, and where the samples lie in time, since
        the controller takes up to a slow period to start. None: noise of ``seed``, started at once. ``guarded``: its
        bench has an interlock, and a contactor that is open until somebody closes it. ``block`` and
        ``screening`` change speed and nothing else.
        """
        self._block = block
        self._screening = screening
        self._thermistor = device.thermistor
        tolerances, noise = Noise(seed), Noise(seed if noise_seed is None else noise_seed)
        self.unit = draw_unit(device, tolerances)
        self.clock = EventClock(self._move)
        self.wire = Wire()
        self.plant = Plant(self.clock, self.unit, device.ratings.bus_voltage)
        self._sensing = Chain(device.sensing, self.unit, noise, self.plant, at_once=noise_seed is None)
        calibration = calibrate(device, self.unit.junction_network, self.unit.junction_resistance)
        self._comparator: Comparator | None = None
        if self.unit.comparator is None:
            self.firmware = Firmware(calibration, self.plant.set_gate, self._read)
        else:
            self._comparator = comparator = Comparator(self.clock, self.plant, self.unit.comparator)
            self.plant.sensed_changed = comparator.plan
            self.firmware = Firmware(
                calibration, comparator.set_gate, self._read, comparator.set_reference, lambda: comparator.latched
            )
        self.firmware.uptime_ms = self.unit.uptime_ms
        self.node = Node(device, self.clock, self.wire, self.firmware, seed)
        self.programmer = Programmer(self.clock, self.node, self.firmware, self._hold, self._release)
        self._courses = 0  # of the 12 V supply, so that an old forecast is known as such
        self.wiring = Wiring(self.clock, self.plant, guarded)
        self.bench = Bench(self.plant, self.wiring, self.clock, tolerances, noise, seed)
        self.plant.before_change = self._before_change
        self.plant.supply_changed = self._forecast_supply

    def scpi(self, role: str) -> ScpiInstrument:
        """The instrument that plays ``role``. Raises KeyError for a role that this bench has not."""
        return self.bench.instruments[role]

    def advance(self, target_ns: int) -> None:
        """Let everything run until ``target_ns``: what a paced clock calls with the time it is."""
        self.clock.sleep_until(target_ns)

    # The core loop

    def _move(self, stop_ns: int) -> int:
        """Run tasks up to ``stop_ns``; where one changed the state, only as far as that."""
        sensing = self._sensing
        while sensing.fast_ns <= stop_ns or sensing.next_ns <= stop_ns:
            if sensing.next_ns < sensing.fast_ns:
                acted_ns = self._slow_tasks(sensing.next_ns)
            else:
                quiet_ns = self._quiet_until(stop_ns)
                if quiet_ns >= sensing.fast_ns:
                    acted_ns = self._slow_tasks(quiet_ns)
                    sensing.fast_taken(quiet_ns if acted_ns is None else acted_ns)
                else:
                    acted_ns = self._fast_tasks(min(sensing.next_ns, stop_ns))
            if acted_ns is not None:
                return acted_ns
        return stop_ns

    def _quiet_until(self, stop_ns: int) -> int:
        """Until when no fast sample can matter."""
        if not self._screening or (self._comparator is not None and self._comparator.latched):
            return 0
        low, high = 0, 1 << 30
        for function in self.firmware.protection.fast:
            if function.calibration.alive[self.firmware.gate]:
                first, last = function.idle_range
                low, high = max(low, first), min(high, last)
        return self._sensing.quiet_until(low, high, stop_ns) if low <= high else 0

    def _fast_tasks(self, until_ns: int) -> int | None:
        """Fast tasks up to ``until_ns``, or to the one that changed the state: then its instant."""
        sensing, clock, fast_task = self._sensing, self.clock, self.firmware.fast_task
        instants, counts = sensing.fast_block(until_ns)
        for instant_ns, raw in zip(instants, counts, strict=True):
            clock.instant_ns = instant_ns
            if fast_task(raw):
                sensing.fast_taken(instant_ns)
                return instant_ns
        sensing.fast_taken(instants[-1])
        return None

    def _slow_tasks(self, until_ns: int) -> int | None:
        """Slow tasks up to ``until_ns``, or to the one that changed the state: then its instant."""
        sensing, clock, firmware = self._sensing, self.clock, self.firmware
        slow_task = firmware.slow_task
        while sensing.next_ns <= until_ns:
            instants, counts, squares = sensing.block(until_ns, self._block)
            constant = self._screening and self._constant(instants[-1])
            calm = False
            for instant_ns, raw, square in zip(instants, counts, squares, strict=True):
                clock.instant_ns = instant_ns
                if not calm:
                    before = self._standing()
                    firmware.watch_task()
                    calm = constant and before == self._standing()
                if slow_task(raw, square):
                    sensing.taken(instant_ns)
                    return instant_ns
            sensing.taken(instants[-1])
        return None

    def _standing(self) -> list[tuple[int, ...]]:
        protection = self.firmware.protection
        return [each.standing for each in protection.watched] + [each.standing for each in protection.sensors]

    def _constant(self, until_ns: int) -> bool:
        """Whether every watched quantity stays as it is now until ``until_ns``."""
        plant, now_ns = self.plant, self.clock.now_ns()
        for track in (plant.supply, plant.gate_rail, plant.bus, plant.heat_sink):
            _, rate, _, end = track.piece(now_ns)
            if rate or (end is not None and end <= until_ns):
                return False
        return True

    def _before_change(self) -> None:
        self.bench.recorder.settle()
        window_ns = self._sensing.next_ns - self._sensing.period_ns
        keep_ns = min(self.clock.now_ns() - 1, window_ns, self.bench.recorder.needed_ns)
        for track in self.plant.tracks:
            track.forget(keep_ns)

    # Converters

    def _read(self) -> Terminals:
        plant, now_ns, converters = self.plant, self.clock.now_ns(), self.unit.converters
        supply = converters["supply_voltage"].read(plant.supply.at(now_ns))
        rail = converters["gate_rail_voltage"].read(plant.gate_rail.at(now_ns))
        bus = converters["bus_voltage"].read(plant.bus.at(now_ns))
        celsius = plant.heat_sink.at(now_ns)
        if OPEN < celsius < SHORT:
            celsius += self.unit.thermistor
        return Terminals(
            supply=round(supply * 1000 / _VOLTS_STEP_MV) * _VOLTS_STEP_MV,
            gate_rail=round(rail * 1000 / _VOLTS_STEP_MV) * _VOLTS_STEP_MV,
            bus=max(0, round(bus * 10 / _BUS_STEP_DV) * _BUS_STEP_DV),
            thermistor=0 if self._thermistor is None else divider_code(self._thermistor, celsius),
        )

    def _forecast_supply(self) -> None:
        """See when the supply, on its new course, starts the controller or takes it away."""
        self._courses += 1
        course = self._courses
        on = self.firmware.powered
        level = _BAD_SUPPLY if on else _GOOD_SUPPLY
        crossing_ns = self.plant.supply.crossing(level, not on, max(0, self.clock.now_ns() - 1), None)
        if crossing_ns is not None:
            self.clock.at(crossing_ns, lambda: self._supply_crossed(course))

    def _supply_crossed(self, course: int) -> None:
        if course != self._courses:
            return
        if self.firmware.powered:
            self._sensing.stop()
            self.firmware.power_off()
        else:
            self._sensing.start(self.clock.now_ns())
            self.firmware.power_on()

    # Programming

    def _hold(self) -> None:
        self._sensing.stop()
        self.firmware.power_off()

    def _release(self, adopt: Callable[[], None]) -> bool:
        """Start the controller after ``adopt``; False where the supply went away meanwhile."""
        now_ns = self.clock.now_ns()
        if self.firmware.powered or self.plant.supply.at(now_ns) < _BAD_SUPPLY:
            return False
        adopt()
        self._sensing.start(now_ns)
        self.firmware.power_on()
        return True
