"""A Foster network that is heated by P = p0 (1 + a (T - 25 degC)): the closed loop, solved by its eigenvalues.

Stage i: d(theta_i)/dt = kappa_i (R_i P - theta_i), T = ambient + sum of theta. While the current is constant this is
linear. With s_i = sqrt(R_i kappa_i) and theta = s x it becomes symmetric, p0 a s s' - diag(kappa), so that eigenvalues
are real and the decomposition is well conditioned. The largest one is above 0 exactly where the loop gain
g = p0 a sum(R) is above 1: the temperature runs away.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.trip.exponentials import Term
from harness.trip.trace import FloatArray

Matrices = NDArray[np.float64]
"""Rows (one a current) of vectors or of matrices."""
_REFERENCE = 25.0  # degC at which the on-resistance is given


@dataclass(frozen=True, eq=False)
class Modes:
    """The closed loop at each of K powers, N stages: eigenvalues (K, N) and the way in and out of their co-ordinates."""

    rates: Matrices  # 1/s, rising order
    vectors: Matrices  # K, N, N
    scale: Matrices  # s of each stage: theta = scale * x
    outputs: Matrices  # weight of each co-ordinate in the sum of theta
    power: FloatArray  # W at theta = 0

    def slopes(self, theta: Matrices) -> Matrices:
        """Coefficients of dT/dt = sum of slope_k exp(rate_k t), from the state ``theta`` (one for all or a row each)."""
        return self.outputs * self._drives(theta)

    def stage_slopes(self, theta: Matrices) -> Matrices:
        """Coefficients of d(theta_i)/dt, K x stage x exponential."""
        return self.scale[:, :, None] * self.vectors * self._drives(theta)[:, None, :]

    def terms(self, theta: Matrices) -> list[Term]:
        """slopes() of the first row, as terms."""
        return list(zip(self.slopes(theta)[0].tolist(), self.rates[0].tolist(), strict=True))

    def steps(self, durations: FloatArray) -> tuple[Matrices, Matrices]:
        """Matrix M and vector v of each row, so that theta becomes M theta + v after its duration."""
        t = durations[:, None]
        into = self.vectors.transpose(0, 2, 1) / self.scale[:, None, :]
        out = self.scale[:, :, None] * self.vectors
        grown = _phi(self.rates, t)
        m = np.einsum("kij,kj,kjl->kil", out, np.exp(self.rates * t), into)
        return m, np.einsum("kij,kj->ki", out, grown * self.outputs * self.power[:, None])

    def _drives(self, theta: Matrices) -> Matrices:
        """d(co-ordinate)/dt at the start."""
        x = np.einsum("kij,ki->kj", self.vectors, np.broadcast_to(theta / self.scale, self.scale.shape))
        return self.rates * x + self.outputs * self.power[:, None]


def _phi(rates: Matrices, t: Matrices) -> Matrices:
    """Integral of exp(rate t) from 0 to t."""
    still = rates == 0
    with np.errstate(over="ignore"):
        return np.where(still, t, np.expm1(rates * t) / np.where(still, 1.0, rates))


def modes(
    resistances: FloatArray, kappa: Matrices, power: FloatArray, coefficient: float, ambient: float
) -> Modes:
    """The closed loop at each ``power`` (W at 25 degC); ``kappa`` is the rate of each stage, 1/s, a row each."""
    kappa = np.broadcast_to(kappa, (len(power), len(resistances)))
    scale = np.sqrt(resistances * kappa)
    loop = (power * coefficient)[:, None, None] * scale[:, :, None] * scale[:, None, :]
    loop[:, np.arange(len(resistances)), np.arange(len(resistances))] -= kappa
    rates, vectors = np.linalg.eigh(loop)
    outputs = np.einsum("kij,ki->kj", vectors, scale)
    return Modes(rates, vectors, scale, outputs, power * (1 + coefficient * (ambient - _REFERENCE)))


def temperatures(found: Modes, start: float, theta: Matrices, t: FloatArray) -> FloatArray:
    """Temperature of each row at its ``t``, with ``start`` at 0."""
    with np.errstate(over="ignore"):
        return start + (found.slopes(theta) * _phi(found.rates, t[:, None])).sum(axis=1)
