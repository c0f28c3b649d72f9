"""Just above pickup, where M² - 1 keeps few digits: against mpmath with 50 of them."""

from __future__ import annotations

import mpmath
import numpy as np
import pytest

from harness.trip.inverse import InverseTimeModel
from harness.trip.memory import operate_time


@pytest.mark.parametrize("above", [1e-3, 1e-6, 1e-9, 1e-12])
def test_thermal_memory(above: float) -> None:
    current = 20.0 * (1.0 + above)
    with mpmath.workdps(50):
        square = (mpmath.mpf(current) / 20) ** 2
        wanted = float(60 * mpmath.log(square / (square - 1)))

    assert operate_time(current, 20.0, 60.0, 120.0, 0.0) == pytest.approx(wanted, rel=1e-12)


@pytest.mark.parametrize("above", [1e-3, 1e-6, 1e-9, 1e-12])
def test_inverse_time(above: float) -> None:
    current = 66.0 * (1.0 + above)
    with mpmath.workdps(50):
        wanted = float(mpmath.mpf("0.14") / ((mpmath.mpf(current) / 66) ** mpmath.mpf("0.02") - 1))
    model = InverseTimeModel(66.0, 1.0, 0.14, 0.02, 0.0, 0.0, 1.0)

    (found,) = model.operate_times(np.array([current]), 0.0)

    assert found == pytest.approx(wanted, rel=1e-12)
