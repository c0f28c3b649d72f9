"""Whether both sides of the breaker, and the bank, are dead: judged from readings, never from a command given.

A reading near zero proves nothing by itself: a sense lead that fell off reads zero too. So a channel counts only if it
read the source's voltage while that was on in this run, and if it then fell the way resistor and capacitor let it fall.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from harness.bench.safety_spec import BankSpec, DischargeSpec, VoltmeterSpec

TOUCH_LIMIT_V = 60.0
"""Limit of voltage class A, d.c. (ISO 6469-3:2021 clause 3)."""
TOUCH_ENERGY_J = 0.2
"""Stored energy that a touchable part may hold (ISO 6469-4:2015 5.2.3)."""
_SEEN = 0.9  # of the source's voltage that a channel must have read while it was on
_STEADY = 1.02  # readings this near to one another are one voltage
_SLOWER = 1.5  # of the declared time constant, for the tolerances of resistor and capacitor
_FASTER = 0.5
ON_THE_WAY = 2
"""Readings between the start and the touch limit that a fall must have shown."""


Stamp = tuple[float, float]
"""When a reading was asked for and when it was answered, s on one clock."""


@dataclass(frozen=True)
class Reading:
    """Both sides and the bank, V, answered at ``at_s`` and asked ``took_s`` before: what they were at between these."""

    at_s: float
    source_side: float
    load_side: float
    bank: float = 0.0  # where the bench has one
    took_s: float = 0.0

    @property
    def both(self) -> tuple[float, float]:
        """Source side and load side, V."""
        return self.source_side, self.load_side

    @property
    def stamp(self) -> Stamp:
        """When it was asked and when answered, s."""
        return self.at_s - self.took_s, self.at_s


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
    channel that was seen to fall, and not only seen high and then low. ``limit`` is the voltage that counts as dead:
    what rises and stays below it has no new height to fall from.
    """

    most: float = 0.0
    height: float = 0.0
    last: float = 0.0
    way: int = 0
    limit: float = TOUCH_LIMIT_V

    def then(self, volts: float) -> Side:
        """With the next reading."""
        most, limit = max(self.most, volts), self.limit
        if volts > limit and volts > _STEADY * self.last + limit / 10:
            return Side(most, max(volts, limit), volts, 0, limit)
        if limit < volts < _SEEN * self.height and volts * _STEADY < self.last:
            return Side(most, self.height, volts, self.way + 1, limit)
        return Side(most, self.height, volts if volts <= limit else self.last, self.way, limit)


@dataclass(frozen=True)
class Seen:
    """The source's greatest voltage in this run, and what the bank was charged to, V; what each channel made of it."""

    source: float = 0.0
    source_side: Side = Side()
    load_side: Side = Side()
    charged: float = 0.0
    bank: Side = Side()

    def then(self, source_side: float, load_side: float, source: float = 0.0) -> Seen:
        """With another reading of both sides, and of the source where that was on."""
        return replace(
            self,
            source=max(self.source, source),
            source_side=self.source_side.then(source_side),
            load_side=self.load_side.then(load_side),
        )

    def then_bank(self, volts: float, charged: float = 0.0) -> Seen:
        """With another reading of the bank; ``charged`` is what its charger was told."""
        return replace(self, charged=max(self.charged, charged), bank=self.bank.then(volts))


@dataclass(frozen=True)
class Capacitor:
    """One thing that holds charge, what was read of it, and what it is judged by."""

    name: str
    volts: Sequence[float]
    side: Side
    source: float  # V that charged it
    farad: float
    taus: tuple[float, float]  # s, the least and the greatest time constant that it may fall with
    error: float  # V, limit of error of its reading


def dead_limit(farad: float) -> float:
    """Voltage below which a capacitor is dead: both limits kept, that of touch and that of stored energy."""
    return min(TOUCH_LIMIT_V, math.sqrt(2 * TOUCH_ENERGY_J / farad))


def live_side(both: tuple[float, float], discharge: DischargeSpec, voltmeter: VoltmeterSpec) -> str | None:
    """Which side may be live by one reading of source side and load side, V; None: neither.

    A lead that is the wrong way round reads less than zero.
    """
    sides = ("source side", both[0], discharge.source_side), ("load side", both[1], discharge.load_side)
    for name, volts, farad in sides:
        if abs(volts) * (1 + voltmeter.gain) + voltmeter.offset >= dead_limit(farad):
            return f"the {name} reads {volts:.0f} V"
    return None


def judge_discharge(
    readings: Sequence[Reading],
    seen: Seen,
    discharge: DischargeSpec,
    voltmeter: VoltmeterSpec,
    bank: BankSpec | None = None,
) -> Proof:
    """Judge the readings of a discharge, from its beginning on; of the last two both must be dead.

    A side that was dead when the discharge began must have been ``seen`` to fall before. What reads zero without
    anybody having seen it fall may be a lead that fell off. ``bank``: it was charged in this run, and is judged alike.
    """
    if len(readings) < 3:
        return Proof(("the voltmeter gave fewer than three readings",))
    stamps = [reading.stamp for reading in readings]
    reasons: list[str] = []
    for each in _sides(readings, seen, discharge, voltmeter) + ([] if bank is None else [_bank(readings, seen, bank)]):
        limit = each.side.limit
        found = _seen(each.side.most, each.source, limit, each.error) + _dead(each.volts, each.farad, each.error)
        if each.volts[0] > limit + each.error:
            found += fall(stamps, each)
        elif each.side.way < ON_THE_WAY:
            found.append("nobody saw it fall: a lead may be off")
        reasons += [f"{each.name}: {reason}" for reason in found]
    return Proof(tuple(reasons))


def _sides(
    readings: Sequence[Reading], seen: Seen, discharge: DischargeSpec, voltmeter: VoltmeterSpec
) -> list[Capacitor]:
    # Through a switch that does not open, two capacitors fall together with two resistors across them.
    tied = discharge.resistance * (discharge.source_side + discharge.load_side) / 2
    found = []
    for name, volts, side, farad in (
        ("source side", [r.source_side for r in readings], seen.source_side, discharge.source_side),
        ("load side", [r.load_side for r in readings], seen.load_side, discharge.load_side),
    ):
        error = voltmeter.gain * max(side.most, abs(volts[0])) + voltmeter.offset
        tau = discharge.resistance * farad
        found.append(Capacitor(name, volts, side, seen.source, farad, (min(tau, tied), max(tau, tied)), error))
    return found


def _bank(readings: Sequence[Reading], seen: Seen, bank: BankSpec) -> Capacitor:
    volts = [reading.bank for reading in readings]
    error = bank.gain * max(seen.bank.most, abs(volts[0])) + bank.offset
    tau = bank.resistance * bank.capacitance
    return Capacitor("bank", volts, seen.bank, seen.charged, bank.capacitance, (tau, tau), error)


def _seen(most: float, source: float, limit: float, error: float) -> list[str]:
    if source <= limit or most < _SEEN * source - error:
        return ["this channel has not read the source's voltage while it was on: it may be disconnected"]
    return []


def _dead(volts: Sequence[float], farad: float, error: float) -> list[str]:
    last = max(abs(volts[-1]), abs(volts[-2])) + error
    if last >= TOUCH_LIMIT_V:
        return [f"reads up to {last:.0f} V, and {TOUCH_LIMIT_V:.0f} V is the limit"]
    if 0.5 * farad * last**2 >= TOUCH_ENERGY_J:
        return [f"holds up to {0.5 * farad * last**2:.2g} J, and {TOUCH_ENERGY_J} J is the limit"]
    return []


def fall(stamps: Sequence[Stamp], of: Capacitor) -> list[str]:
    """What is wrong with the way it fell. Readings inside the error of zero say nothing about the way.

    An instrument is slow to answer, and when it looked is not known: the time that speaks for the bench counts.
    """
    began, (asked, answered) = of.volts[0], stamps[0]
    on_the_way = 0
    for (from_s, to_s), value in zip(stamps[1:], of.volts[1:], strict=True):
        least, most = max(from_s - answered, 0.0), to_s - asked
        slow = began * math.exp(-least / (_SLOWER * of.taus[1]))
        fast = began * math.exp(-most / (_FASTER * of.taus[0]))
        if value > slow + of.error:
            return [
                f"{value:.0f} V after {least:.3g} s where {slow:.0f} V at most were left: the discharge does not work"
            ]
        if value < fast - of.error:
            return [f"{value:.0f} V after {most:.3g} s, faster than resistor and capacitor can: a lead may be off"]
        on_the_way += of.side.limit < value < 0.98 * began
    seen = on_the_way + of.side.way >= ON_THE_WAY
    return [] if seen else ["nobody saw it fall: too few readings on the way"]


def unseen_falls(before: Reading, now: Reading, seen: Seen, discharge: DischargeSpec, voltmeter: VoltmeterSpec) -> Seen:
    """``seen``, without the way down of a side that has fallen since ``before`` faster than resistor and capacitor can.

    Its lead may have come off on the way.
    """
    passed_s = now.stamp[1] - before.stamp[0]
    sides = []
    for each in _sides([before, now], seen, discharge, voltmeter):
        began, volts = each.volts
        least = began * math.exp(-passed_s / (_FASTER * each.taus[0])) - each.error
        sides.append(replace(each.side, way=0) if began > each.side.limit and volts < least else each.side)
    return replace(seen, source_side=sides[0], load_side=sides[1])
