"""Whether a measured value has moved between two builds: its drift in widths of its band, and how sure that is.

What is compared is a value's distance from the middle of its band (the nominal value where there is one): the band
follows the stimulus that was recorded, so a stimulus that came out a little differently does not count as drift.
The standard uncertainty of a difference (JCGM 100, 5.1.2) has from each side the repeatability of its mean and the
uncertainty of the bench, which repeats do not lessen. The bench's errors are taken as independent between the sides;
on one bench some of them cancel, so this errs towards silence. Repeatability is what a healthy unit is declared to
show or what the repeats show, whichever is larger; in the second case the test is Student's, with the effective
degrees of freedom of JCGM 100, G.4.1. All values of one comparison are one family, by Holm's procedure: the chance
that anything is named where nothing moved is FAMILY_RATE at most, however many values there are.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import NormalDist, fmean, stdev

from harness.record.result import Measurement

FAMILY_RATE = 0.001
"""Chance of naming any drift at all where nothing moved."""
_SURE = NormalDist().inv_cdf(0.99)
_MOST_TERMS = 10_000  # degrees of freedom beyond which Student's distribution is taken as normal


@dataclass(frozen=True)
class Place:
    """Where one measured value lies: its distance from the middle of its band, and the band's width, in its unit."""

    value: float
    distance: float
    width: float
    uncertainty: float
    repeatability: float


@dataclass(frozen=True)
class Drift:
    """One value's move from one side to the other, in widths of its band; ``p`` is its chance if nothing moved."""

    unit: str
    before: float  # mean value
    after: float
    repeats: tuple[int, int]
    shift: float
    uncertainty: float  # standard, in widths
    dof: float
    p: float | None  # None: nothing says how well this value repeats

    def seen_from(self, rate: float) -> float:
        """The smallest shift, in widths, that is named 99 times of 100 at the false rate ``rate``."""
        return self.uncertainty * (quantile(rate, self.dof) + _SURE)


def place(measurement: Measurement) -> Place | None:
    """Where a measurement lies; None where the event did not come or no limit makes a band.

    A band with an upper limit only reaches from 0 to it, and its values are compared as they are.
    """
    value, low, high = measurement.value, _finite(measurement.low), _finite(measurement.high)
    if value is None or not math.isfinite(value):
        return None
    if low is not None and high is not None:
        nominal = _finite(measurement.nominal)
        middle, width = (low + high) / 2 if nominal is None else nominal, high - low
    else:
        limit = high if high is not None else low
        middle, width = 0.0, abs(limit or 0.0)
    if width <= 0:
        return None
    return Place(value, value - middle, width, measurement.uncertainty, measurement.repeatability)


def _finite(limit: float | None) -> float | None:
    return None if limit is None or not math.isfinite(limit) else limit


def drift(unit: str, before: Sequence[Place], after: Sequence[Place]) -> Drift:
    """The move of one value between two sides with one or more repeats each."""
    width = fmean(each.width for each in before)
    variances = [_variance(side) for side in (before, after)]
    bench = [max(each.uncertainty for each in side) for side in (before, after)]
    uncertainty = math.sqrt(sum(variance for variance, _ in variances) + sum(u**2 for u in bench))
    moved = fmean(each.distance for each in after) - fmean(each.distance for each in before)
    dof = _effective_dof(uncertainty, variances)
    p = None
    if uncertainty > 0:
        p = two_sided_p(moved / uncertainty, dof)
    elif moved == 0:
        p = 1.0
    means = [fmean(each.value for each in side) for side in (before, after)]
    return Drift(unit, means[0], means[1], (len(before), len(after)), moved / width, uncertainty / width, dof, p)


def _variance(side: Sequence[Place]) -> tuple[float, float]:
    """Variance of the mean of a side, and its degrees of freedom."""
    declared = math.sqrt(fmean(each.repeatability**2 for each in side))
    seen = stdev(each.distance for each in side) if len(side) > 1 else 0.0
    if seen > declared:
        return seen**2 / len(side), len(side) - 1
    return declared**2 / len(side), math.inf


def _effective_dof(uncertainty: float, variances: Sequence[tuple[float, float]]) -> float:
    """Welch and Satterthwaite (JCGM 100, G.2b), rounded down as G.4.1 asks; what is declared has infinitely many."""
    below = sum(variance**2 / dof for variance, dof in variances)
    return max(1.0, math.floor(uncertainty**4 / below)) if below else math.inf


def named(drifts: Mapping[str, Drift], rate: float = FAMILY_RATE) -> list[str]:
    """Which of ``drifts`` have moved, by Holm's procedure at the family-wise false rate ``rate``, surest first."""
    tested = sorted((each.p, key) for key, each in drifts.items() if each.p is not None)
    found = []
    for number, (p, key) in enumerate(tested):
        if p > rate / (len(tested) - number):
            break
        found.append(key)
    return found


def two_sided_p(t: float, dof: float) -> float:
    """Chance of a value of Student's distribution beyond ``t`` on either side; ``dof`` is a whole number or inf.

    The finite series of Abramowitz and Stegun, Handbook of Mathematical Functions, 26.7.3 and 26.7.4.
    """
    if dof > _MOST_TERMS:
        return math.erfc(abs(t) / math.sqrt(2))
    n, theta = int(dof), math.atan2(abs(t), math.sqrt(dof))
    cosine = math.cos(theta)
    odd = n % 2
    term = total = 1.0 if n > 1 or not odd else 0.0
    for k in range(3 if odd else 2, n - 1, 2):
        term *= (k - 1) / k * cosine**2
        total += term
    inside = 2 / math.pi * (theta + math.sin(theta) * cosine * total) if odd else math.sin(theta) * total
    return min(max(1 - inside, 0.0), 1.0)


def quantile(p: float, dof: float) -> float:
    """The t that is exceeded on either side with chance ``p``: the inverse of two_sided_p, to 1e-9 of it."""
    normal = -NormalDist().inv_cdf(p / 2)
    if dof > _MOST_TERMS:
        return normal
    low, high = normal, 2 * normal
    while two_sided_p(high, dof) > p:
        low, high = high, 2 * high
    while high - low > 1e-9 * high:
        middle = (low + high) / 2
        low, high = (middle, high) if two_sided_p(middle, dof) > p else (low, middle)
    return high
