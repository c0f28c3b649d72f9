"""From a role of the bench file to its instrument: in its own dialect, and held to its declared ranges."""

from __future__ import annotations

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
from harness.bench.ranges import ranges_of
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
