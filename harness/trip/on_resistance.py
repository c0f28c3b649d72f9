"""On-resistance over temperature as straight lines: one for a temperature coefficient, several for any other law.

The channel, the drift region and the contacts of a silicon-carbide switch each follow a law of their own, so that none
is a constant here. A data sheet's curve of the normalised on-resistance is a row of points as it stands.
"""

from __future__ import annotations

import math
from itertools import pairwise
from typing import NamedTuple

_REFERENCE = 25.0  # degC at which the on-resistance is given


class Line(NamedTuple):
    """Between two temperatures (degC): share of the on-resistance at 25 degC, and its slope in 1/K."""

    begin: float
    end: float
    reference: float  # what the line, drawn on, is at 25 degC
    slope: float

    def at(self, temperature: float) -> float:
        """The share at ``temperature``."""
        return self.reference + self.slope * (temperature - _REFERENCE)


def lines(coefficient: float, points: tuple[tuple[float, float], ...] = ()) -> tuple[Line, ...]:
    """The lines through ``points`` (degC, share), the outer ones without end; one by the coefficient without points.

    Raises ValueError for a single point, and where temperature or share does not rise: more current would then not
    always be sooner.
    """
    if not points:
        return (Line(-math.inf, math.inf, 1.0, coefficient),)
    if len(points) < 2:
        raise ValueError("normalised resistance: want two points or more")
    found = []
    for (cold, low), (hot, high) in pairwise(points):
        if not (cold < hot and 0 < low <= high):
            raise ValueError(
                f"normalised resistance: from {cold:g} to {hot:g} degC it does not rise, or is not above 0"
            )
        slope = (high - low) / (hot - cold)
        found.append(Line(cold, hot, low + slope * (_REFERENCE - cold), slope))
    found[0] = found[0]._replace(begin=-math.inf)
    found[-1] = found[-1]._replace(end=math.inf)
    return tuple(found)
