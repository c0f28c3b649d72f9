"""Junction temperature against worked tables of an invented network, a numerical solver, and itself in small pieces."""

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from harness.trip.exponentials import first_rise, value, zeros
from harness.trip.junction import JunctionModel
from harness.trip.trace import Segments

N3 = ((0.02, 1e-3), (0.05, 20e-3), (0.13, 0.5))
INSTANTS = [1e-4, 1e-3, 1e-2, 0.1, 0.5, 1.0, 2.0, 5.0]


def n3(limit: float = 2000.0, coefficient: float = 0.005, ambient: float = 85.0) -> JunctionModel:
    return JunctionModel(limit, ambient, N3, 5e-3, coefficient)


# Worked with a matrix exponential and with a stiff solver (2e-8 K apart), not with this code: 5 mohm, 0.005 1/K.
@pytest.mark.parametrize(
    ("current", "temperatures", "steady"),
    [
        (200.0, [85.56708, 89.02768, 96.38658, 111.47639, 130.69952, 141.83229, 148.53727, 149.99160], 150.0),
        (400.0, [87.27596, 101.59336, 136.05402, 229.48793, 407.75855, 580.47080, 811.14231, 1064.90096], 1125.0),
    ],
)
def test_worked_feedback(current: float, temperatures: list[float], steady: float) -> None:
    found = [n3().temperature_after(Segments.constant(current, t), 0.0) for t in INSTANTS]

    assert found == pytest.approx(temperatures, abs=6e-6)
    assert n3().steady_state(current) == pytest.approx(steady)


@pytest.mark.parametrize(
    ("current", "limit", "due"),
    [
        (500.0, 150.0, 5.431979e-3),
        (500.0, 175.0, 10.549963e-3),
        (2000.0, 150.0, 102.1981e-6),
        (2000.0, 175.0, 137.9168e-6),
    ],
)
def test_worked_runaway(current: float, limit: float, due: float) -> None:
    assert n3(limit).operate_times(np.array([current]), 0.0)[0] == pytest.approx(due, rel=6e-7)
    assert n3(limit).operate_time(Segments.constant(current, 1.0), 0.0) == pytest.approx(due, rel=6e-7)


def test_loop_gain_1_is_runaway_and_is_said_so() -> None:
    assert n3().runaway_current == pytest.approx(447.213595, abs=5e-7)
    assert n3().loop_gain(500.0) == pytest.approx(1.25)
    assert n3().loop_gain(2000.0) == pytest.approx(20.0)
    assert n3().steady_state(448.0) == math.inf
    assert math.isfinite(n3().operate_times(np.array([448.0]), 0.0)[0])
    assert n3(coefficient=0.0).runaway_current == math.inf


def test_continuous_currents() -> None:
    assert n3(150.0).pickup == pytest.approx(200.0)
    assert n3(175.0).pickup == pytest.approx(226.778684, abs=5e-7)


# Worked apart from this code: the network alone, 400 W of constant power (no feedback), and 2 kW for 10 ms.
def test_worked_network_without_feedback() -> None:
    times = [1e-4, 1e-3, 1e-2, 0.1, 1.0, 10.0]
    rises = [0.871450, 6.136272, 16.898693, 37.291242, 72.962565, 80.0]
    cold = n3(coefficient=0.0)
    found = [cold.temperature_after(Segments.constant(math.sqrt(400 / 5e-3), t), 0.0) - 85 for t in times]
    assert found == pytest.approx(rises, abs=6e-7)

    pulse = [cold.temperature_after(Segments(np.array([0.01, t]), np.array([math.sqrt(2e3 / 5e-3), 0.0])), 0.0) - 85
             for t in (0.0, 0.01, 0.04, 0.19)]  # fmt: skip
    assert pulse == pytest.approx([84.493463, 28.913339, 10.077550, 3.523700], abs=6e-7)


@pytest.mark.parametrize("above", [1e-12, 1e-9, 1e-6])
def test_no_digit_is_lost_near_pickup(above: float) -> None:
    """A factor of 10 nearer to pickup takes ln(10)/|slowest eigenvalue| longer, whatever floats there are."""
    model = n3(150.0)
    near, nearer = model.operate_times(model.pickup * (1 + np.array([above, above / 10])), 0.0)
    # Slowest eigenvalue of N3 at 200 A, worked apart from this code: -1.719883 1/s.
    assert nearer - near == pytest.approx(math.log(10) / 1.719883, rel=2e-3 if above < 1e-11 else 1e-5)


def test_switches_share_the_power() -> None:
    four = JunctionModel(150.0, 85.0, N3, 5e-3, 0.005, switches=4)

    # Each carries a quarter, so that all four stand four times the 200 A of one.
    assert four.pickup == pytest.approx(800.0)
    assert four.runaway_current == pytest.approx(4 * 447.213595)


networks = st.lists(st.tuples(st.floats(0.01, 0.5), st.floats(1.5, 8.0)), min_size=1, max_size=4).map(
    lambda stages: tuple(
        (r, 1e-3 * math.prod(ratio for _, ratio in stages[: i + 1])) for i, (r, _) in enumerate(stages)
    )
)
records = st.lists(st.tuples(st.floats(1e-4, 0.3), st.floats(0.0, 400.0)), min_size=1, max_size=5).map(
    lambda parts: Segments(np.array([p[0] for p in parts]), np.array([p[1] for p in parts]))
)


def solved(model: JunctionModel, record: Segments) -> tuple[float | None, float]:
    """First instant at the limit and temperature at the end, by a stiff solver."""
    r, tau = np.array(model.network).T
    theta, began, due = np.zeros(len(r)), 0.0, None
    for duration, current in zip(record.durations.tolist(), record.currents.tolist(), strict=True):

        def slope(_t: float, y: np.ndarray, current: float = current) -> np.ndarray:
            t = model.ambient + y.sum()
            heat = current**2 * model.on_resistance / model.switches * (1 + model.temperature_coefficient * (t - 25))
            return np.asarray((r * heat - y) / tau)

        def over(_t: float, y: np.ndarray) -> float:
            return float(model.ambient + y.sum() - model.limit)

        over.direction = 1.0  # type: ignore[attr-defined]
        run = solve_ivp(
            slope, (0, duration), theta, "DOP853", events=over, rtol=1e-9, atol=1e-9, max_step=duration / 20
        )
        if due is None and run.t_events[0].size:
            due = began + float(run.t_events[0][0])
        theta, began = run.y[:, -1], began + duration
    return due, float(model.ambient + theta.sum())


@settings(max_examples=25, deadline=None)
@given(networks, records, st.floats(0.0, 0.008), st.floats(20.0, 80.0))
def test_random_networks_and_currents_agree_with_a_solver(
    network: tuple[tuple[float, float], ...], record: Segments, coefficient: float, ambient: float
) -> None:
    model = JunctionModel(150.0, ambient, network, 1e-3, coefficient)
    due, end = solved(model, record)
    found = model.operate_time(record, 0.0)

    assert model.temperature_after(record, 0.0) == pytest.approx(end, rel=1e-6)
    if due is not None and found is not None:
        assert found == pytest.approx(due, rel=1e-5)
    elif due is not None or found is not None:  # only where it just touches the limit
        touch = due if due is not None else found
        assert touch is not None
        assert model.temperature_after(record.first(touch), 0.0) == pytest.approx(150.0, abs=1e-4)


@settings(max_examples=25, deadline=None)
@given(networks, records, st.integers(2, 4))
def test_splitting_a_segment_changes_nothing(
    network: tuple[tuple[float, float], ...], record: Segments, n: int
) -> None:
    model = JunctionModel(150.0, 40.0, network, 1e-3, 0.005).paced(1.01, 0.99)
    split = Segments(np.repeat(record.durations / n, n), np.repeat(record.currents, n))

    assert model.temperature_after(split, 0.2) == pytest.approx(model.temperature_after(record, 0.2), rel=1e-7)


def test_a_start_is_an_equilibrium() -> None:
    # 100 A hold 85 + P Rth/(1 - g), g = 0.05: worked by hand, P(85) = 65 W, so 13/0.95 K.
    level = 13 / 0.95 / (150.0 - 85.0)

    assert n3(150.0).temperature_after(Segments.constant(100.0, 3.0), level) == pytest.approx(85 + 13 / 0.95)
    assert n3(150.0).level_after(Segments.constant(100.0, 0.01), level) == pytest.approx(level)


def test_condensing_a_record_moves_no_instant() -> None:
    rng = np.random.default_rng(1)
    current = np.where(np.arange(60_000) < 300, 0.0, 300.0) + rng.normal(0, 1, 60_000)
    record = Segments(np.full(60_000, 1e-5), current)
    condensed = record.condensed(5e-5)

    assert len(condensed.durations) < 3000
    assert condensed.duration_s == pytest.approx(record.duration_s)
    for limit in (150.0, 200.0):
        assert n3(limit).operate_time(condensed, 0.0) == pytest.approx(n3(limit).operate_time(record, 0.0), rel=2e-4)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ((150.0, 150.0, N3, 5e-3, 0.005), "at or above the limit"),
        ((150.0, 25.0, (), 5e-3, 0.005), "want a network"),
        ((150.0, 25.0, N3, 0.0, 0.005), "want a network"),
        ((150.0, 25.0, N3, 5e-3, -0.005), "coefficient -0.005"),
        ((150.0, -176.0, N3, 5e-3, 0.005), "would not be above 0"),
    ],
)
def test_junctions_that_cannot_be(arguments: tuple[object, ...], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        JunctionModel(*arguments)  # type: ignore[arg-type]


# Sums of exponentials


@settings(deadline=None)
@given(st.lists(st.tuples(st.floats(-5, 5), st.floats(-4, 2)), min_size=2, max_size=4), st.floats(0.5, 5.0))
def test_no_zero_is_missed(terms: list[tuple[float, float]], end: float) -> None:
    found = zeros(terms, end)
    grid = np.linspace(0, end, 400)
    signs = [value(terms, t) for t in grid]
    flips = [
        (a, b) for (a, x), (b, y) in pairwise(zip(grid, signs, strict=True)) if x * y < 0 and min(abs(x), abs(y)) > 1e-9
    ]

    for low, high in flips:
        assert any(low - 1e-9 <= t <= high + 1e-9 for t in found)


def test_first_rise_finds_a_short_peak() -> None:
    # 1 - e^-9t - (1 - e^-t) = e^-t - e^-9t has its peak of 0.675 at 0.2747 and is below 0.3 again at the end.
    slopes = [(9.0, -9.0), (-1.0, -1.0)]
    found = first_rise(-0.3, slopes, 5.0)
    assert found is not None

    assert math.exp(-found) - math.exp(-9 * found) == pytest.approx(0.3)
    assert found < 0.2747
    assert first_rise(-0.7, slopes, 5.0) is None
