"""The thermistor on its divider, as it is built, and the firmware's table, found by trying every tenth of a degree."""

from __future__ import annotations

import math
from functools import lru_cache
from itertools import pairwise

from protocol.device import Thermistor

OPEN = -100.0
"""degC that an open thermistor looks like; the firmware's table ends there."""
SHORT = 300.0
"""degC that a shorted thermistor looks like."""
_ZERO_CELSIUS = 273.15  # K
_REFERENCE = 25.0  # degC of the rated resistance


def divider_code(thermistor: Thermistor, celsius: float) -> int:
    """What the converter makes of a thermistor at ``celsius``; beyond OPEN and SHORT it is open or shorted."""
    top = (1 << thermistor.bits) - 1
    if celsius <= OPEN:
        return top
    if celsius >= SHORT:
        return 0
    warmer = 1 / (_REFERENCE + _ZERO_CELSIUS) - 1 / (celsius + _ZERO_CELSIUS)
    ratio = thermistor.pull_up / thermistor.resistance * math.exp(thermistor.beta * warmer)  # pull-up over thermistor
    return round(top / (1 + ratio))


@lru_cache(maxsize=8)
def table(thermistor: Thermistor) -> tuple[int, ...]:
    """Temperature in 0.1 degC for every code: the middle of those that give it, else of the nearest that do."""
    hottest, coldest = round(SHORT * 10), round(OPEN * 10)
    found: dict[int, list[int]] = {}
    for tenth in range(coldest, hottest + 1):
        found.setdefault(divider_code(thermistor, tenth / 10), []).append(tenth)
    top = (1 << thermistor.bits) - 1
    middles = {code: (tenths[0] + tenths[-1]) // 2 for code, tenths in found.items()} | {0: hottest, top: coldest}
    known = sorted(middles)
    result = []
    for low, high in pairwise(known):
        span = high - low
        result += [middles[low] + (middles[high] - middles[low]) * step // span for step in range(span)]
    return (*result, middles[top])
