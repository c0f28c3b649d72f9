"""Junction temperature in closed form: heat-sink temperature plus a Foster network fed with (I / switches)² R(T).

R(T) is linear, so each piece of constant current is solved exactly (harness.trip.foster). A stage may heat and cool by
different clocks (see harness.trip.corner); a piece is then cut where a stage turns from the one to the other.

A level is a share of the way from the heat sink to the limit. As a start it stands for equilibrium at a constant
current. After a current it stands for the equilibrium that bounds every stage: from above in the breaker that operates
first, from below in the one that operates last, so that a level carried on is never too narrow.
"""

from __future__ import annotations

import dataclasses
import math
from collections import deque
from dataclasses import dataclass
from functools import cached_property
from itertools import islice

import numpy as np

from harness.trip.exponentials import first_rise
from harness.trip.foster import Matrices, Modes, Network, phi
from harness.trip.trace import FloatArray, Segments

_BLOCK = 2048  # pieces whose eigenvalues are found at once
_DOUBLINGS, _HALVINGS = 80, 120  # from a nano-time-constant up, and as far down as floats go


@dataclass(frozen=True)
class JunctionModel:
    """An estimated junction temperature with its limit, as harness.trip.model.TripModel wants it.

    Raises ValueError for a network or resistance that is not positive, a resistance that falls with temperature (more
    current would then not always be sooner), and a heat sink at or above the limit.
    """

    limit: float  # degC
    ambient: float  # degC, heat sink
    network: tuple[tuple[float, float], ...]  # (R in K/W, tau in s)
    on_resistance: float  # ohm at 25 degC
    temperature_coefficient: float  # 1/K
    switches: int = 1
    sense: int = 0  # which bound a level after a current is: 1 from above, -1 from below, 0 the temperature itself
    pace: tuple[float, float] = (1.0, 1.0)  # clock while a stage heats, while it cools

    def __post_init__(self) -> None:
        stages = (value for stage in self.network for value in stage)
        positive = [self.on_resistance, self.switches, *self.pace, *stages]
        if not self.network or not all(value > 0 and math.isfinite(value) for value in positive):
            raise ValueError("junction temperature: want a network and resistances above 0")
        if not self.temperature_coefficient >= 0:
            raise ValueError(f"junction temperature: coefficient {self.temperature_coefficient}, want 0 or more")
        if not self.ambient < self.limit:
            raise ValueError(f"heat sink at {self.ambient:.4g} degC: at or above the limit of {self.limit:.4g} degC")
        if not 1 + self.temperature_coefficient * (self.ambient - 25.0) > 0:
            raise ValueError(f"heat sink at {self.ambient:.4g} degC: the on-resistance would not be above 0")

    # The loop as a whole

    @property
    def pickup(self) -> float:
        """A: the current whose steady state is the limit."""
        heat = self._network.resistance * self.on_resistance * (1 + self.temperature_coefficient * (self.limit - 25.0))
        return self.switches * math.sqrt((self.limit - self.ambient) / heat)

    @property
    def runaway_current(self) -> float:
        """A: at and above it the loop gain is 1 or more, and no temperature is steady; inf: none is that high."""
        gain = self.loop_gain(1.0)
        return 1 / math.sqrt(gain) if gain > 0 else math.inf

    def loop_gain(self, current: float) -> float:
        """Rise of temperature by the power that a rise of 1 K adds. 1 or more: thermal runaway."""
        return float(self._power(np.array([current]))[0]) * self.temperature_coefficient * self._network.resistance

    def steady_state(self, current: float) -> float:
        """Temperature in degC that a lasting current leads to; inf: runaway."""
        gain = self.loop_gain(current)
        heat = float(self._power(np.array([current]))[0]) * self._network.cold_factor * self._network.resistance
        return self.ambient + heat / (1 - gain) if gain < 1 else math.inf

    def temperature_after(self, current: Segments, level: float) -> float:
        """Junction temperature in degC at the end of ``current``."""
        return self.ambient + float(self._state_after(current, level).sum())

    # What a trip model answers

    def operate_times(self, currents: FloatArray, level: float) -> FloatArray:
        """Operate time for each lasting constant current; inf: never. From equilibrium every stage heats throughout."""
        times = np.full(currents.shape, 0.0 if level >= 1 else math.inf)
        above = np.flatnonzero(currents > self.pickup)
        if level < 1 and above.size:
            kappa = self._network.kappa(heating=True)
            found = self._network.modes(self._power(currents[above]), kappa[None, :])
            times[above] = _rise(found, (level - 1) * self._span, self._equilibrium(level), self._ends(currents[above]))
        return times

    def operate_time(self, current: Segments, level: float) -> float | None:
        """Operate time under a varying current, from its start; None: not within it."""
        if level >= 1:
            return 0.0
        began = 0.0
        pieces = self._network.pieces(self._power(current.currents), current.durations, self._equilibrium(level))
        while block := list(islice(pieces, _BLOCK)):
            durations, powers = np.array([p.duration for p in block]), np.array([p.power for p in block])
            theta = np.array([p.theta for p in block])
            found = self._network.modes(powers, np.array([p.kappa for p in block]))
            starts, slopes = theta.sum(axis=1) - self._span, found.slopes(theta)
            # Each exponential runs one way, so their ends bound the sum; only where that may reach 0 is it searched.
            most = starts + np.maximum(slopes * phi(found.rates, durations[:, None]), 0.0).sum(axis=1)
            for k in np.flatnonzero(most >= 0).tolist():
                terms = list(zip(slopes[k].tolist(), found.rates[k].tolist(), strict=True))
                into = first_rise(float(starts[k]), terms, float(durations[k]))
                if into is not None:
                    return began + float(durations[:k].sum()) + into
            began += float(durations.sum())
        return None

    def level_after(self, current: Segments, level: float) -> float:
        """The level at the end of ``current``: see the top of this module. It goes on past 1."""
        theta = self._state_after(current, level)
        if self.sense == 0:
            return float(theta.sum()) / self._span
        each = theta / self._network.resistances * self._network.resistance / self._span
        return float(each.max() if self.sense > 0 else each.min())

    def cooling_time(self, level: float, target: float, current: float) -> float | None:
        """Time for the level to fall to ``target`` at a constant current; None: never."""
        if level <= target:
            return 0.0
        if (self.steady_state(current) - self.ambient) / self._span >= target:
            return None
        low, high = 0.0, max(tau for _, tau in self.network)
        while self.level_after(Segments.constant(current, high), level) > target:
            low, high = high, 2 * high
        for _ in range(60):
            middle = (low + high) / 2
            if self.level_after(Segments.constant(current, middle), level) > target:
                low = middle
            else:
                high = middle
        return high

    def paced(self, towards: float, back: float) -> JunctionModel:
        """The same, stages ``towards`` times as fast while they heat and ``back`` times as fast while they cool."""
        return dataclasses.replace(self, pace=(self.pace[0] * towards, self.pace[1] * back))

    @cached_property
    def _network(self) -> Network:
        return Network(self.network, self.temperature_coefficient, self.ambient, self.pace)

    @property
    def _span(self) -> float:
        return self.limit - self.ambient

    def _power(self, currents: FloatArray) -> FloatArray:
        """W at 25 degC."""
        return (currents / self.switches) ** 2 * self.on_resistance

    def _ends(self, currents: FloatArray) -> FloatArray:
        """Steady state minus limit in K, exact to the last digits near pickup; inf for runaway."""
        pickup = self.pickup
        gain = self._power(currents) * (self.temperature_coefficient * self._network.resistance)
        above = self._span * ((currents - pickup) / pickup) * ((currents + pickup) / pickup)
        return np.where(gain < 1, above / np.where(gain < 1, 1 - gain, 1.0), math.inf)

    def _equilibrium(self, level: float) -> Matrices:
        return self._network.resistances * (level * self._span / self._network.resistance)

    def _state_after(self, current: Segments, level: float) -> Matrices:
        theta = self._equilibrium(level)
        pieces = self._network.pieces(self._power(current.currents), current.durations, theta)
        last = deque(pieces, maxlen=1)
        return self._network.after(last[0]) if last else theta


def _rise(found: Modes, start: float, theta: Matrices, ends: FloatArray) -> FloatArray:
    """Time in s from ``start`` (K, below 0) to 0 in each row, on ways that only rise and lead to ``ends``."""
    slopes, rates = found.slopes(theta), found.rates
    moving = np.where(rates == 0, 1.0, rates)
    # Near pickup the sum from the start keeps no digit of what is left at the end; the sum from the end does.
    settled = np.isfinite(ends) & (rates.max(axis=1) < 1e-6 * rates.min(axis=1))

    def excess(t: FloatArray) -> FloatArray:
        from_start = start + (slopes * phi(rates, t[:, None])).sum(axis=1)
        from_end = ends + (slopes / moving * np.exp(np.minimum(rates * t[:, None], 0.0))).sum(axis=1)
        return np.asarray(np.where(settled, from_end, from_start))

    high = np.full(ends.shape, 1e-9 / float(np.abs(rates).max()))
    for _ in range(_DOUBLINGS):
        high = np.where(excess(high) < 0, 2 * high, high)
    low = np.zeros(high.shape)
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        reached = excess(middle) >= 0
        low, high = np.where(reached, low, middle), np.where(reached, middle, high)
    return high
