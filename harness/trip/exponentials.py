"""Sums of real exponentials: where they cross zero, found without a step size that could miss one.

After Rolle: a sum of n exponentials divided by one of them has a derivative of n - 1, between whose zeros it runs one
way only. So every zero is bracketed, and a bisection is safe.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from itertools import pairwise

Term = tuple[float, float]
"""(coefficient, rate in 1/s): coefficient * exp(rate * t)."""


_MOST = 600.0  # exponent; a sum beyond what floats hold is only ever asked for its sign


def value(terms: Sequence[Term], t: float) -> float:
    """The sum at ``t``."""
    return math.fsum(c * math.exp(rate * t) for c, rate in terms)


def integral(terms: Sequence[Term], t: float) -> float:
    """The integral of the sum from 0 to ``t``."""
    return math.fsum(c * (math.expm1(min(rate * t, _MOST)) / rate if rate else t) for c, rate in terms)


def zeros(terms: Sequence[Term], end: float) -> list[float]:
    """Where the sum changes its sign inside (0, ``end``), rising order."""
    terms = sorted((term for term in terms if term[0]), key=lambda term: -term[1])
    if len(terms) < 2:
        return []
    shift = terms[0][1]  # the fastest growth, so that nothing overflows
    scaled = [(c, rate - shift) for c, rate in terms]
    slopes = [(c * rate, rate) for c, rate in scaled[1:]]
    marks = [0.0, *zeros(slopes, end), end]
    return [
        between(lambda t: value(scaled, t), low, high)
        for low, high in pairwise(marks)
        if value(scaled, low) * value(scaled, high) < 0
    ]


def first_rise(start: float, slopes: Sequence[Term], end: float) -> float | None:
    """First instant in [0, ``end``] at which ``start`` plus the integral of ``slopes`` is 0 or more; None: not once."""
    if start >= 0:
        return 0.0

    def reached(t: float) -> float:
        return start + integral(slopes, t)

    low = 0.0
    for high in (*zeros(slopes, end), end):
        if reached(high) >= 0:
            return between(reached, low, high)
        low = high
    return None


def between(function: Callable[[float], float], low: float, high: float) -> float:
    """Where ``function`` changes its sign between ``low`` and ``high``, as near as floats can say."""
    rising = function(high) >= 0
    for _ in range(200):
        middle = (low + high) / 2
        if not low < middle < high:
            break
        if (function(middle) >= 0) == rising:
            high = middle
        else:
            low = middle
    return high
