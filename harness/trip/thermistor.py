"""The NTC on the heat sink: resistance over temperature, and the code of its divider. Temperatures in degC, ohm."""

from __future__ import annotations

import math
from dataclasses import dataclass

from protocol.device import Thermistor

_ZERO = 273.15  # K at 0 degC
_ROOM = 25.0  # degC of the rated resistance


@dataclass(frozen=True)
class Beta:
    """R = resistance * exp(beta (1/T - 1/T25)), the form of IEC 60539-1 (from memory of it)."""

    resistance: float  # ohm at 25 degC
    beta: float  # K

    def at(self, temperature: float) -> float:
        """Resistance in ohm."""
        return self.resistance * math.exp(self.beta * (1 / (temperature + _ZERO) - 1 / (_ROOM + _ZERO)))

    def temperature(self, resistance: float) -> float:
        """Temperature in degC of ``resistance``, which is above 0."""
        return 1 / (1 / (_ROOM + _ZERO) + math.log(resistance / self.resistance) / self.beta) - _ZERO

    def sensitivity(self, temperature: float) -> float:
        """Relative change of the resistance, 1/K."""
        return -self.beta / (temperature + _ZERO) ** 2


def beta_of(first: tuple[float, float], second: tuple[float, float]) -> float:
    """Beta in K from two points (degC, ohm)."""
    return math.log(first[1] / second[1]) / (1 / (first[0] + _ZERO) - 1 / (second[0] + _ZERO))


@dataclass(frozen=True)
class SteinhartHart:
    """1/T = a + b ln R + c (ln R)³ (Steinhart and Hart, 1968)."""

    a: float
    b: float
    c: float

    @classmethod
    def through(cls, *points: tuple[float, float]) -> SteinhartHart:
        """Of three points (degC, ohm). Raises ValueError for another number of them."""
        (y1, l1), (y2, l2), (y3, l3) = ((1 / (t + _ZERO), math.log(r)) for t, r in points)
        g2, g3 = (y2 - y1) / (l2 - l1), (y3 - y1) / (l3 - l1)
        c = (g3 - g2) / (l3 - l2) / (l1 + l2 + l3)
        b = g2 - c * (l1**2 + l1 * l2 + l2**2)
        return cls(y1 - (b + l1**2 * c) * l1, b, c)

    def temperature(self, resistance: float) -> float:
        """Temperature in degC."""
        log = math.log(resistance)
        return 1 / (self.a + self.b * log + self.c * log**3) - _ZERO

    def at(self, temperature: float) -> float:
        """Resistance in ohm: the one real root of the cubic in ln R (Cardano, by hyperbolic sine)."""
        p = self.b / self.c
        q = (self.a - 1 / (temperature + _ZERO)) / self.c
        return math.exp(-2 * math.sqrt(p / 3) * math.sinh(math.asinh(1.5 * q / p * math.sqrt(3 / p)) / 3))


def code(resistance: float, pull_up: float, bits: int) -> float:
    """Code of the ratiometric divider, before it is rounded; the reference voltage cancels."""
    return float((1 << bits) - 1) * resistance / (resistance + pull_up)


def code_at(thermistor: Thermistor, temperature: float) -> float:
    """Code of a device's divider at a temperature in degC, before it is rounded."""
    return code(Beta(thermistor.resistance, thermistor.beta).at(temperature), thermistor.pull_up, thermistor.bits)


def temperature_of(thermistor: Thermistor, reading: float) -> float:
    """Temperature in degC that a code stands for; ``reading`` between 0 and full scale, both excluded."""
    resistance = thermistor.pull_up * reading / ((1 << thermistor.bits) - 1 - reading)
    return Beta(thermistor.resistance, thermistor.beta).temperature(resistance)
