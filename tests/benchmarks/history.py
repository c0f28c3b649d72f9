"""Time of `history` with a picture over 1,000 records, under 2 s: python -m tests.benchmarks.history."""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from harness.record.journal import Journal
from harness.record.result import Coverage, Measurement, Result, Verdict

SECONDS, RECORDS, STEPS = 2.0, 1000, 60


def a_result(step: int, value: float) -> Result:
    """A step that timed a trip."""
    return Result(
        *(f"plan/step_{step}", "plan", f"step_{step}", "expect_trip", "steps", f"plan.yaml:{step}:5"),
        Verdict.PASS,
        reasons=(),
        measurements=(Measurement("operate time", value, "s", 1.0, 2.0, 1.5, 0.01, 0.003),),
        coverage=Coverage.SECONDARY,
        function="overload",
        start_ns=step,
        end_ns=step + 1,
        device="heater",
    )


def main() -> int:
    """Make the records, have the command follow one value, say how long it took. 1 if the limit is exceeded."""
    random = np.random.default_rng(1)
    with tempfile.TemporaryDirectory() as folder:
        for number in range(RECORDS):
            journal = Journal(Path(folder) / f"{number:04}")
            journal.about(started=f"2026-01-01T{number:06}", mark="", ended="", version="0")
            values = {"application_version": f"1.{number // 300}", "serial_number": f"S{number % 2}"}
            journal.identity(0, "heater", "start", values)
            for step, value in enumerate(random.normal(1.5, 0.02, STEPS)):
                journal.result(a_result(step, float(value)))
            journal.close()
        picture = Path(folder) / "history.svg"
        words = [
            sys.executable,
            "-m",
            "harness",
            "history",
            folder,
            "--value",
            "plan/step_30",
            "--picture",
            str(picture),
        ]
        began = time.perf_counter()
        subprocess.run(words, check=True)
        took = time.perf_counter() - began
        print(f"{RECORDS} records of {STEPS} steps: {took:.2f} s, picture of {picture.stat().st_size / 1e3:.0f} kB")
    return int(took > SECONDS)


if __name__ == "__main__":
    sys.exit(main())
