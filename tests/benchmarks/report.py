"""Time and size of a report of 1,000 steps and 50 waveforms, under 3 s and 2 MB: python -m tests.benchmarks.report."""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from harness.files.profile import device_files, load_device, shipped_device
from harness.record.journal import Journal
from harness.record.result import Applied, Coverage, Exchange, Measurement, Result, Verdict, Waveform

SECONDS, BYTES = 3.0, 2_000_000
HEATER = shipped_device("heater")
DEFAULTS = load_device(HEATER).defaults()


def a_step(number: int, random: np.random.Generator) -> Result:
    """A step with four exchanges; every 20th a trip, with a noisy two-channel recording of 4,000 samples."""
    trip = number % 20 == 0
    noise = random.normal(0, 0.05, (2, 4000)).astype(">f4")
    waves = tuple(
        Waveform(name, unit, -0.01, 0.0005, row.tobytes())
        for name, unit, row in zip(("injected", "gate"), ("A", "V"), noise, strict=True)
    )
    plan, step = f"plan_{number // 50}", f"step_{number}"
    return Result(
        *(f"{plan}/{step}", plan, step, "expect_trip", "steps", f"{plan}.yaml:{number}:5", Verdict.PASS, ()),
        measurements=(Measurement("operate time", 1.5, "s", 1.0, 2.0, 1.5, 0.01),),
        coverage=Coverage.SECONDARY,
        function="overload" if trip else None,
        start_ns=number,
        end_ns=number + 1,
        exchanges=tuple(
            Exchange(number, b"\x22\x01\x01", b"\x62\x01\x01" + (1000 + 4 * number + k).to_bytes(2), "positive")
            for k in range(4)
        ),
        waveforms=waves if trip else (),
        device="heater",
        stimulus=Applied("inject", 30.0 + number / 20, "A", None, "cold") if trip else None,
        set_points=DEFAULTS if trip else None,
    )


def main() -> int:
    """Make the record, have the command report it, say how long it took. 1 if a limit is exceeded."""
    random = np.random.default_rng(1)
    with tempfile.TemporaryDirectory() as folder:
        journal = Journal(Path(folder) / "run")
        for path, role in zip(device_files(HEATER), ("profile", "ldf"), strict=True):
            journal.keep_input(path, role)  # type: ignore[arg-type]  # both are Roles
        for number in range(1000):
            journal.result(a_step(number, random))
        journal.close()
        began = time.perf_counter()
        subprocess.run([sys.executable, "-m", "harness", "report", str(Path(folder) / "run")], check=True)
        took, size = time.perf_counter() - began, (Path(folder) / "run" / "report.html").stat().st_size
    print(f"1,000 steps, 50 waveforms: {took:.2f} s, {size / 1e6:.2f} MB")
    return int(took > SECONDS or size > BYTES)


if __name__ == "__main__":
    sys.exit(main())
