"""Junction temperature in closed form: heat-sink temperature plus a Foster network fed with (I / switches)² R(T).

R(T) is a straight line, or several (harness.trip.on_resistance), so each piece of constant current is solved exactly
(harness.trip.foster). It is cut where the temperature goes from one line to the next, and, as a stage may heat and cool
by different clocks (see harness.trip.corner), where a stage turns from the one to the other.

A level is a share of the way from the heat sink to the limit. As a start it stands for equilibrium at a constant
current. After a current it stands for the equilibrium that bounds every stage: from above in the breaker that operates
first, from below in the one that operates last, so that a level carried on is never too narrow.
"""

from __future__ import annotations

import dataclasses
import math
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from itertools import islice

import numpy as np

from harness.trip.exponentials import first_rise
from harness.trip.foster import Matrices, Modes, Network, Piece, phi
from harness.trip.on_resistance import Line, lines
from harness.trip.trace import FloatArray, Segments

_BLOCK = 2048  # pieces whose eigenvalues are found at once
_ON = 1e-9  # K: so near to the end of a line it is on either
_DOUBLINGS, _HALVINGS = 80, 120  # from a nano-time-constant up, and as far down as floats go


@dataclass(frozen=True)
class JunctionModel:
    """An estimated junction temperature with its limit, as harness.trip.model.TripModel wants it.

    Raises ValueError for a network or resistance that is not positive, a resistance that falls with temperature (more
    current would then not always be sooner), and a heat sink at or above the limit. ``points`` (degC, share of the
    on-resistance) take the place of the coefficient.
    """

    limit: float  # degC
    ambient: float  # degC, heat sink
    network: tuple[tuple[float, float], ...]  # (R in K/W, tau in s)
    on_resistance: float  # ohm at 25 degC
    temperature_coefficient: float  # 1/K
    switches: int = 1
    sense: int = 0  # which bound a level after a current is: 1 from above, -1 from below, 0 the temperature itself
    pace: tuple[float, float] = (1.0, 1.0)  # clock while a stage heats, while it cools
    points: tuple[tuple[float, float], ...] = ()

    def __post_init__(self) -> None:
        stages = (value for stage in self.network for value in stage)
        positive = [self.on_resistance, self.switches, *self.pace, *stages]
        if not self.network or not all(value > 0 and math.isfinite(value) for value in positive):
            raise ValueError("junction temperature: want a network and resistances above 0")
        if not self.temperature_coefficient >= 0:
            raise ValueError(f"junction temperature: coefficient {self.temperature_coefficient}, want 0 or more")
        if not self.ambient < self.limit:
            raise ValueError(f"heat sink at {self.ambient:.4g} degC: at or above the limit of {self.limit:.4g} degC")
        if not self._lines[self._line_at(self.ambient)].at(self.ambient) > 0:
            raise ValueError(f"heat sink at {self.ambient:.4g} degC: the on-resistance would not be above 0")

    # The loop as a whole

    @property
    def pickup(self) -> float:
        """A: the current whose steady state is the limit, or which no temperature on the way there is steady at."""
        return max(self._steady_current(temperature) for temperature in (*self._corners(self.limit), self.limit))

    @property
    def runaway_current(self) -> float:
        """A: at and above it the loop gain is 1 or more wherever the temperature comes; inf: none is that high."""
        last = self._lines[-1].slope * self._power(1.0) * self._network.resistance
        at_last = 1 / math.sqrt(last) if last > 0 else math.inf
        return max([at_last, *(self._steady_current(temperature) for temperature in self._corners(math.inf))])

    def loop_gain(self, current: float) -> float:
        """Rise of temperature by the power that a rise of 1 K adds, on a cold junction. 1 or more: thermal runaway."""
        return self._gain(current, self._lines[self._line_at(self.ambient)])

    def steady_state(self, current: float) -> float:
        """Temperature in degC that a lasting current leads to from the heat sink's; inf: runaway."""
        for line in self._lines[self._line_at(self.ambient) :]:
            gain = self._gain(current, line)
            if gain < 1:
                heat = self._power(current) * line.at(self.ambient) * self._network.resistance
                if (steady := self.ambient + heat / (1 - gain)) <= line.end:
                    return steady
        return math.inf

    def temperature_after(self, current: Segments, level: float) -> float:
        """Junction temperature in degC at the end of ``current``."""
        return self.ambient + float(self._state_after(current, level).sum())

    # What a trip model answers

    def operate_times(self, currents: FloatArray, level: float) -> FloatArray:
        """Operate time for each lasting constant current; inf: never. From equilibrium every stage heats throughout."""
        times = np.full(currents.shape, 0.0 if level >= 1 else math.inf)
        above = np.flatnonzero(currents > self.pickup)
        if level < 1 and above.size:
            times[above] = self._rises(currents[above], level)
        return times

    def _rises(self, currents: FloatArray, level: float) -> FloatArray:
        """Time to the limit at each of ``currents``, line by line."""
        kappa = self._network.kappa(heating=True)[None, :]
        at, theta, times = self.ambient + level * self._span, self._equilibrium(level), np.zeros(currents.shape)
        for line in self._lines[self._line_at(at) :]:
            target = min(line.end, self.limit)
            found = self._network.modes(*self._driven(currents, line), kappa)
            rise = _rise(found, at - target, theta, self._ends(currents, line, target))
            times += rise
            if target == self.limit:
                break
            matrices, vectors = found.steps(rise)
            theta = np.einsum("kij,kj->ki", matrices, np.broadcast_to(theta, vectors.shape)) + vectors
            at = target
        return times

    def operate_time(self, current: Segments, level: float) -> float | None:
        """Operate time under a varying current, from its start; None: not within it."""
        if level >= 1:
            return 0.0
        began = 0.0
        pieces = self._pieces(current, level)
        while block := list(islice(pieces, _BLOCK)):
            durations = np.array([p.duration for p in block])
            heats, gains = np.array([p.heat for p in block]), np.array([p.gain for p in block])
            theta = np.array([p.theta for p in block])
            found = self._network.modes(heats, gains, np.array([p.kappa for p in block]))
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
        return Network(self.network, self.pace)

    @cached_property
    def _lines(self) -> tuple[Line, ...]:
        return lines(self.temperature_coefficient, self.points)

    def _line_at(self, temperature: float) -> int:
        """The line that a temperature which rises is on."""
        return next(number for number, line in enumerate(self._lines) if temperature < line.end)

    def _corners(self, below: float) -> list[float]:
        """Temperatures between the heat sink's and ``below`` at which one line ends and the next begins."""
        return [line.begin for line in self._lines if self.ambient < line.begin < below]

    @property
    def _span(self) -> float:
        return self.limit - self.ambient

    def _power(self, current: float) -> float:
        """W of one switch at 25 degC."""
        return (current / self.switches) ** 2 * self.on_resistance

    def _gain(self, current: float, line: Line) -> float:
        return self._power(current) * line.slope * self._network.resistance

    def _driven(self, currents: FloatArray, line: Line) -> tuple[FloatArray, FloatArray]:
        """Heat at the heat sink's temperature in W, and gain in W/K, of each current on ``line``."""
        power = (currents / self.switches) ** 2 * self.on_resistance
        return power * line.at(self.ambient), power * line.slope

    def _steady_current(self, temperature: float) -> float:
        """The current whose power keeps a junction at ``temperature``, above that of the heat sink."""
        share = next(line for line in self._lines if temperature <= line.end).at(temperature)
        heat = self._network.resistance * self.on_resistance * share
        return self.switches * math.sqrt((temperature - self.ambient) / heat)

    def _ends(self, currents: FloatArray, line: Line, target: float) -> FloatArray:
        """Steady state minus ``target`` in K, exact to the last digits near pickup; inf for runaway."""
        steady = self._steady_current(target)
        gain = self._driven(currents, line)[1] * self._network.resistance
        above = (target - self.ambient) * ((currents - steady) / steady) * ((currents + steady) / steady)
        return np.where(gain < 1, above / np.where(gain < 1, 1 - gain, 1.0), math.inf)

    def _equilibrium(self, level: float) -> Matrices:
        return self._network.resistances * (level * self._span / self._network.resistance)

    def _pieces(self, current: Segments, level: float) -> Iterator[Piece]:
        """The current in pieces in which no stage turns and the resistance stays on one line."""
        theta = self._equilibrium(level)
        if len(self._lines) == 1:
            yield from self._network.pieces(*self._driven(current.currents, self._lines[0]), current.durations, theta)
            return
        for amperes, left in zip(current.currents, current.durations.tolist(), strict=True):
            while left > 0:
                piece = self._next_piece(float(amperes), left, theta)
                yield piece
                theta, left = self._network.after(piece), left - piece.duration

    def _next_piece(self, current: float, left: float, theta: Matrices) -> Piece:
        """The first piece of ``current`` from ``theta`` on, up to where it leaves the line that it begins on."""
        at, power = self.ambient + float(theta.sum()), self._power(current)
        heat = power * self._lines[self._line_at(at)].at(at)
        rising = float((self._network.kappa(heating=True) * (self._network.resistances * heat - theta)).sum()) >= 0
        line = self._lines[self._line_at(at + (_ON if rising else -_ON))]
        driven = np.array([power * line.at(self.ambient)]), np.array([power * line.slope])
        piece = next(self._network.pieces(*driven, np.array([left]), theta))
        found = self._network.modes_of(piece)
        slopes = list(zip(found.slopes(theta)[0].tolist(), found.rates[0].tolist(), strict=True))
        falls = [(-slope, rate) for slope, rate in slopes]
        leaves = [
            first_rise(min(at - line.end, -_ON), slopes, piece.duration),
            first_rise(min(line.begin - at, -_ON), falls, piece.duration),
        ]
        return piece._replace(duration=min((leave for leave in leaves if leave is not None), default=piece.duration))

    def _state_after(self, current: Segments, level: float) -> Matrices:
        last = deque(self._pieces(current, level), maxlen=1)
        return self._network.after(last[0]) if last else self._equilibrium(level)


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
