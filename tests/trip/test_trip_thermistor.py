"""Thermistor formulas against published tables and worked values."""

import pytest

from harness.trip.thermistor import Beta, SteinhartHart, beta_of, code, code_at, temperature_of
from protocol.device import Thermistor

# Worked from the beta equation (IEC 60539-1, from memory), computed apart from this code: 10 kohm, beta 3435 K.
WORKED = {-40: 248276.525, 0: 28704.290, 50: 4101.190, 85: 1451.347, 100: 987.037, 125: 553.740, 150: 332.614}
# Table of a 10 kohm NTC as shipped with a public sensor driver. It is made from the equation (B25/85 = 3974.19), so
# that it checks rounding and no more.
PUBLISHED = {
    -25: 146676,
    -15: 78875,
    -5: 44424,
    5: 26075,
    15: 15881,
    25: 10000,
    35: 6488,
    45: 4326,
    55: 2956,
    65: 2066,
    75: 1474,
    85: 1072,
    95: 793,
    105: 596,
}


@pytest.mark.parametrize(("temperature", "resistance"), WORKED.items())
def test_worked_resistances(temperature: float, resistance: float) -> None:
    ntc = Beta(10e3, 3435.0)

    assert ntc.at(temperature) == pytest.approx(resistance, abs=6e-4)
    assert ntc.temperature(resistance) == pytest.approx(temperature, abs=1e-4)


def test_worked_sensitivity() -> None:
    assert Beta(10e3, 3435.0).sensitivity(25.0) == pytest.approx(-0.0386418, abs=5e-8)


def test_a_published_table() -> None:
    beta = beta_of((25.0, 10000.0), (85.0, 1072.0))
    assert beta == pytest.approx(3974.19, abs=0.01)
    for temperature, resistance in PUBLISHED.items():
        assert Beta(10e3, beta).temperature(resistance) == pytest.approx(temperature, abs=0.011)


def test_steinhart_hart_through_three_points() -> None:
    # Printed in the documentation of a public package: 34.7531 degC for 7000 ohm.
    found = SteinhartHart.through((-25.0, 87041.0), (0.0, 27326.0), (25.0, 10000.0))

    assert (found.a, found.b, found.c) == pytest.approx((8.97553978e-4, 2.50179148e-4, 1.94834404e-7), rel=1e-7)
    assert found.temperature(7000.0) == pytest.approx(34.7531, abs=5e-5)


@pytest.mark.parametrize(
    ("temperature", "resistance"),
    [(-10, 17000.0073), (0, 10030.2176), (10, 6110.3822), (20, 3833.3276), (30, 2470.6001)],
)
def test_steinhart_hart_inverse(temperature: float, resistance: float) -> None:
    # A public test table for a = 1.4e-3, b = 2.37e-4, c = 9.9e-8.
    typical = SteinhartHart(1.4e-3, 2.37e-4, 9.9e-8)

    assert typical.at(temperature) == pytest.approx(resistance, abs=6e-5)
    assert typical.temperature(resistance) == pytest.approx(temperature, abs=1e-6)


@pytest.mark.parametrize(
    ("pull_up", "codes"),
    [
        (10e3, {-40: 3936.45, 25: 2047.5, 85: 519.00, 125: 214.86, 150: 131.82}),
        (2.2e3, {-40: 4059.03, 25: 3356.56, 85: 1627.69, 125: 823.45, 150: 537.81}),
    ],
)
def test_worked_codes(pull_up: float, codes: dict[float, float]) -> None:
    ntc = Thermistor(10e3, 3435.0, pull_up, 12, 2.0)
    for temperature, expected in codes.items():
        assert code(Beta(10e3, 3435.0).at(temperature), pull_up, 12) == pytest.approx(expected, abs=6e-3)
        assert code_at(ntc, temperature) == pytest.approx(expected, abs=6e-3)
        assert temperature_of(ntc, code_at(ntc, temperature)) == pytest.approx(temperature, abs=1e-9)
