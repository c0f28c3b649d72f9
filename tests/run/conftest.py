"""The high-voltage rig, for all whose bench is the simulated one as it is."""

from __future__ import annotations

from pathlib import Path

import pytest
from high_voltage_rig import DEVICE, SPEC, Rig

from harness.bench.bench import open_bench


@pytest.fixture
def rig(tmp_path: Path) -> Rig:
    """A bench, with the panel behind it."""
    return Rig(tmp_path, open_bench(SPEC, DEVICE))
