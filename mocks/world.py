"""A simulated world: a breaker on a bench, its wire and its instruments, moved by one event clock.

The core loop runs the firmware's slow tasks in blocks between events. Firmware changes take effect at the instant of
their task: the loop stops there, so that nothing computed for later is used.
"""

from __future__ import annotations

from mocks.bench import Bench
from mocks.calibrate import calibrate
from mocks.clock import EventClock
from mocks.firmware.tasks import Firmware
from mocks.node import Node
from mocks.noise import Noise
from mocks.plant import Plant
from mocks.scpi import ScpiInstrument
from mocks.sensing import SlowChannel
from mocks.unit import draw_unit
from mocks.wire import Wire
from protocol.device import Device

_GOOD_SUPPLY = 6.8  # V, the controller starts
_BAD_SUPPLY = 6.0  # V, it is held in reset
_SUPPLY_STEP_MV = 20  # resolution of the supply converter
_BLOCK = 100  # slow samples computed at once


class World:
    """``clock`` moves it, ``wire`` is its LIN, ``scpi`` its instruments. Everything is off at the start."""

    def __init__(self, device: Device, seed: int, block: int = _BLOCK) -> None:
        """Build ``device`` with the tolerances that ``seed`` stands for; ``block`` changes speed and nothing else."""
        self._block = block
        noise = Noise(seed)
        self.unit = draw_unit(device, noise)
        self.clock = EventClock(self._move)
        self.wire = Wire()
        self.plant = Plant(self.clock, self.unit, device.ratings.bus_voltage)
        self._sensing = SlowChannel(device.sensing, self.unit, noise, self.plant)
        self.firmware = Firmware(calibrate(device), self.plant.set_gate, self._read_supply)
        self.firmware.uptime_ms = self.unit.uptime_ms
        self.node = Node(device, self.clock, self.wire, self.firmware, seed)
        self._courses = 0  # of the 12 V supply, so that an old forecast is known as such
        self.bench = Bench(self.plant, self.clock, noise, seed)
        self.plant.before_change = self._before_change
        self.plant.supply_changed = self._forecast_supply

    def scpi(self, role: str) -> ScpiInstrument:
        """The instrument that plays ``role``. Raises KeyError for a role that this bench has not."""
        return self.bench.instruments[role]

    def advance(self, target_ns: int) -> None:
        """Let everything run until ``target_ns``: what a paced clock calls with the time it is."""
        self.clock.sleep_until(target_ns)

    def _move(self, stop_ns: int) -> int:
        """Run slow tasks up to ``stop_ns``; where one acted, only as far as that."""
        sensing, clock, slow_task = self._sensing, self.clock, self.firmware.slow_task
        while sensing.next_ns <= stop_ns:
            instants, counts = sensing.block(stop_ns, self._block)
            for instant_ns, raw in zip(instants, counts, strict=True):
                clock.instant_ns = instant_ns
                if slow_task(raw):
                    sensing.taken(instant_ns)
                    return instant_ns
            sensing.taken(instants[-1])
        return stop_ns

    def _before_change(self) -> None:
        self.bench.recorder.settle()
        window_ns = self._sensing.next_ns - self._sensing.period_ns
        keep_ns = min(self.clock.now_ns() - 1, window_ns, self.bench.recorder.needed_ns)
        for track in self.plant.tracks:
            track.forget(keep_ns)

    def _read_supply(self) -> int:
        volts = self.plant.supply.at(self.clock.now_ns()) * (1 + self.unit.supply_gain) + self.unit.supply_offset
        return round(volts * 1000 / _SUPPLY_STEP_MV) * _SUPPLY_STEP_MV

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
