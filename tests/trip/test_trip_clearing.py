"""What a good breaker may let through: closed forms at one point, and every corner inside the limits."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from harness.files.profile import load_device, shipped_device
from harness.trip.clearing import FIGURES, Fault, clearing_limits, uncertain_limits
from harness.trip.fault_current import Loop
from harness.trip.loop import MeasuredLoop
from harness.trip.waveform import Value
from protocol.device import Device
from protocol.protection import Declared, Instantaneous, Parameter

HEATER = load_device(shipped_device("heater"))


def comparator(response: tuple[float, float], gain: float = 0.0, offset: float = 0.0) -> Instantaneous:
    return Instantaneous(
        name="fast",
        cause="short_circuit",
        priority=1,
        declared=Declared(gain, offset, 0.0, response),
        threshold=Parameter(None, 600.0),
        blanking=3e-6,
        response=response,
    )


def device(clamp: tuple[float, float] | None, on_resistance: float = 0.0) -> Device:
    return replace(HEATER, ratings=replace(HEATER.ratings, clamp=clamp, on_resistance=on_resistance))


def test_without_errors_both_limits_are_the_published_shot() -> None:
    # 800 V, 20 mohm, 10 uH, threshold 600 A, response 1.5 us: reached after 7.556819 us, let-through 718.022877 A.
    fault = Fault((800.0, 800.0), 10e-6, 20e-3)
    limits = clearing_limits(comparator((1.5e-6, 1.5e-6)), device((1200.0, 1200.0)), {}, None, fault, 1e-9)

    peak = limits["let-through peak"]
    assert (peak.low, peak.high) == (pytest.approx(718.022877, abs=1e-6),) * 2
    fall = Loop(800.0, 10e-6, 20e-3).fall_time(718.022877, 1200.0)
    assert limits["clearing time"].high == pytest.approx(7.556819e-6 + 1.5e-6 + fall, abs=1e-12)


def test_the_inductive_limit_gives_the_triangle() -> None:
    # 0 -> 720 A in 9 us -> 0 in 18 us at 1200 V: 4.6656 A2s; energy in the clamp 1/2 L I2 Vc/(Vc - V).
    fault = Fault((800.0, 800.0), 10e-6, 0.0)
    limits = clearing_limits(comparator((1.5e-6, 1.5e-6)), device((1200.0, 1200.0)), {}, None, fault, 1e-9)

    assert limits["let-through peak"].high == pytest.approx(720.0, rel=1e-6)
    assert limits["let-through I2t"].high == pytest.approx(4.6656, rel=1e-6)
    assert limits["clamp energy"].high == pytest.approx(0.5 * 10e-6 * 720**2 * 3, rel=1e-6)


def test_closed_onto_the_fault_the_blanking_counts_where_it_is_longer() -> None:
    fault = Fault((800.0, 800.0), 1e-6, 0.0)  # 800 A/us: there within the blanking
    function = comparator((1e-6, 1e-6))
    peaks = [
        clearing_limits(function, device((1200.0, 1200.0)), {}, None, fault, 1.0, closing)["let-through peak"].high
        for closing in (False, True)
    ]

    assert peaks == [pytest.approx(600 + 800), pytest.approx(800 * 4)]


def test_every_breaker_inside_its_accuracies_is_inside_the_limits() -> None:
    function, breaker = comparator((0.3e-6, 1.5e-6), 0.02, 1.0), device((930.0, 1030.0), 20e-3)
    limits = clearing_limits(function, breaker, {}, None, Fault((400.0, 399.0), 20e-6, 20e-3), 290.0)
    random = np.random.default_rng(7)
    for share in random.uniform(0, 1, (300, 5)):
        loop = Loop(399 + share[0], 20e-6, 20e-3 + 40e-3 * share[1])
        threshold = 600 + (2 * share[2] - 1) * (0.02 * 600 + 1) * 0.98
        clamp = 930 + 100 * share[3]
        seconds = (loop.time_to(threshold) or 0.0) + 0.3e-6 + 1.2e-6 * share[4]
        peak = loop.current(seconds)
        found = (
            peak,
            loop.rise_i2t(seconds) + loop.fall_i2t(peak, clamp),
            seconds - (loop.time_to(290.0) or 0.0) + loop.fall_time(peak, clamp),
            clamp,
            loop.clamp_energy(peak, clamp),
        )
        for name, value in zip(FIGURES, found, strict=True):
            assert limits[name].low <= value <= limits[name].high, name


def test_what_the_loop_is_not_known_by_is_in_the_uncertainty() -> None:
    function, breaker = comparator((1.5e-6, 1.5e-6)), device((1200.0, 1200.0))
    loop = MeasuredLoop(Value(10e-6, 0.1e-6), Value(1e-9, 0.0))
    limits = uncertain_limits(function, breaker, {}, None, (800.0, 800.0), 8.0, loop, 1.0)

    # 600 A + V/L * 1.5 us: 120 A that move with 1 % of V and 1 % of L.
    assert limits["let-through peak"].uncertainty == pytest.approx(1.2 * np.sqrt(2), rel=0.02)


def test_without_a_clamp_or_without_the_current_nothing_is_told() -> None:
    function = comparator((1e-6, 1e-6))
    with pytest.raises(ValueError, match="declares no clamp"):
        clearing_limits(function, device(None), {}, None, Fault((800.0, 800.0), 10e-6, 20e-3), 1.0)
    with pytest.raises(ValueError, match="no more than"):
        clearing_limits(function, device((930.0, 1030.0)), {}, None, Fault((5.0, 5.0), 10e-6, 20e-3), 1.0)
