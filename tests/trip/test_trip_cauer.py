"""A Foster network against the ladder of real layers (Cauer) that it is equivalent to, solved by scipy.

Table: invented network of three stages; its ladder by Euclid's division of the transfer function, solved by scipy's
solve_ivp (Radau), agreement 4e-10 K.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.polynomial import Polynomial
from scipy.linalg import expm

from harness.trip.junction import JunctionModel
from harness.trip.trace import Segments

NETWORK = ((0.02, 1e-3), (0.05, 20e-3), (0.13, 0.5))
CAPACITIES = [0.0439367311, 0.3537566460, 3.7931636981]  # J/K, junction first
RESISTANCES = [0.0257393399, 0.0554767575, 0.1187839026]  # K/W


def ladder(network: tuple[tuple[float, float], ...]) -> tuple[list[float], list[float]]:
    """Capacities and resistances of the ladder, by Euclid's division of its impedance; times in units of 10 ms."""
    unit = 1e-2
    top, bottom = Polynomial([0.0]), Polynomial([1.0])
    for r, tau in network:
        stage = Polynomial([1.0, tau / unit])
        top, bottom = top * stage + r * bottom, bottom * stage
    capacities, resistances = [], []
    for order in range(len(network), 0, -1):
        c = bottom.coef[order] / top.coef[order - 1]
        bottom = Polynomial((bottom - Polynomial([0.0, c]) * top).coef[:order])
        r = top.coef[order - 1] / bottom.coef[order - 1]
        top = Polynomial((top - r * bottom).coef[: max(order - 1, 1)])
        capacities.append(float(c) * unit)
        resistances.append(float(r))
    return capacities, resistances


def nodes(capacities: list[float], resistances: list[float], power: float, seconds: float) -> np.ndarray:
    """Rise of each node above the heat sink in K, by the exponential of the ladder's matrix."""
    count = len(capacities)
    loop = np.zeros((count + 1, count + 1))
    for k, (c, r) in enumerate(zip(capacities, resistances, strict=True)):
        loop[k, k] -= 1 / (r * c)
        if k + 1 < count:
            loop[k, k + 1] += 1 / (r * c)
            loop[k + 1, k] += 1 / (r * capacities[k + 1])
            loop[k + 1, k + 1] -= 1 / (r * capacities[k + 1])
    loop[0, count] = power / capacities[0]
    return np.asarray(expm(loop * seconds)[:count, count])


def rise(network: tuple[tuple[float, float], ...], power: float, seconds: float) -> float:
    """Of the junction, in K, at a power that does not depend on temperature (1 ohm)."""
    model = JunctionModel(1e6, 0.0, network, 1.0, 0.0)
    return model.temperature_after(Segments.constant(power**0.5, seconds), 0.0)


def test_the_table_s_ladder() -> None:
    capacities, resistances = ladder(NETWORK)

    assert capacities == pytest.approx(CAPACITIES, rel=1e-9)
    assert resistances == pytest.approx(RESISTANCES, rel=1e-9)
    assert nodes(CAPACITIES, RESISTANCES, 400.0, 10.0) == pytest.approx([80.0, 69.704264, 47.513561], abs=1e-6)


@pytest.mark.parametrize("seconds", [1e-4, 1e-3, 1e-2, 0.1, 1.0, 10.0])
def test_the_junction_is_the_ladder_s_first_node(seconds: float) -> None:
    found = rise(NETWORK, 400.0, seconds)

    assert found == pytest.approx(nodes(CAPACITIES, RESISTANCES, 400.0, seconds)[0], abs=1e-6)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.floats(0.01, 0.5), min_size=2, max_size=4),
    st.lists(st.floats(3.0, 30.0), min_size=4, max_size=4),
    st.floats(1e-4, 5.0),
)
def test_any_network_and_its_ladder(resistances: list[float], ratios: list[float], seconds: float) -> None:
    taus = 1e-3 * np.cumprod([1.0, *ratios])
    network = tuple(zip(resistances, taus.tolist(), strict=False))
    expected = nodes(*ladder(network), 400.0, seconds)[0]

    assert rise(network, 400.0, seconds) == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize(
    ("current", "factor", "ms"),
    [(500.0, 1.3, 18.896980), (500.0, 1.0, 37.942379), (2000.0, 1.3, 0.1632608), (2000.0, 1.0, 0.2171394)],
)
def test_times_with_the_power_frozen(current: float, factor: float, ms: float) -> None:
    # Table: 5 mohm at 25 degC, 0.005 1/K, heat sink 85 degC, to 175 degC; frozen at 85 degC (1.3 times) and at 25 degC.
    model = JunctionModel(175.0, 85.0, NETWORK, 5e-3 * factor, 0.0)

    assert model.operate_times(np.array([current]), 0.0)[0] * 1e3 == pytest.approx(ms, rel=1e-6)
