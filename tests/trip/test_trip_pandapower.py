"""IEC 60255-151 curves as pandapower has them (protection_devices/ocrelay.py): an implementation that is not ours."""

from __future__ import annotations

import importlib.util
import json
import subprocess
import sys

import numpy as np
import pytest

from harness.trip.inverse import InverseTimeModel

CURVES = ["standard_inverse", "very_inverse", "extremely_inverse", "long_inverse"]
# In a process of its own: the import changes settings that others share.
CONSTANTS = f"""
import json, warnings
from types import SimpleNamespace
warnings.simplefilter("ignore")
from pandapower.protection.protection_devices.ocrelay import OCRelay
chosen = [SimpleNamespace(curve_type=curve) for curve in {CURVES}]
for relay in chosen:
    OCRelay._select_k_alpha(relay)
print(json.dumps([[relay.k, relay.alpha] for relay in chosen]))
"""


@pytest.fixture(scope="module")
def constants() -> dict[str, tuple[float, float]]:
    """k in s and alpha of each curve as pandapower selects them."""
    if importlib.util.find_spec("pandapower") is None:
        pytest.skip("pandapower is not installed")
    shown = subprocess.run([sys.executable, "-c", CONSTANTS], capture_output=True, text=True, check=True)
    return dict(zip(CURVES, json.loads(shown.stdout), strict=True))


@pytest.mark.parametrize("curve", CURVES)
@pytest.mark.parametrize("multiple", [1.5, 2.0, 5.0, 10.0, 20.0])
def test_operate_times_agree(constants: dict[str, tuple[float, float]], curve: str, multiple: float) -> None:
    k, alpha = constants[curve]
    model = InverseTimeModel(pickup=1.0, multiplier=1.0, k=k, alpha=alpha, c=0.0, minimum_time=0.0, reset_time=1.0)

    (ours,) = model.operate_times(np.array([multiple]), 0.0)

    assert ours == pytest.approx(k / (multiple**alpha - 1.0), rel=1e-12)
