"""What the breaker is to be coordinated with: cable and switch, which it must save, and a backup, which must not act.

Each is a line on the time-current characteristic. The latest edge of the breaker's band has to lie below it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from harness.quantity import show
from harness.trip.characteristic import Characteristic
from harness.trip.trace import FloatArray
from protocol.branch import Cable, Insulation, Metal, Withstand
from protocol.device import Device

ADIABATIC_S = 5.0
"""Up to this time a conductor keeps all its heat (IEC 60364-4-43, 434.5.2); beyond, no line is drawn."""
_METALS: Mapping[Metal, tuple[float, float]] = {
    "copper": (226.0, 234.5),
    "aluminium": (148.0, 228.0),
    "steel": (78.0, 202.0),
}
"""K in A s^0.5 / mm2 and beta in K, IEC 60364-5-54:2011, Annex A, and IEC 60949:1988."""
_INSULATIONS: Mapping[Insulation, tuple[float, float, float]] = {
    "pvc_70": (70.0, 160.0, 140.0),
    "pvc_90": (90.0, 160.0, 140.0),
    "xlpe_90": (90.0, 250.0, 250.0),
    "rubber_60": (60.0, 200.0, 200.0),
    "rubber_85": (85.0, 220.0, 220.0),
    "silicone_180": (180.0, 350.0, 350.0),
}
"""degC before, and at the end of, a short circuit; the third where the conductor has more than 300 mm2. Same source."""
_LARGE = 300.0  # mm2
_CURRENTS = 400  # at which the band is compared


@dataclass(frozen=True)
class Line:
    """A line on the characteristic, straight between its points on log-log axes: currents in A rise, times in s fall.

    ``kept`` and ``broken`` are the words for a breaker that operates below it everywhere, and for one that may not.
    """

    name: str
    points: tuple[tuple[float, float], ...]
    kept: str
    broken: str

    def times(self, currents: FloatArray) -> FloatArray:
        """Time in s at each current; nan where the line says nothing."""
        x, y = np.log(np.array(self.points)).T
        return np.asarray(np.exp(np.interp(np.log(currents), x, y, left=math.nan, right=math.nan)))


def k_factor(cable: Cable) -> float:
    """k in A s^0.5 / mm2, from the conductor's hottest in service to what its insulation stands (IEC 60364-5-54, A)."""
    factor, beta = _METALS[cable.metal]
    before, small, large = _INSULATIONS[cable.insulation]
    after = large if cable.area > _LARGE else small
    return factor * math.sqrt(math.log((after + beta) / (before + beta)))


def cable_i2t(cable: Cable) -> float:
    """What the cable stands at once, A2s: k²S²."""
    return (k_factor(cable) * cable.area) ** 2


def cable_line(cable: Cable, highest: float) -> Line | None:
    """The adiabatic line from 5 s on to ``highest`` A; None where that is before it begins."""
    i2t = cable_i2t(cable)
    begin = math.sqrt(i2t / ADIABATIC_S)
    if highest <= begin:
        return None
    name = f"cable, {cable.area:g} mm2 {cable.metal}, {cable.insulation.replace('_', ' ')} degC"
    points = ((begin, ADIABATIC_S), (highest, i2t / highest**2))
    return Line(name, points, "the breaker saves the cable", "the cable is not saved")


def withstand_line(withstand: Withstand) -> Line:
    """What the switch stands."""
    saved = "the breaker saves its own switch", "its own switch is not saved"
    return Line("switch, withstand", withstand.points, *saved)


def reach(device: Device, backup: Sequence[tuple[float, float]] | None, highest: float) -> float:
    """How far a picture up to ``highest`` A goes on, A: to the second point of each line that is declared."""
    declared = [() if device.withstand is None else device.withstand.points, backup or ()]
    return max([highest, *(points[1][0] for points in declared if points)])


def lines(device: Device, backup: Sequence[tuple[float, float]] | None, highest: float) -> list[Line]:
    """Lines of what ``device`` and its bench declare, as far as ``reach``. ``backup`` as (A, s), current rising."""
    found = []
    cable = None if device.cable is None else cable_line(device.cable, reach(device, backup, highest))
    if cable is not None:
        found.append(cable)
    if device.withstand is not None:
        found.append(withstand_line(device.withstand))
    if backup:
        first = "the breaker is there first", "the backup may be there first"
        found.append(Line("backup of the bench", tuple(backup), *first))
    return found


def undeclared(device: Device, backup: Sequence[tuple[float, float]] | None, highest: float) -> list[str]:
    """What is not drawn, and why, a sentence each."""
    said = []
    if device.cable is None:
        said.append("No cable line: the device's profile declares no cable.")
    elif cable_line(device.cable, reach(device, backup, highest)) is None:
        begin = math.sqrt(cable_i2t(device.cable) / ADIABATIC_S)
        said.append(f"No cable line: up to {show(begin, 'A')} the cable stands {ADIABATIC_S:g} s and more.")
    if device.withstand is None:
        said.append("No line of the switch: the device's profile declares no withstand.")
    if not backup:
        said.append("No line of an upstream fuse: the bench file declares no backup.")
    return said


def latest(characteristic: Characteristic, currents: FloatArray) -> FloatArray:
    """Longest in s that a good breaker lets each lasting current (A) flow from cold; inf where it need not operate.

    Above its measuring range a breaker measures the end of it; a comparator takes no longer there.
    """
    return characteristic.at(np.minimum(currents, characteristic.device.sensing.full_scale)).late


def judge(characteristic: Characteristic, line: Line, highest: float = math.inf) -> tuple[bool, str]:
    """Whether the latest edge of the band lies below ``line`` up to ``highest`` A, and a sentence with figures."""
    low, high = line.points[0][0], min(line.points[-1][0], highest)
    if low >= high:
        return True, f"{line.name}: nothing to compare up to {show(highest, 'A')}, it begins at {show(low, 'A')}"
    # The latest edge falls in steps where a function becomes certain: it is at its worst just there.
    steps = [zone.high for zone in characteristic.zones.values() if low < zone.high < high]
    currents = np.unique([*np.geomspace(low, high, _CURRENTS), *steps])
    late, limit = latest(characteristic, currents), line.times(currents)
    over = np.flatnonzero(late >= limit)
    reach = f"{show(low, 'A')} to {show(high, 'A')}"
    if not over.size:
        return True, f"{line.name}: {line.kept} from {reach}"
    at = int(over[0])
    takes = "need not operate" if math.isinf(late[at]) else f"may take {show(float(late[at]), 's')}"
    stands = show(float(limit[at]), "s")
    return (
        False,
        f"{line.name}: {line.broken}: at {show(float(currents[at]), 'A')} it {takes}, and the line is at {stands}",
    )
