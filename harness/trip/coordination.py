"""Coordination: whether the breaker operates before its cable, its own switch and the backup upstream give way.

Every line is straight between points on log-log axes and says nothing outside them. What is compared with it is the
latest edge of the band for a cold start, which is the longest that a good breaker lets a lasting current flow.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from harness.quantity import show
from harness.trip.characteristic import Characteristic
from harness.trip.trace import FloatArray
from protocol.device import Device
from protocol.surroundings import Cable, Insulation, Metal

Kind = Literal["cable", "switch", "backup"]
Curve = tuple[tuple[float, float], ...]
"""Points of current (A) and time (s), currents rising."""

ADIABATIC_S = 5.0
"""Longest time for which heat leaving the conductor may be neglected (IEC 60364-5-54:2011, 543.1.2)."""
_SHORTEST_S = 1e-7
_SEEN, _FURTHEST = 1.6, 5
_K: Mapping[Metal, tuple[float, float]] = {"copper": (226, 234.5), "aluminium": (148, 228), "steel": (78, 202)}
"""K in A sqrt(s)/mm² and beta in K (IEC 60364-5-54:2011, table A.54.1)."""
_TEMPERATURES: Mapping[Insulation, tuple[float, float]] = {
    "pvc_70": (70, 160),
    "pvc_90": (90, 160),
    "xlpe": (90, 250),
    "rubber_60": (60, 200),
    "rubber_85": (85, 220),
    "silicone": (180, 350),
}
"""Of the conductor in degC: at its rated current, and at most at the end of a short circuit (table A.54.4)."""
_THICK_MM2, _THICK_PVC = 300, 140
_INSULATIONS: Mapping[Insulation, str] = {
    "pvc_70": "PVC 70 degC",
    "pvc_90": "PVC 90 degC",
    "xlpe": "XLPE",
    "rubber_60": "rubber 60 degC",
    "rubber_85": "rubber 85 degC",
    "silicone": "silicone",
}


@dataclass(frozen=True)
class Line:
    """How long something on the time-current characteristic stands which current; ``words`` name it."""

    kind: Kind
    words: str
    points: Curve

    def times(self, currents: FloatArray) -> FloatArray:
        """Time in s at each of ``currents``; nan where the line says nothing."""
        x, y = (np.log(np.array(column)) for column in zip(*self.points, strict=True))
        times: FloatArray = np.exp(np.interp(np.log(currents), x, y, left=np.nan, right=np.nan))
        return times


@dataclass(frozen=True)
class Judgement:
    """Whether the breaker's latest time lies below ``line`` from ``low`` to ``high`` A.

    ``lost`` is the first current where it does not, None where it does everywhere. ``low`` >= ``high``: the line says
    nothing about these currents.
    """

    line: Line
    low: float
    high: float
    lost: float | None

    @property
    def compared(self) -> bool:
        """Whether the line says anything about the currents asked for."""
        return self.low < self.high


def adiabatic_constant(cable: Cable) -> float:
    """k in A sqrt(s)/mm²: K * sqrt(ln((beta + final) / (beta + initial))), IEC 60364-5-54:2011, annex A."""
    constant, beta = _K[cable.metal]
    initial, final = _TEMPERATURES[cable.insulation]
    if cable.insulation.startswith("pvc") and cable.cross_section > _THICK_MM2:
        final = _THICK_PVC
    return constant * math.sqrt(math.log((beta + final) / (beta + initial)))


def cable_time(k: float, cross_section: float, current: float) -> float | None:
    """Longest time in s for which a conductor (mm²) stands ``current`` (A): k²S²/I².

    None where that is above ADIABATIC_S: heat then leaves the conductor, and the formula says nothing.
    """
    time = (k * cross_section / current) ** 2
    return time if time <= ADIABATIC_S else None


def least_cross_section(k: float, current: float, time: float) -> float:
    """Smallest conductor in mm² for ``current`` (A) during ``time`` (s): I sqrt(t) / k (IEC 60364-5-54, 543.1.2)."""
    return current * math.sqrt(time) / k


def lines(device: Device, backup: Sequence[tuple[float, float]] = (), named: str = "backup") -> tuple[Line, ...]:
    """The lines that device and bench declare: cable, switch, and the curve of the ``backup``, called ``named``."""
    found = []
    if (cable := device.cable) is not None:
        strength = adiabatic_constant(cable) * cable.cross_section
        ends = tuple((strength / math.sqrt(time), time) for time in (ADIABATIC_S, _SHORTEST_S))
        words = f"cable {cable.cross_section:g} mm² {cable.metal}, {_INSULATIONS[cable.insulation]}"
        found.append(Line("cable", words, ends))
    if device.withstand is not None:
        found.append(Line("switch", "switch withstand", device.withstand.points))
    if backup:
        found.append(Line("backup", named, tuple(backup)))
    return tuple(found)


def reach(device: Device, drawn: Sequence[Line], highest: float) -> float:
    """How far (A) a picture up to ``highest`` must go so that each line of ``drawn`` can be seen, within reason."""
    wanted = max((_SEEN * line.points[0][0] for line in drawn), default=highest)
    return max(highest, min(wanted, _FURTHEST * device.sensing.full_scale))


def judge(characteristic: Characteristic, line: Line, highest: float) -> Judgement:
    """Compare the latest edge with ``line`` wherever that says something, up to ``highest`` A.

    A current that the breaker need never operate at is lost as well: the line's end is all that stops it.
    """
    low, high = line.points[0][0], min(line.points[-1][0], highest)
    if low >= high:
        return Judgement(line, low, high, None)
    # The latest edge falls in steps where a function becomes certain: its worst is just at the step.
    steps = [zone.high for zone in characteristic.zones.values()]
    corners = [current for current, _ in line.points]
    every = np.unique([*np.geomspace(low, high, 200), *steps, *corners])
    currents = every[(every >= low) & (every <= high)]
    lost = np.flatnonzero(~_below(characteristic, line, currents))
    if not lost.size:
        return Judgement(line, low, high, None)
    first = int(lost[0])
    before = float(currents[first - 1]) if first else low
    return Judgement(line, low, high, _first(characteristic, line, before, float(currents[first])))


def latest(characteristic: Characteristic, current: float) -> float:
    """Longest in s that a good breaker lets a lasting ``current`` (A) flow from cold; inf where it need not operate."""
    return float(_latest(characteristic, np.array([current]))[0])


def _latest(characteristic: Characteristic, currents: FloatArray) -> FloatArray:
    # Above its measuring range a breaker measures the end of it; the comparator takes no longer there.
    return characteristic.at(np.minimum(currents, characteristic.device.sensing.full_scale)).late


def _below(characteristic: Characteristic, line: Line, currents: FloatArray) -> np.ndarray:
    below: np.ndarray = _latest(characteristic, currents) < line.times(currents)
    return below


def _first(characteristic: Characteristic, line: Line, good: float, lost: float) -> float:
    """Where between two currents the order is lost, to a part in 10,000."""
    while lost > good * 1.0001:
        middle = math.sqrt(good * lost)
        good, lost = (middle, lost) if _below(characteristic, line, np.array([middle]))[0] else (good, middle)
    return lost


def sentences(characteristic: Characteristic, drawn: Sequence[Line], highest: float) -> list[str]:
    """The coordination in plain words, one sentence a line, up to ``highest`` A."""
    found = [_sentence(judge(characteristic, line, highest), highest) for line in drawn]
    there = {line.kind for line in drawn}
    found += [words for kind, words in _MISSING.items() if kind not in there]
    cable = characteristic.device.cable
    if cable is not None and cable.rating is not None:
        certain = characteristic.pickup_zone.high
        fits = "carries" if certain <= cable.rating else "does NOT carry"
        found.append(
            f"The cable's {show(cable.rating, 'A')} {fits} the {show(certain, 'A')} "
            "up to which the breaker need not operate."
        )
    return found


_MISSING: Mapping[Kind, str] = {
    "cable": "No cable line: the device's profile declares no cable.",
    "switch": "No withstand line: the device's profile declares none for its switch.",
    "backup": "No backup line: no bench file with a backup is at hand.",
}
_KEPT: Mapping[Kind, str] = {"cable": "Protects the cable", "switch": "Protects its switch", "backup": "Selective"}
_LOST: Mapping[Kind, str] = {
    "cable": "Does NOT protect the cable",
    "switch": "Does NOT protect its switch",
    "backup": "NOT selective",
}


def _sentence(judgement: Judgement, highest: float) -> str:
    line = judgement.line
    if not judgement.compared:
        of = " (adiabatic, 5 s and less)" if line.kind == "cable" else ""
        return f"Nothing to compare with {line.words} up to {show(highest, 'A')}: its line{of} begins at " + (
            f"{show(line.points[0][0], 'A')}."
        )
    between = f"from {show(judgement.low, 'A')} to {show(judgement.high, 'A')}"
    ends = "" if line.kind != "cable" else "; above 5 s the adiabatic formula does not hold, so no line is drawn"
    if judgement.lost is None:
        return f"{_KEPT[line.kind]}: the latest operate time lies below {line.words} {between}{ends}."
    lost = f"the latest operate time reaches {line.words} at {show(judgement.lost, 'A')}"
    return f"{_LOST[line.kind]}: {lost}, compared {between}{ends}."
