"""What a DC short circuit does, from first principles: rise, let-through, energy in the clamp.

A source of ``voltage`` behind a resistance (0 or more) and an inductance, SI units throughout. With resistance 0 the
exponentials become straight lines.
"""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True)
class Loop:
    """The fault loop. Raises ValueError for a voltage or an inductance that is not above 0, a resistance below 0."""

    voltage: float  # V
    inductance: float  # H
    resistance: float = 0.0  # ohm

    def __post_init__(self) -> None:
        if not (self.voltage > 0 and self.inductance > 0 and self.resistance >= 0):
            raise ValueError(f"{self}: want a voltage and an inductance above 0, and no resistance below 0")

    @property
    def time_constant(self) -> float:
        """s; inf without resistance."""
        return self.inductance / self.resistance if self.resistance else math.inf

    def rise(self, start: float = 0.0) -> float:
        """di/dt in A/s at the current ``start``."""
        return (self.voltage - self.resistance * start) / self.inductance

    def current(self, seconds: float, start: float = 0.0) -> float:
        """Current in A after ``seconds``, from ``start``."""
        if not self.resistance:
            return start + self.rise() * seconds
        return start - (self.voltage / self.resistance - start) * math.expm1(-seconds / self.time_constant)

    def time_to(self, current: float, start: float = 0.0) -> float | None:
        """Time in s from ``start`` to ``current``; None: the loop does not carry that much. 0 where it is there."""
        if current <= start:
            return 0.0
        if not self.resistance:
            return (current - start) / self.rise()
        final = self.voltage / self.resistance
        return -self.time_constant * math.log1p((start - current) / (final - start)) if current < final else None

    def let_through(self, threshold: float, response: float, start: float = 0.0) -> float | None:
        """Peak current in A of a switch that opens ``response`` s after ``threshold``; None: that is not reached."""
        reached = self.time_to(threshold, start)
        return None if reached is None else self.current(reached + response, start)

    def rise_i2t(self, seconds: float, start: float = 0.0) -> float:
        """Integral of i² in A²s over the first ``seconds``."""
        if not self.resistance:
            end = self.current(seconds, start)
            return seconds * (start**2 + start * end + end**2) / 3
        return _i2t(self.voltage / self.resistance, start, seconds, self.time_constant)

    def let_through_i2t(self, threshold: float, response: float, clamp: float, start: float = 0.0) -> float | None:
        """Integral of i² in A²s up to and through the fall against the clamp; None: ``threshold`` is not reached."""
        reached = self.time_to(threshold, start)
        if reached is None:
            return None
        seconds = reached + response
        return self.rise_i2t(seconds, start) + self.fall_i2t(self.current(seconds, start), clamp)

    # The switch is open; a clamp holds its voltage at ``clamp`` until the current is 0

    def fall_time(self, current: float, clamp: float) -> float:
        """Time in s from ``current`` to 0. Raises ValueError for a clamp that does not exceed the source."""
        left = self._counter_voltage(clamp)
        if not self.resistance:
            return self.inductance * current / left
        return self.time_constant * math.log1p(current * self.resistance / left)

    def clamp_energy(self, current: float, clamp: float) -> float:
        """Energy in J that the clamp takes: that of the inductance, and what the source adds meanwhile."""
        return clamp * self._charge(current, clamp)

    def source_energy(self, current: float, clamp: float) -> float:
        """Energy in J that the source delivers while the current falls."""
        return self.voltage * self._charge(current, clamp)

    def fall_i2t(self, current: float, clamp: float) -> float:
        """Integral of i² in A²s while the current falls."""
        seconds = self.fall_time(current, clamp)
        if not self.resistance:
            return seconds * current**2 / 3
        return _i2t(-self._counter_voltage(clamp) / self.resistance, current, seconds, self.time_constant)

    def _charge(self, current: float, clamp: float) -> float:
        seconds = self.fall_time(current, clamp)
        if not self.resistance:
            return seconds * current / 2
        # Of L di/dt + R i = V - Vc, integrated over the fall.
        return (self.inductance * current - self._counter_voltage(clamp) * seconds) / self.resistance

    def _counter_voltage(self, clamp: float) -> float:
        if clamp <= self.voltage:
            raise ValueError(f"a clamp of {clamp} V does not end a current that {self.voltage} V drive")
        return clamp - self.voltage


def stored_energy(inductance: float, current: float) -> float:
    """Energy of an inductance in J."""
    return inductance * current**2 / 2


def _i2t(final: float, start: float, seconds: float, time_constant: float) -> float:
    """Integral of (final + (start - final) exp(-t/T))²."""
    gap, share = start - final, seconds / time_constant
    once, twice = -math.expm1(-share), -math.expm1(-2 * share)
    return time_constant * (final**2 * share + 2 * final * gap * once + gap**2 * twice / 2)
