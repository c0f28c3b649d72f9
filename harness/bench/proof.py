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
_STEADY = 1.02  # readings this near to one another are one voltage
_SLOWER = 1.5  # of the declared time constant, for the tolerances of resistor and capacitor
_FASTER = 0.5
_ON_THE_WAY = 2  # readings between the start and the touch limit that a fall must have shown


@dataclass(frozen=True)
class Reading:
    """Both sides at one instant, V; ``at_s`` counts from the first reading, just after the discharge began."""

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
class Side:
    """What one channel has read in this run, V: its greatest reading, and the way down from its last height.

    ``way`` counts readings between the touch limit and nine tenths of that height, each lower than the one before: a
    channel that was seen to fall, and not only seen high and then low.
    """

    most: float = 0.0
    height: float = 0.0
    last: float = 0.0
    way: int = 0

    def then(self, volts: float) -> Side:
        """With the next reading."""
        most = max(self.most, volts)
        if volts > _STEADY * self.last + TOUCH_LIMIT_V / 10:
            return Side(most, max(volts, TOUCH_LIMIT_V), volts, 0)
        if TOUCH_LIMIT_V < volts < _SEEN * self.height and volts * _STEADY < self.last:
            return Side(most, self.height, volts, self.way + 1)
        return Side(most, self.height, volts if volts <= TOUCH_LIMIT_V else self.last, self.way)


@dataclass(frozen=True)
class Seen:
    """The source's greatest voltage in this run, V, and what each channel made of it."""

    source: float = 0.0
    source_side: Side = Side()
    load_side: Side = Side()

    def then(self, source_side: float, load_side: float, source: float = 0.0) -> Seen:
        """With another reading of both sides, and of the source where that was on."""
        return Seen(max(self.source, source), self.source_side.then(source_side), self.load_side.then(load_side))


def judge_discharge(
    readings: Sequence[Reading],
    seen: Seen,
    discharge: DischargeSpec,
    voltmeter: VoltmeterSpec,
) -> Proof:
    """Judge the readings of a discharge, from its beginning on; of the last two both must be dead.

    A side that was dead when the discharge began must have been ``seen`` to fall before. What reads zero without
    anybody having seen it fall may be a lead that fell off.
    """
    if len(readings) < 3:
        return Proof(("the voltmeter gave fewer than three readings",))
    sides = (
        ("source side", [r.source_side for r in readings], seen.source_side, discharge.source_side),
        ("load side", [r.load_side for r in readings], seen.load_side, discharge.load_side),
    )
    times = [reading.at_s for reading in readings]
    # Through a switch that does not open, two capacitors fall together with two resistors across them.
    tied = discharge.resistance * (discharge.source_side + discharge.load_side) / 2
    reasons: list[str] = []
    for name, volts, side, farad in sides:
        error = voltmeter.gain * max(side.most, abs(volts[0])) + voltmeter.offset
        found = [*_seen(side.most, seen.source, error), *_dead(volts, farad, error)]
        if volts[0] > TOUCH_LIMIT_V + error:
            found += fall(times, volts, discharge.resistance * farad, tied, error)
        elif side.way < _ON_THE_WAY:
            found.append("nobody saw it fall: a lead may be off")
        reasons += [f"{name}: {reason}" for reason in found]
    return Proof(tuple(reasons))


def _seen(most: float, source: float, error: float) -> list[str]:
    if source <= TOUCH_LIMIT_V or most < _SEEN * source - error:
        return ["this channel has not read the source's voltage while it was on: it may be disconnected"]
    return []


def _dead(volts: Sequence[float], farad: float, error: float) -> list[str]:
    last = max(abs(volts[-1]), abs(volts[-2])) + error
    if last >= TOUCH_LIMIT_V:
        return [f"reads up to {last:.0f} V, and {TOUCH_LIMIT_V:.0f} V is the limit"]
    if 0.5 * farad * last**2 >= TOUCH_ENERGY_J:
        return [f"holds up to {0.5 * farad * last**2:.2g} J, and {TOUCH_ENERGY_J} J is the limit"]
    return []


def fall(
    times: Sequence[float],
    volts: Sequence[float],
    tau: float,
    tied: float,
    error: float,
    floor: float = TOUCH_LIMIT_V,
) -> list[str]:
    """What is wrong with the way one side fell. Readings inside the error of zero say nothing about the way.

    ``tau`` in s of the side by itself, ``tied`` of both sides through a closed breaker; ``error`` in V of a reading.
    Readings above ``floor`` (V) count as having seen it fall.
    """
    began = volts[0]
    on_the_way = 0
    for at_s, value in zip(times[1:], volts[1:], strict=True):
        slow = began * math.exp(-at_s / (_SLOWER * max(tau, tied)))
        fast = began * math.exp(-at_s / (_FASTER * min(tau, tied)))
        if value > slow + error:
            return [
                f"{value:.0f} V after {at_s:.3g} s where {slow:.0f} V at most were left: the discharge does not work"
            ]
        if value < fast - error:
            return [f"{value:.0f} V after {at_s:.3g} s, faster than resistor and capacitor can: a lead may be off"]
        on_the_way += floor < value < 0.98 * began
    return [] if on_the_way >= _ON_THE_WAY else ["nobody saw it fall: too few readings on the way"]
