"""The instruments of the simulated bench and what they are wired to.

A bench file for this bench declares these ranges and slews, and limits of error no tighter than these.
"""

from __future__ import annotations

from dataclasses import replace

from mocks import interlock
from mocks.clock import EventClock
from mocks.instruments import CurrentStimulus, Limits, PowerSupply, ThermistorSimulator
from mocks.noise import Channel, Noise
from mocks.plant import Plant
from mocks.recorder import Recorder, RecorderChannel
from mocks.scpi import ScpiInstrument
from mocks.unit import SHARE
from mocks.wiring import Wiring

_SUPPLY_12V = (30.0, 5.0)  # V, A
_GATE_SUPPLY = (30.0, 1.0)  # V, A
_BUS_SIGNAL = (1200.0, 1.0)  # V that its low voltage stands for, A
_HELD_UP = 100.0  # times as long, by a fault: 12 V are gone after 2 s
_SUPPLY_SLEW = 1e6  # V/s, more than the 12 V supply and the source come to
_GATE_SLEW = 1e4  # V/s
_BUS_SLEW = 1e7  # V/s
_SOURCE = (750.0, 420.0)  # V, A
_LOAD = Limits(lowest=0.0, highest=450.0, slew=1e6)
_BANK = (450.0, 5.0)  # V, A of the charger
_BANK_SLEW = 1e5  # V/s
_LOOP = 0.05  # of the declared loop, that the wired one differs by at most
_INJECTOR = Limits(lowest=-500.0, highest=500.0, slew=2e6)
_GAIN = 0.002  # of injector and load, and of the recorder's current channels
_STIMULUS_OFFSET = 0.02  # A
_RECORDER_OFFSET = 0.03  # A
_TIME_BASE = 1e-5
_CURRENT_NOISE = 2e-3  # A, one standard deviation
_VOLTAGE_NOISE = 0.05  # V, across the switch
_BUS_NOISE = 0.1  # V that it stands for
_SIGNAL_NOISE = 5e-3  # V, gate, supply and gate rail
_HEAT_SINK_NOISE = 0.01  # K
_CURRENT_RANGE = 1000.0  # A, where the recorder clips
_SWITCH_RANGE = 2000.0  # V
_BANK_RANGE = 500.0  # V


class Bench:
    """``instruments`` by role. Each instrument's errors stay within ``SHARE`` of its declared ones."""

    def __init__(
        self, plant: Plant, wiring: Wiring, clock: EventClock, tolerances: Noise, noise: Noise, seed: int
    ) -> None:
        self._plant = plant
        self._wiring = wiring
        self._clock = clock
        self._random = tolerances.generator(Channel.INSTRUMENTS)
        self._seed = seed
        self.recorder = self._recorder(noise)
        source, bank = self._source(), self._bank()
        wiring.disable_source, wiring.disable_charger = source.disable, bank.disable
        self.instruments: dict[str, ScpiInstrument] = {
            "supply_12v": self._supply_12v().scpi,
            "source": source.scpi,
            "load": self._load().scpi,
            "injector": self._injector().scpi,
            "gate_supply": self._gate_supply().scpi,
            "bus_signal": self._bus_signal().scpi,
            "ntc": ThermistorSimulator(self._identity("ntc"), plant.connect_heat_sink).scpi,
            "recorder": self.recorder.scpi,
            "interlock": interlock.interlock(self._identity("interlock"), wiring),
            "voltmeter": interlock.voltmeter(self._identity("voltmeter"), wiring),
            "isolation": interlock.isolation(self._identity("isolation"), wiring),
            "watchdog_interlock": interlock.interlock(self._identity("interlock"), wiring),
            "watchdog_source": source.another_client(),
            "bank": bank.scpi,
            "watchdog_bank": bank.another_client(),
        }
        for name in ("inductance", "resistance"):
            wired = getattr(plant.bank, name) * (1 + self._within(_LOOP))
            setattr(plant.bank, name, wired)
        self.panel = interlock.Panel(clock, wiring)

    def _identity(self, role: str) -> str:
        return f"Simulated,{role},{self._seed},1"

    def _within(self, limit: float) -> float:
        return float(self._random.uniform(-SHARE * limit, SHARE * limit))

    def _drawn(self, limits: Limits) -> Limits:
        return replace(limits, gain=self._within(_GAIN), offset=self._within(_STIMULUS_OFFSET))

    def _supply_12v(self) -> PowerSupply:
        plant, wiring = self._plant, self._wiring

        def switch(volts: float | None, _: float, slew: float) -> None:
            plant.switch_supply(volts or 0.0, slew, _HELD_UP if "supply_slow" in wiring.faults else 1.0)

        return PowerSupply(
            self._identity("supply_12v"),
            _SUPPLY_12V,
            _SUPPLY_SLEW,
            switch,
            lambda: plant.supply.at(self._clock.now_ns()),
            plant.supply_current,
        )

    def _source(self) -> PowerSupply:
        plant = self._plant
        return PowerSupply(
            self._identity("source"),
            _SOURCE,
            _SUPPLY_SLEW,
            lambda volts, limit, slew: self._wiring.source(volts or 0.0, limit, slew),
            plant.terminal_voltage,
            lambda: plant.current.at(self._clock.now_ns()),
            lambda: plant.limited,
        )

    def _bank(self) -> PowerSupply:
        wiring = self._wiring
        return PowerSupply(
            self._identity("bank"),
            _BANK,
            _BANK_SLEW,
            lambda volts, limit, slew: wiring.charger(volts or 0.0, limit),
            lambda: 0.0 if "sense_bank_off" in wiring.faults else wiring.bank_voltage,
            lambda: 0.0,
        )

    def _gate_supply(self) -> PowerSupply:
        plant = self._plant
        return PowerSupply(
            self._identity("gate_supply"),
            _GATE_SUPPLY,
            _GATE_SLEW,
            lambda volts, limit, slew: plant.connect_gate_rail(volts, slew),
            lambda: plant.gate_rail.at(self._clock.now_ns()),
            lambda: 0.0,
        )

    def _bus_signal(self) -> PowerSupply:
        plant = self._plant
        return PowerSupply(
            self._identity("bus_signal"),
            _BUS_SIGNAL,
            _BUS_SLEW,
            lambda volts, limit, slew: plant.connect_bus(volts, slew),
            lambda: plant.bus.at(self._clock.now_ns()),
            lambda: 0.0,
        )

    def _load(self) -> CurrentStimulus:
        plant = self._plant
        measure = {
            "MEASure:CURRent?": lambda: plant.current.at(self._clock.now_ns()),
            "MEASure:VOLTage?": plant.load_voltage,
        }
        limits, flows = self._drawn(_LOAD), plant.load_fed
        load = CurrentStimulus(self._identity("load"), "INPut", limits, self._clock, plant.draw, measure, flows=flows)
        plant.fed = load.begins
        return load

    def _injector(self) -> CurrentStimulus:
        plant = self._plant
        measure = {"MEASure:CURRent?": lambda: plant.injected.at(self._clock.now_ns())}
        limits = self._drawn(_INJECTOR)

        def lead_off() -> bool:
            return "injector_lead_off" in self._wiring.faults

        def inject(current: float, slew: float) -> None:
            plant.inject(0.0 if lead_off() else current, slew)

        injector = CurrentStimulus(
            self._identity("injector"),
            "OUTPut",
            limits,
            self._clock,
            inject,
            measure,
            stop_input=True,
            limiting=lead_off,
        )
        plant.gate_fell = injector.stop_input
        return injector

    def _recorder(self, noise: Noise) -> Recorder:
        plant = self._plant
        gains = [self._within(_GAIN) for _ in range(2)]
        offsets = [self._within(_RECORDER_OFFSET) for _ in range(2)]
        channels = (
            RecorderChannel(plant.injected, gains[0], offsets[0], _CURRENT_NOISE),
            RecorderChannel(plant.gate, 0.0, 0.0, _SIGNAL_NOISE),
            RecorderChannel(plant.current, gains[1], offsets[1], _CURRENT_NOISE, _CURRENT_RANGE),
            RecorderChannel(plant.switch_voltage, 0.0, 0.0, _VOLTAGE_NOISE, _SWITCH_RANGE),
            RecorderChannel(plant.supply, 0.0, 0.0, _SIGNAL_NOISE),
            RecorderChannel(plant.bus, 0.0, 0.0, _BUS_NOISE),
            RecorderChannel(plant.gate_rail, 0.0, 0.0, _SIGNAL_NOISE),
            RecorderChannel(plant.heat_sink, 0.0, 0.0, _HEAT_SINK_NOISE),
            RecorderChannel(plant.bank.voltage, 0.0, 0.0, _VOLTAGE_NOISE, _BANK_RANGE),
        )
        return Recorder(self._identity("recorder"), self._clock, noise, channels, self._within(_TIME_BASE))
