"""IEC 60255-151 curves as pandapower 3 has them (protection_devices/ocrelay.py): an implementation that is not ours."""

from __future__ import annotations

import warnings
from types import SimpleNamespace

import numpy as np
import pytest

from harness.trip.inverse import InverseTimeModel


def constants(curve: str) -> tuple[float, float]:
    """k in s and alpha of ``curve`` as pandapower selects them."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # pandas' own deprecations, at import
        relay = pytest.importorskip(
            "pandapower.protection.protection_devices.ocrelay", reason="pandapower is not installed"
        )
    chosen = SimpleNamespace(curve_type=curve)
    relay.OCRelay._select_k_alpha(chosen)
    return float(chosen.k), float(chosen.alpha)


@pytest.mark.parametrize("curve", ["standard_inverse", "very_inverse", "extremely_inverse", "long_inverse"])
@pytest.mark.parametrize("multiple", [1.5, 2.0, 5.0, 10.0, 20.0])
def test_operate_times_agree(curve: str, multiple: float) -> None:
    k, alpha = constants(curve)
    model = InverseTimeModel(pickup=1.0, multiplier=1.0, k=k, alpha=alpha, c=0.0, minimum_time=0.0, reset_time=1.0)

    (ours,) = model.operate_times(np.array([multiple]), 0.0)

    assert ours == pytest.approx(k / (multiple**alpha - 1.0), rel=1e-12)
