"""Other laws of the on-resistance as rows of points, against worked tangencies and a numerical solver."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from harness.trip.junction import JunctionModel
from harness.trip.on_resistance import lines
from harness.trip.trace import Segments

N3 = ((0.02, 1e-3), (0.05, 20e-3), (0.13, 0.5))
AMBIENT, OHM = 85.0, 5e-3


def exponential(celsius: float) -> float:
    return math.exp(0.005 * (celsius - 25.0))


def square(celsius: float) -> float:
    return ((celsius + 273.15) / 298.15) ** 2


def model(
    law: Callable[[float], float], limit: float, step: float = 0.25, hottest: float = 600.0, **other: float
) -> JunctionModel:
    count = round((hottest + 50) / step)
    points = tuple((-50 + step * k, law(-50 + step * k)) for k in range(count + 1))
    return JunctionModel(limit, AMBIENT, N3, OHM, 0.0, points=points, **other)  # type: ignore[arg-type]


# Worked apart from this code: steady states and the tangency beyond which there is none, 0.2 K/W above 85 degC.
@pytest.mark.parametrize(
    ("law", "current", "steady"), [(exponential, 200.0, 165.922506), (exponential, 220.0, 202.660201)]
)
def test_worked_steady_states(law: Callable[[float], float], current: float, steady: float) -> None:
    found = model(law, 500.0)
    assert found.steady_state(current) == pytest.approx(steady, abs=1e-4)
    assert found.temperature_after(Segments.constant(current, 60.0), 0.0) == pytest.approx(steady, abs=1e-4)


@pytest.mark.parametrize(("law", "runaway"), [(exponential, 233.465969), (square, 249.099204)])
def test_worked_tangencies(law: Callable[[float], float], runaway: float) -> None:
    found = model(law, 550.0, step=1.0)
    assert found.runaway_current == pytest.approx(runaway, rel=1e-6)
    assert found.pickup == pytest.approx(runaway, rel=1e-6)  # the limit lies beyond the tangency
    assert math.isfinite(found.steady_state(runaway * 0.9999))
    assert found.steady_state(runaway * 1.0001) == math.inf
    times = found.operate_times(np.array([runaway * 0.9999, runaway * 1.0001]), 0.0)
    assert times[0] == math.inf
    assert math.isfinite(times[1])


def test_worked_ratio() -> None:
    assert square(150.0) == pytest.approx(2.014276, abs=5e-7)


def test_two_points_are_the_coefficient() -> None:
    one = JunctionModel(150.0, AMBIENT, N3, OHM, 0.005)
    two = JunctionModel(150.0, AMBIENT, N3, OHM, 0.0, points=((25.0, 1.0), (100.0, 1.375)))
    many = JunctionModel(
        150.0, AMBIENT, N3, OHM, 0.0, points=tuple((t, 1 + 0.005 * (t - 25)) for t in range(0, 200, 5))
    )
    currents = np.array([150.0, 200.0 * (1 + 1e-9), 210.0, 300.0, 2000.0])
    for each in (two, many):
        assert each.operate_times(currents, 0.3) == pytest.approx(one.operate_times(currents, 0.3), rel=1e-6)
        assert each.pickup == pytest.approx(one.pickup)
        assert each.runaway_current == pytest.approx(one.runaway_current)


def solved(law: Callable[[float], float], record: Segments, limit: float) -> tuple[float | None, float]:
    """First instant at the limit and temperature at the end, by a stiff solver and the law itself."""
    r, tau = np.array(N3).T
    theta, began, due = np.zeros(len(r)), 0.0, None
    for duration, current in zip(record.durations.tolist(), record.currents.tolist(), strict=True):

        def slope(_t: float, y: np.ndarray, current: float = current) -> np.ndarray:
            return np.asarray((r * current**2 * OHM * law(min(AMBIENT + y.sum(), 900.0)) - y) / tau)

        def over(_t: float, y: np.ndarray) -> float:
            return float(AMBIENT + y.sum() - limit)

        over.direction = 1  # type: ignore[attr-defined]
        way = solve_ivp(slope, (0, duration), theta, "LSODA", rtol=1e-9, atol=1e-9, events=over)
        if due is None and len(way.t_events[0]):
            due = began + float(way.t_events[0][0])
        theta, began = way.y[:, -1], began + duration
    return due, AMBIENT + float(theta.sum())


records = st.lists(st.tuples(st.floats(1e-3, 0.3), st.floats(0.0, 300.0)), min_size=1, max_size=4).map(
    lambda parts: Segments(np.array([p[0] for p in parts]), np.array([p[1] for p in parts]))
)


@settings(max_examples=20, deadline=None)
@given(records)
def test_a_varying_current_against_a_solver(record: Segments) -> None:
    found = model(exponential, 150.0, step=1.0, hottest=300.0)
    due, end = solved(exponential, record, 150.0)
    time = found.operate_time(record, 0.0)
    assert (time is None) == (due is None) or abs(end - 150.0) < 0.01
    if time is not None and due is not None:
        assert time == pytest.approx(due, rel=1e-4)
    if end < 290.0:
        assert found.temperature_after(record, 0.0) == pytest.approx(end, abs=2e-3)


@pytest.mark.parametrize("law", [exponential, square])
def test_lasting_currents_against_a_solver(law: Callable[[float], float]) -> None:
    currents = [210.0, 260.0, 500.0, 2000.0]
    times = model(law, 175.0).operate_times(np.array(currents), 0.0)
    for current, time in zip(currents, times.tolist(), strict=True):
        due, _ = solved(law, Segments.constant(current, 20.0 if current < 300 else 0.2), 175.0)
        assert (due if due is not None else math.inf) == pytest.approx(time, rel=1e-5)


def test_clocks_that_differ_bound_one_that_does_not() -> None:
    record = Segments(np.array([0.1, 0.05, 0.2, 0.3]), np.array([250.0, 0.0, 230.0, 180.0]))
    plain = model(exponential, 400.0, step=5.0)
    first, last = plain.paced(1.02, 0.98), plain.paced(0.98, 1.02)
    assert (
        last.temperature_after(record, 0.0)
        < plain.temperature_after(record, 0.0)
        < first.temperature_after(record, 0.0)
    )


@pytest.mark.parametrize("points", [((25.0, 1.0),), ((25.0, 1.0), (25.0, 2.0)), ((25.0, 1.0), (60.0, 0.9))])
def test_a_law_that_is_none(points: tuple[tuple[float, float], ...]) -> None:
    with pytest.raises(ValueError, match="normalised resistance"):
        lines(0.0, points)
