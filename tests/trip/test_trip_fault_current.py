"""Short-circuit formulas against worked values (circuit theory, computed apart from this code) and a solver."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from harness.trip.fault_current import Loop, stored_energy

CASE = Loop(800.0, 10e-6, 0.02)  # time constant 500 us, 80 A/us
STIFF = Loop(800.0, 10e-6)


@pytest.mark.parametrize(
    ("microseconds", "current"),
    [
        *((1, 79.920053), (2, 159.680426), (5, 398.006650), (10, 792.053068), (50, 3806.503279)),
        (500, 25284.822353),
    ],
)
def test_worked_rise(microseconds: float, current: float) -> None:
    assert CASE.current(microseconds * 1e-6) == pytest.approx(current, abs=5e-7)
    assert CASE.time_to(current) == pytest.approx(microseconds * 1e-6, rel=1e-8)


def test_worked_let_through() -> None:
    assert CASE.time_to(600.0) == pytest.approx(7.556819e-6, abs=5e-13)
    assert CASE.let_through(600.0, 1.5e-6) == pytest.approx(718.022877, abs=5e-7)
    assert STIFF.time_to(600.0) == pytest.approx(7.5e-6)
    assert STIFF.let_through(600.0, 1.5e-6) == pytest.approx(720.0)
    assert CASE.time_to(1000.0) == pytest.approx(12.658904e-6, abs=5e-13)
    assert CASE.let_through(1000.0, 2e-6) == pytest.approx(1155.688416, abs=5e-7)
    assert STIFF.let_through(1000.0, 2e-6) == pytest.approx(1160.0)


def test_worked_clamp() -> None:
    assert stored_energy(10e-6, 1000.0) == pytest.approx(5.0)
    assert STIFF.clamp_energy(1000.0, 1200.0) == pytest.approx(15.0)
    assert STIFF.source_energy(1000.0, 1200.0) == pytest.approx(10.0)
    assert STIFF.fall_time(1000.0, 1200.0) == pytest.approx(25e-6)
    assert STIFF.let_through_i2t(600.0, 1.5e-6, 1200.0) == pytest.approx(4.6656)


def test_a_clamp_below_the_source_ends_nothing() -> None:
    with pytest.raises(ValueError, match="does not end a current"):
        CASE.fall_time(100.0, 800.0)


def test_a_current_that_the_loop_does_not_carry() -> None:
    assert Loop(800.0, 1e-5, 8.0).time_to(100.0) is None
    assert Loop(800.0, 1e-5, 8.0).let_through(100.0, 1e-6) is None
    assert Loop(800.0, 1e-5, 8.0).let_through_i2t(100.0, 1e-6, 1200.0) is None
    assert CASE.time_to(50.0, 60.0) == 0.0


@pytest.mark.parametrize("wrong", [(0.0, 1e-6, 0.0), (1.0, 0.0, 0.0), (1.0, 1e-6, -1.0), (math.nan, 1e-6, 0.0)])
def test_a_loop_that_cannot_be(wrong: tuple[float, float, float]) -> None:
    with pytest.raises(ValueError, match="want a voltage"):
        Loop(*wrong)


@settings(max_examples=40, deadline=None)
@given(st.floats(100, 1000), st.floats(1e-6, 1e-4), st.floats(1e-3, 0.5), st.floats(0, 100), st.floats(1.1, 3.0))
def test_rise_and_fall_agree_with_a_solver(v: float, henry: float, ohm: float, start: float, ratio: float) -> None:
    loop, clamp = Loop(v, henry, ohm), ratio * v
    seconds = 0.7 * loop.time_constant

    def slope(drive: float) -> object:
        return lambda _t, y: [(drive - ohm * y[0]) / henry, y[0] ** 2, y[0]]

    def solved(drive: float, y0: float, end: float) -> np.ndarray:
        run = solve_ivp(slope(drive), (0.0, end), [y0, 0.0, 0.0], "DOP853", rtol=1e-11, atol=1e-12)
        return np.asarray(run.y[:, -1])

    up = solved(v, start, seconds)
    peak = loop.current(seconds, start)
    assert peak == pytest.approx(up[0], rel=1e-8)
    assert loop.rise_i2t(seconds, start) == pytest.approx(up[1], rel=1e-7)
    down = solved(v - clamp, peak, loop.fall_time(peak, clamp))
    assert down[0] == pytest.approx(0.0, abs=1e-7 * abs(peak) + 1e-9)
    assert loop.fall_i2t(peak, clamp) == pytest.approx(down[1], rel=1e-6)
    assert loop.clamp_energy(peak, clamp) == pytest.approx(clamp * down[2], rel=1e-6)


def test_a_small_resistance_comes_to_the_straight_lines() -> None:
    nearly = Loop(800.0, 10e-6, 1e-6)

    assert nearly.rise_i2t(9e-6) == pytest.approx(STIFF.rise_i2t(9e-6), rel=1e-4)
    assert nearly.clamp_energy(1000.0, 1200.0) == pytest.approx(15.0, rel=1e-4)
