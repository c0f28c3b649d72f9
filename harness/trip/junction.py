"""Junction temperature in closed form: heat-sink temperature plus a Foster network fed with I² R(T) / switches.

R(T) is linear, so each piece of constant current is solved exactly (harness.trip.foster). A stage may heat and cool by
different clocks (see harness.trip.corner); a piece is then cut where a stage turns from the one to the other.

A level is a share of the way from the heat sink to the limit. As a start it stands for equilibrium at a constant
current. After a current it stands for the equilibrium that bounds every stage: from above in the breaker that operates
first, from below in the one that operates last, so that a level carried on is never too narrow.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from harness.trip.exponentials import first_rise, integral, zeros
from harness.trip.foster import Matrices, Modes, modes
from harness.trip.trace import FloatArray, Segments

_SHORT = 0.02  # of the shortest time constant: a turn inside a shorter piece moves no temperature by 1e-5 of its rise
_BLOCK = 2048  # pieces whose eigenvalues are found at once
_HALVINGS = 120

Piece = tuple[float, float, Matrices, Matrices]
"""Duration in s, power at 25 degC in W, rate of each stage in 1/s, state at the start in K."""


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
        positive = [self.on_resistance, self.switches, *self.pace, *(value for stage in self.network for value in stage)]
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
        heat = self._rth * self.on_resistance * (1 + self.temperature_coefficient * (self.limit - 25.0))
        return math.sqrt((self.limit - self.ambient) * self.switches / heat)

    @property
    def runaway_current(self) -> float:
        """A: at and above it the loop gain is 1 or more, and no temperature is steady; inf: none is that high."""
        gain = self.loop_gain(1.0)
        return 1 / math.sqrt(gain) if gain > 0 else math.inf

    def loop_gain(self, current: float) -> float:
        """Rise of temperature by the power that a rise of 1 K adds. 1 or more: thermal runaway."""
        return float(self._power(np.array([current]))[0]) * self.temperature_coefficient * self._rth

    def steady_state(self, current: float) -> float:
        """Temperature in degC that a lasting current leads to; inf: runaway."""
        gain = self.loop_gain(current)
        heat = float(self._power(np.array([current]))[0]) * self._cold_factor * self._rth
        return self.ambient + heat / (1 - gain) if gain < 1 else math.inf

    def temperature_after(self, current: Segments, level: float) -> float:
        """Junction temperature in degC at the end of ``current``."""
        return self.ambient + float(self._state_after(current, level).sum())

    # What a trip model answers

    def operate_times(self, currents: FloatArray, level: float) -> FloatArray:
        """Operate time for each lasting constant current; inf: never. Every stage runs one way, so it rises throughout."""
        times = np.full(currents.shape, 0.0 if level >= 1 else math.inf)
        above = np.flatnonzero(currents > self.pickup)
        if level >= 1 or not above.size:
            return times
        found = self._modes(self._power(currents[above]), self._kappa(heating=True))
        slopes, rates = found.slopes(self._equilibrium(level)), found.rates
        end = self._ends(currents[above])
        start = (level - 1) * self._span
        # Towards an end above the limit, where there is one: near pickup the sum from the start would keep no digit.
        settled = np.isfinite(end) & (rates.max(axis=1) < -0.1 * self._kappa(heating=True).min())

        def excess(t: FloatArray) -> FloatArray:
            grown, still = np.exp(np.minimum(rates * t[:, None], 700.0)), np.where(rates == 0, 1.0, rates)
            from_end = end + (slopes / still * grown).sum(axis=1)
            part = np.where(rates == 0, t[:, None], np.expm1(np.minimum(rates * t[:, None], 700.0)) / still)
            return np.where(settled, from_end, start + (slopes * part).sum(axis=1))

        high = np.full(above.shape, 1e-9 * min(tau for _, tau in self.network))
        while (short := excess(high) < 0).any():
            high = np.where(short, 2 * high, high)
        low = np.where(high > 0, 0.0, high)
        for _ in range(_HALVINGS):
            middle = (low + high) / 2
            reached = excess(middle) >= 0
            low, high = np.where(reached, low, middle), np.where(reached, middle, high)
        times[above] = high
        return times

    def operate_time(self, current: Segments, level: float) -> float | None:
        """Operate time under a varying current, from its start; None: not within it."""
        if level >= 1:
            return 0.0
        began = 0.0
        for block in _blocks(self._pieces(current, self._equilibrium(level))):
            durations = np.array([piece[0] for piece in block])
            theta = np.array([piece[3] for piece in block])
            found = self._modes(np.array([piece[1] for piece in block]), np.array([piece[2] for piece in block]))
            starts = theta.sum(axis=1) - self._span
            slopes = found.slopes(theta)
            begins = began + np.cumsum(durations) - durations
            for k in np.flatnonzero(_bound(starts, slopes, found.rates, durations) >= 0).tolist():
                terms = list(zip(slopes[k].tolist(), found.rates[k].tolist(), strict=True))
                into = first_rise(float(starts[k]), terms, float(durations[k]))
                if into is not None:
                    return float(begins[k]) + into
            began += float(durations.sum())
        return None

    def level_after(self, current: Segments, level: float) -> float:
        """The level at the end of ``current``: see the top of this module. It goes on past 1."""
        theta = self._state_after(current, level)
        if self.sense == 0:
            return float(theta.sum()) / self._span
        each = theta / self._resistances * self._rth / self._span
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

    # Stages

    @cached_property
    def _resistances(self) -> FloatArray:
        return np.array([resistance for resistance, _ in self.network])

    @cached_property
    def _taus(self) -> FloatArray:
        return np.array([tau for _, tau in self.network])

    @property
    def _rth(self) -> float:
        return math.fsum(resistance for resistance, _ in self.network)

    @property
    def _span(self) -> float:
        return self.limit - self.ambient

    @property
    def _cold_factor(self) -> float:
        return 1 + self.temperature_coefficient * (self.ambient - 25.0)

    def _power(self, currents: FloatArray) -> FloatArray:
        """W at 25 degC."""
        return currents**2 * (self.on_resistance / self.switches)

    def _ends(self, currents: FloatArray) -> FloatArray:
        """Steady state minus limit in K, exact to the last digits near pickup; inf for runaway."""
        pickup = self.pickup
        gain = self._power(currents) * (self.temperature_coefficient * self._rth)
        above = self._span * ((currents - pickup) / pickup) * ((currents + pickup) / pickup)
        return np.where(gain < 1, above / np.where(gain < 1, 1 - gain, 1.0), math.inf)

    def _equilibrium(self, level: float) -> Matrices:
        return self._resistances * (level * self._span / self._rth)

    def _kappa(self, heating: object) -> Matrices:
        """Rate of each stage, by whether it heats."""
        return np.where(heating, self.pace[0], self.pace[1]) / self._taus

    def _modes(self, power: FloatArray, kappa: Matrices) -> Modes:
        return modes(self._resistances, kappa, power, self.temperature_coefficient, self.ambient)

    def _state_after(self, current: Segments, level: float) -> Matrices:
        theta = self._equilibrium(level)
        last: Piece | None = None
        for last in self._pieces(current, theta):
            pass
        if last is None:
            return theta
        duration, power, kappa, theta = last
        matrix, vector = self._modes(np.array([power]), kappa[None, :]).steps(np.array([duration]))
        return np.asarray(matrix[0] @ theta + vector[0])

    def _pieces(self, current: Segments, theta: Matrices) -> Iterator[Piece]:
        """The current in pieces in which no stage turns, each with the state that it starts from."""
        one_clock = self.pace[0] == self.pace[1]
        short = math.inf if one_clock else _SHORT * float(self._taus.min())
        powers = self._power(current.currents)
        for first in range(0, len(powers), _BLOCK):
            block = slice(first, first + _BLOCK)
            steps = _Steps(self, powers[block], current.durations[block])
            for index, (power, duration) in enumerate(
                zip(powers[block].tolist(), current.durations[block].tolist(), strict=True)
            ):
                heating = np.ones(len(theta), np.bool_) if one_clock else self._heats(power, theta)
                if duration <= short:
                    yield duration, power, self._kappa(heating), theta
                    theta = steps.after(index, heating, theta)
                    continue
                for piece in self._turns(power, duration, heating, theta):
                    yield piece
                    theta = _after(self, piece)

    def _heats(self, power: float, theta: Matrices) -> Matrices:
        heat = power * (self._cold_factor + self.temperature_coefficient * float(theta.sum()))
        return np.asarray(self._resistances * heat >= theta)

    def _turns(self, power: float, duration: float, heating: Matrices, theta: Matrices) -> Iterator[Piece]:
        """One constant current, cut where a stage turns."""
        left = duration
        while left > 0:
            kappa = self._kappa(heating)
            found = self._modes(np.array([power]), kappa[None, :])
            slopes, rates = found.stage_slopes(theta)[0], found.rates[0].tolist()
            turns = [
                (turn[0], stage)
                for stage, row in enumerate(slopes.tolist())
                if (turn := zeros(list(zip(row, rates, strict=True)), left))
            ]
            piece: Piece = (min(turns)[0] if turns else left, power, kappa, theta)
            yield piece
            if not turns:
                return
            at, stage = min(turns)
            heating = heating.copy()
            heating[stage] = not heating[stage]
            theta, left = _after(self, piece), left - at
