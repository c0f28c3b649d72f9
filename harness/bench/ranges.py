"""What may be set on each role, by default header: the bench file's declared ranges, which nothing written leaves."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from harness.bench.spec import BenchSpec

_ROUNDING = 1e-9  # of a limit: what a sum of floats may be beyond it
_FORMAT = 1e-4  # of a value: what an instrument may round in reading it back


@dataclass(frozen=True)
class Range:
    """From ``lowest`` to ``highest``, in the quantity's SI unit; ``gain`` and ``offset`` are its limits of error."""

    lowest: float
    highest: float
    gain: float = 0.0
    offset: float = 0.0

    def holds(self, value: float) -> bool:
        """Whether ``value`` may be written."""
        slack = _ROUNDING * max(abs(self.lowest), abs(self.highest)) if math.isfinite(self.highest) else 0.0
        return self.lowest - slack <= value <= self.highest + slack

    def same(self, asked: float, held: float) -> bool:
        """Whether ``held`` reads back as ``asked``, within what the instrument resolves or promises."""
        return abs(held - asked) <= max(_FORMAT * abs(asked), self.gain * abs(asked) + self.offset, _ROUNDING)


ANY = Range(-math.inf, math.inf)
"""Where the bench file declares nothing."""


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
