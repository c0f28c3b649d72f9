"""Whether both sides of the breaker are dead: judged from readings, never from a command that was given.

A reading near zero proves nothing by itself: a sense lead that fell off reads zero too. So a channel counts only if it
read the source's voltage while that was on in this run, and if it then fell the way resistor and capacitor let it fall.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from harness.bench.safety_spec import DischargeSpec, VoltmeterSpec

TOUCH_LIMIT_V = 60.0
"""Limit of voltage class A, d.c. (ISO 6469-3:2021 clause 3)."""
TOUCH_ENERGY_J = 0.2
"""Stored energy that a touchable part may hold (ISO 6469-4:2015 5.2.3)."""
_SEEN = 0.9  # of the source's voltage that a channel must have read while it was on
_SLOWER = 1.5  # of the declared time constant, for the tolerances of resistor and capacitor
_FASTER = 0.5
_ON_THE_WAY = 2  # readings between the start and the touch limit that a fall must have shown


@dataclass(frozen=True)
class Reading:
    """Both sides at one instant, V; ``at_s`` counts from the start of the discharge."""

    at_s: float
    source_side: float
    load_side: float


@dataclass(frozen=True)
class Proof:
    """Whether both sides are dead, and if not, why that is not proved."""

    reasons: tuple[str, ...]

    @property
    def proved(self) -> bool:
        """Whether nothing speaks against it."""
        return not self.reasons


@dataclass(frozen=True)
class Seen:
    """The greatest reading of each side while the source was on in this run, and the source's voltage, V."""

    source: float = 0.0
    source_side: float = 0.0
    load_side: float = 0.0

    def also(self, source: float, source_side: float, load_side: float) -> Seen:
        """With another reading taken while the source was on."""
        return Seen(max(self.source, source), max(self.source_side, source_side), max(self.load_side, load_side))


def judge_discharge(
    readings: Sequence[Reading], seen: Seen, discharge: DischargeSpec, voltmeter: VoltmeterSpec
) -> Proof:
    """Judge the readings of a discharge, the first taken before it began and the last two after it should be over."""
    if len(readings) < 3:
        return Proof(("the voltmeter gave fewer than three readings",))
    sides = (
        ("source side", [r.source_side for r in readings], seen.source_side, discharge.source_side),
        ("load side", [r.load_side for r in readings], seen.load_side, discharge.load_side),
    )
    times = [reading.at_s for reading in readings]
    reasons: list[str] = []
    for name, volts, most, farad in sides:
        reasons += [
            f"{name}: {reason}" for reason in _of_one_side(times, volts, most, farad, seen, discharge, voltmeter)
        ]
    return Proof(tuple(reasons))


def _of_one_side(
    times: Sequence[float],
    volts: Sequence[float],
    most: float,
    farad: float,
    seen: Seen,
    discharge: DischargeSpec,
    voltmeter: VoltmeterSpec,
) -> list[str]:
    reasons = []
    error = voltmeter.gain * max(most, abs(volts[0])) + voltmeter.offset
    if seen.source <= TOUCH_LIMIT_V or most < _SEEN * seen.source - error:
        reasons.append("this channel has not read the source's voltage while it was on: it may be disconnected")
    last = max(abs(volts[-1]), abs(volts[-2])) + error
    if last >= TOUCH_LIMIT_V:
        reasons.append(f"reads up to {last:.0f} V, and {TOUCH_LIMIT_V:.0f} V is the limit")
    elif 0.5 * farad * last**2 >= TOUCH_ENERGY_J:
        reasons.append(f"holds up to {0.5 * farad * last**2:.2g} J, and {TOUCH_ENERGY_J} J is the limit")
    if volts[0] > TOUCH_LIMIT_V + error:
        reasons += _fall(times, volts, discharge.resistance * farad, error)
    return reasons


def _fall(times: Sequence[float], volts: Sequence[float], tau: float, error: float) -> list[str]:
    """What is wrong with the way it fell. Readings inside the error of zero say nothing about the way."""
    began = volts[0]
    on_the_way = 0
    for at_s, value in zip(times[1:], volts[1:], strict=True):
        slow, fast = (began * math.exp(-at_s / (tau * factor)) for factor in (_SLOWER, _FASTER))
        if value > slow + error:
            return [
                f"{value:.0f} V after {at_s:.3g} s where {slow:.0f} V at most were left: the discharge does not work"
            ]
        if value < fast - error:
            return [f"{value:.0f} V after {at_s:.3g} s, faster than resistor and capacitor can: a lead may be off"]
        on_the_way += TOUCH_LIMIT_V < value < 0.98 * began
    return [] if on_the_way >= _ON_THE_WAY else ["nobody saw it fall: too few readings on the way"]
