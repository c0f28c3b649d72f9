"""From a role of the bench file to its instrument: in its own dialect, and held to its declared ranges."""

from __future__ import annotations

import math
from collections.abc import Mapping

from harness.bench.dialect import Dialect, Translated
from harness.bench.instrument import (
    CurrentStimulus,
    Instrument,
    IsolationMonitor,
    Link,
    PowerSupply,
    Recorder,
    SignalSource,
)
from harness.bench.interlock import InterlockUnit, Voltmeter
from harness.bench.ranges import Range
from harness.bench.spec import BenchSpec


def make_instrument(spec: BenchSpec, role: str, link: Link) -> Instrument:
    """The instrument of ``role``, which the bench has; asked who it is, then reset. Raises InstrumentError."""
    instrument = _make(spec, role, Translated(role, link, spec.dialects.get(role, Dialect())))
    instrument.ranges = ranges_of(spec, role)
    return instrument


def _make(spec: BenchSpec, role: str, link: Link) -> Instrument:
    match role:
        case "supply_12v" | "source" | "bank":
            return PowerSupply(role, link)
        case "injector" | "load":
            stimulus = spec.injector if role == "injector" else spec.load
            assert stimulus is not None
            return CurrentStimulus(role, link, "OUTP" if role == "injector" else "INP", stimulus.timed)
        case "recorder":
            assert spec.recorder is not None
            return Recorder(role, link, {name: channel.number for name, channel in spec.recorder.channels.items()})
        case "gate_supply":
            return SignalSource(role, link, "SOUR:VOLT", slews=False)
        case "bus_signal":
            return SignalSource(role, link, "SOUR:VOLT", slews=True)
        case "ntc":
            return SignalSource(role, link, "SOUR:TEMP", slews=True)
        case "isolation":
            return IsolationMonitor(role, link)
        case "interlock":
            assert spec.interlock is not None
            return InterlockUnit(link, spec.interlock)
        case "voltmeter":
            assert spec.voltmeter is not None
            return Voltmeter(link, spec.voltmeter)
        case _:
            return Instrument(role, link)


def ranges_of(spec: BenchSpec, role: str) -> Mapping[str, Range]:
    """The ranges of ``role`` on this bench."""
    match role:
        case "supply_12v":
            supply = spec.supply_12v
            volts = Range(0.0, supply.highest, supply.gain, supply.offset)
            return {"SOUR:VOLT": volts, "SOUR:CURR": Range(0.0, supply.current_limit)}
        case "source" if spec.source is not None:
            return {"SOUR:VOLT": Range(0.0, spec.source.voltage), "SOUR:CURR": Range(0.0, spec.source.current)}
        case "bank" if spec.bank is not None:
            return {"SOUR:VOLT": Range(0.0, spec.bank.voltage), "SOUR:CURR": Range(0.0, spec.bank.current)}
        case "injector" | "load" if (stimulus := getattr(spec, role)) is not None:
            lowest = -stimulus.current if role == "injector" else 0.0
            amperes = Range(lowest, stimulus.current, stimulus.gain, stimulus.offset)
            return {"SOUR:CURR": amperes, "SOUR:LIST:CURR": amperes, "SOUR:CURR:SLEW": Range(0.0, stimulus.slew)}
        case "gate_supply" | "bus_signal" | "ntc" if (signal := getattr(spec, role)) is not None:
            verb = "SOUR:TEMP" if role == "ntc" else "SOUR:VOLT"
            limits = Range(signal.lowest, signal.highest, signal.gain, signal.offset)
            return {verb: limits, f"{verb}:SLEW": Range(0.0, signal.fastest or signal.slew)}
        case "recorder" if spec.recorder is not None:
            recorder = spec.recorder
            return {
                "SENS:SWE:TINT": Range(recorder.shortest_interval, math.inf),
                "SENS:SWE:POIN": Range(1.0, recorder.points),
            }
        case _:
            return {}
