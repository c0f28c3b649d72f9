"""What a bench's instruments can do, as values in SI floats; built by harness/bench/spec.py."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from harness.bench.bench_file import (
    CHANNELS,
    BreakMethod,
    BusSignalSection,
    GateSupplySection,
    InjectorSection,
    NtcSection,
    RecorderSection,
    StimulusSection,
)
from harness.bench.resource import SIMULATED
from harness.files.load import Part
from harness.quantity import Quantity


@dataclass(frozen=True)
class LinSpec:
    """The LIN master's port: device or URL, and how it makes a break field."""

    port: str
    break_method: BreakMethod


@dataclass(frozen=True)
class SupplySpec:
    """The breaker's 12 V supply; ``uncertainty`` is the standard uncertainty of its voltage reading."""

    resource: str
    voltage: float  # V, healthy
    current_limit: float  # A
    uncertainty: float  # V
    highest: float  # V, that it may be set to
    gain: float  # 1
    offset: float  # V


@dataclass(frozen=True)
class SourceSpec:
    """The high-voltage source and its ranges."""

    resource: str
    voltage: float  # V
    current: float  # A


@dataclass(frozen=True)
class StimulusSpec:
    """An injector or a load: greatest current, fastest slew, limits of error of what it delivers.

    ``stop_input``: an injector's output ends at once when the gate falls, as by the stop input of a test set.
    """

    resource: str
    current: float  # A
    slew: float  # A/s
    gain: float  # 1
    offset: float  # A
    stop_input: bool = False
    isolated_for: float = 0.0  # V that an injector's output may lie above its own side
    timed: bool = True  # it holds its cut-off by itself


@dataclass(frozen=True)
class SignalSpec:
    """What stands in for another quantity: gate_supply (V), bus_signal (V), ntc (degC). Range, slew, limits of error.

    ``healthy`` is where it rests while connected. ``slew`` inf: it goes at once, and slower only in steps. A plan may
    ask for up to ``fastest``; None: for the slew.
    """

    resource: str
    healthy: float
    lowest: float
    highest: float
    slew: float  # 1/s, of the unit; K/s for ntc
    gain: float  # 1
    offset: float  # the unit
    fastest: float | None = None  # 1/s, as slew


@dataclass(frozen=True)
class ChannelSpec:
    """One recorder channel: its number and its limits of error (gain relative, offset in A, V or K)."""

    number: int
    gain: float
    offset: float
    range: float = math.inf  # either way


@dataclass(frozen=True)
class RecorderSpec:
    """The recorder: fastest sampling, memory, limit of error of its time base, channels by name, what edges become."""

    resource: str
    shortest_interval: float  # s
    points: int
    clock: float  # 1
    channels: Mapping[str, ChannelSpec]
    bandwidth: float | None = None  # Hz; None: not declared
    skew: float = 0.0  # s, of one channel against another


@dataclass(frozen=True)
class ProgrammingSpec:
    """The breaker's programming connector, which only the flash command talks to."""

    resource: str


def stimulus_of(section: StimulusSection | None) -> StimulusSpec | None:
    """Of an injector or a load; None where the bench has none."""
    if section is None:
        return None
    accuracy = section.accuracy
    return StimulusSpec(
        section.resource,
        section.current.si,
        section.slew.si,
        accuracy.gain.si,
        accuracy.offset.si,
        isinstance(section, InjectorSection) and section.stop_input,
        section.isolated_for.si if isinstance(section, InjectorSection) and section.isolated_for else 0.0,
        section.resource == SIMULATED if section.timed is None else section.timed,
    )


def signal_of(section: GateSupplySection | BusSignalSection | None) -> SignalSpec | None:
    """Of a gate supply or a bus signal."""
    if section is None:
        return None
    slew = section.slew.si if isinstance(section, BusSignalSection) else math.inf
    gain, offset = section.accuracy.gain.si, section.accuracy.offset.si
    return SignalSpec(section.resource, section.voltage.si, 0.0, section.highest.si, slew, gain, offset)


def ntc_of(section: NtcSection | None) -> SignalSpec | None:
    """Of a thermistor simulator."""
    if section is None:
        return None
    gain, offset = section.accuracy.gain.si, section.accuracy.offset.si
    limits = section.lowest.si, section.highest.si
    fastest = None if section.fastest is None else section.fastest.si
    return SignalSpec(section.resource, section.temperature.si, *limits, section.slew.si, gain, offset, fastest)


def recorder_of(section: RecorderSection | None) -> RecorderSpec | None:
    """Of the recorder."""
    if section is None:
        return None
    channels = {name: getattr(section.channels, name) for name in CHANNELS}
    return RecorderSpec(
        section.resource,
        section.shortest_interval.si,
        section.points,
        section.clock.si,
        {
            name: ChannelSpec(channel.number, channel.gain.si, channel.offset.si, _range(channel))
            for name, channel in channels.items()
            if channel is not None
        },
        None if section.bandwidth is None else section.bandwidth.si,
        section.skew.si,
    )


def _range(section: Part) -> float:
    """Where a channel clips."""
    end: Quantity | None = getattr(section, "range", None)
    return math.inf if end is None else end.si
