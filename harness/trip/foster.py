"""A Foster network that is heated by P = heat + gain * sum of theta: the closed loop, solved by its eigenvalues.

Stage i: d(theta_i)/dt = kappa_i (R_i P - theta_i). While the current is constant and the on-resistance a straight line
over temperature, this is linear. With s_i = sqrt(R_i kappa_i) and theta = s x it becomes symmetric,
gain s s' - diag(kappa), so that eigenvalues are real and the decomposition is well conditioned. The largest one is
above 0 exactly where the loop gain, gain * sum(R), is above 1: the temperature runs away.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from harness.trip.exponentials import zeros
from harness.trip.trace import FloatArray

Matrices = NDArray[np.float64]
"""Rows (one a current) of vectors or of matrices."""
_TURN = 1e-6  # of a piece: turns nearer to its start are those that it was cut at
_MOST = 300.0  # exponent; a temperature that has run away is not told apart from one that runs further
_HOTTEST = 1e12  # K of one stage, for the same reason; every later power starts from no more
_BLOCK = 2048  # pieces whose eigenvalues are found at once


class Piece(NamedTuple):
    """A constant current while no stage turns."""

    duration: float  # s
    heat: float  # W at theta = 0
    gain: float  # W/K
    kappa: Matrices  # 1/s, rate of each stage
    theta: Matrices  # K, state at the start


@dataclass(frozen=True, eq=False)
class Modes:
    """The closed loop at each of K powers, N stages, in the co-ordinates of its eigenvectors."""

    rates: Matrices  # 1/s, rising order
    vectors: Matrices  # K, N, N
    scale: Matrices  # s of each stage: theta = scale * x
    outputs: Matrices  # weight of each co-ordinate in the sum of theta
    heat: FloatArray  # W at theta = 0

    def slopes(self, theta: Matrices) -> Matrices:
        """Coefficients of dT/dt = sum of slope_k exp(rate_k t), from ``theta`` (one for all or a row each)."""
        return np.asarray(self.outputs * self._drives(theta))

    def stage_slopes(self, theta: Matrices) -> Matrices:
        """Coefficients of d(theta_i)/dt, K x stage x exponential."""
        return np.asarray(self.scale[:, :, None] * self.vectors * self._drives(theta)[:, None, :])

    def steps(self, durations: FloatArray) -> tuple[Matrices, Matrices]:
        """Matrix M and vector v of each row, so that theta becomes M theta + v after its duration."""
        t = durations[:, None]
        into = self.vectors.transpose(0, 2, 1) / self.scale[:, None, :]
        out = self.scale[:, :, None] * self.vectors
        grown = phi(self.rates, t)
        m = np.einsum("kij,kj,kjl->kil", out, np.exp(np.minimum(self.rates * t, _MOST)), into)
        return m, np.einsum("kij,kj->ki", out, grown * self.outputs * self.heat[:, None])

    def _drives(self, theta: Matrices) -> Matrices:
        """d(co-ordinate)/dt at the start."""
        x = np.einsum("kij,ki->kj", self.vectors, np.broadcast_to(theta / self.scale, self.scale.shape))
        return np.asarray(self.rates * x + self.outputs * self.heat[:, None])


def phi(rates: Matrices, t: Matrices) -> Matrices:
    """Integral of exp(rate t) from 0 to t; beyond what a float holds, as much as it holds."""
    still = rates == 0
    return np.asarray(np.where(still, t, np.expm1(np.minimum(rates * t, _MOST)) / np.where(still, 1.0, rates)))


@dataclass(frozen=True)
class Network:
    """A Foster network in its loop, with a clock for stages that heat and another for stages that cool."""

    stages: tuple[tuple[float, float], ...]  # (R in K/W, tau in s)
    pace: tuple[float, float]  # 1, while a stage heats, while it cools

    @cached_property
    def resistances(self) -> FloatArray:
        """K/W of each stage."""
        return np.array([resistance for resistance, _ in self.stages])

    @cached_property
    def taus(self) -> FloatArray:
        """s of each stage."""
        return np.array([tau for _, tau in self.stages])

    @property
    def resistance(self) -> float:
        """K/W of the whole."""
        return math.fsum(resistance for resistance, _ in self.stages)

    def kappa(self, heating: NDArray[np.bool_] | bool) -> Matrices:
        """Rate of each stage in 1/s, by whether it heats."""
        return np.asarray(np.where(heating, *self.pace) / self.taus)

    def modes(self, heat: FloatArray, gain: FloatArray, kappa: Matrices) -> Modes:
        """The closed loop at each ``heat`` (W) and ``gain`` (W/K), stages at the rates ``kappa``."""
        kappa = np.broadcast_to(kappa, (len(heat), len(self.stages)))
        scale = np.sqrt(self.resistances * kappa)
        loop = gain[:, None, None] * scale[:, :, None] * scale[:, None, :]
        diagonal = np.arange(len(self.stages))
        loop[:, diagonal, diagonal] -= kappa
        rates, vectors = np.linalg.eigh(loop)
        return Modes(rates, vectors, scale, np.einsum("kij,ki->kj", vectors, scale), heat)

    def pieces(self, heats: FloatArray, gains: FloatArray, durations: FloatArray, theta: Matrices) -> Iterator[Piece]:
        """A varying current from the state ``theta``, in pieces in which no stage turns between heating and cooling.

        Two turns of one stage inside a piece shorter than the longest time constant go unseen. What makes a stage turn
        there is what others add to the power, and the clocks differ by per cents, so that this moves no temperature.
        """
        one_clock = self.pace[0] == self.pace[1]
        short = math.inf if one_clock else float(self.taus.max())
        heating = np.ones(len(theta), np.bool_)
        for first in range(0, len(heats), _BLOCK):
            block = slice(first, first + _BLOCK)
            steps = _Steps(self, heats[block], gains[block], durations[block])
            each = zip(heats[block].tolist(), gains[block].tolist(), durations[block].tolist(), strict=True)
            for index, (heat, gain, duration) in enumerate(each):
                if not one_clock:
                    heating = self._heats(heat, gain, theta)
                after = steps.after(index, heating, theta)
                if duration <= short and (one_clock or (self._heats(heat, gain, after) == heating).all()):
                    yield Piece(duration, heat, gain, self.kappa(heating), theta)
                    theta = after
                    continue
                for piece in self._turns(heat, gain, duration, heating, theta):
                    yield piece
                    theta = self.after(piece)

    def after(self, piece: Piece) -> Matrices:
        """The state at the end of ``piece``."""
        return _held(self._after(piece))

    def _after(self, piece: Piece) -> Matrices:
        found = self.modes_of(piece)
        matrix, vector = found.steps(np.array([piece.duration]))
        return np.asarray(matrix[0] @ piece.theta + vector[0])

    def modes_of(self, piece: Piece) -> Modes:
        """The closed loop of one piece."""
        return self.modes(np.array([piece.heat]), np.array([piece.gain]), piece.kappa[None, :])

    def _heats(self, heat: float, gain: float, theta: Matrices) -> NDArray[np.bool_]:
        return np.asarray(self.resistances * (heat + gain * float(theta.sum())) >= theta)

    def _turns(
        self, heat: float, gain: float, duration: float, heating: NDArray[np.bool_], theta: Matrices
    ) -> Iterator[Piece]:
        """One constant current, cut where a stage turns; the instant of a turn is a zero as well, and passed over."""
        shortest = _TURN * duration
        while duration > 0:
            kappa = self.kappa(heating)
            found = self.modes_of(Piece(duration, heat, gain, kappa, theta))
            rates = found.rates[0].tolist()
            turns = [
                (turn, stage)
                for stage, row in enumerate(found.stage_slopes(theta)[0].tolist())
                for turn in zeros(list(zip(row, rates, strict=True)), duration)[:1]
                if turn > shortest
            ]
            at, stage = min(turns, default=(duration, None))
            piece = Piece(at, heat, gain, kappa, theta)
            yield piece
            # Not held before the end of the current: clocks that turn elsewhere would then not compare.
            theta, duration = self._after(piece), duration - at
            if stage is None:
                return
            heating = heating ^ (np.arange(len(theta)) == stage)


class _Steps:
    """Steps of a block of pieces, worked out at once for each set of heating stages that comes up."""

    def __init__(self, network: Network, heats: FloatArray, gains: FloatArray, durations: FloatArray) -> None:
        self._network, self._heats, self._gains, self._durations = network, heats, gains, durations
        self._known: dict[bytes, tuple[Matrices, Matrices]] = {}

    def after(self, index: int, heating: NDArray[np.bool_], theta: Matrices) -> Matrices:
        """The state after piece ``index``."""
        key = heating.tobytes()
        if key not in self._known:
            found = self._network.modes(self._heats, self._gains, self._network.kappa(heating)[None, :])
            self._known[key] = found.steps(self._durations)
        matrices, vectors = self._known[key]
        return _held(matrices[index] @ theta + vectors[index])


def _held(theta: Matrices) -> Matrices:
    """``theta``, no stage beyond the hottest."""
    return np.minimum(theta, _HOTTEST)
