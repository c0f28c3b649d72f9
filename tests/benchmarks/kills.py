"""100 runs, each killed at a random instant before its end: every record must be readable and hold what was said.

`make prove-records`. A result is acknowledged by its JSON line on stdout. Every tenth record is gone on with as well.
"""

from __future__ import annotations

import json
import random
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from harness.files.profile import shipped_plans
from harness.record.layout import JOURNAL_NAME
from harness.record.reader import Record

KILLS = 100
RESUMED_EVERY = 10
RUN = [sys.executable, "-m", "harness", "run", "--json"]
PLANS = [str(shipped_plans() / "low_voltage")]


def started(runs: Path) -> subprocess.Popen[str]:
    """A run that has made its record, or has ended."""
    command = [*RUN, "--runs", str(runs), *PLANS]
    run = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
    while run.poll() is None and not list(runs.glob(f"*/{JOURNAL_NAME}")):
        time.sleep(0.001)
    return run


def duration(folder: Path) -> float:
    """How long a run takes from its record on, s."""
    run = started(folder)
    began = time.perf_counter()
    run.communicate()
    return time.perf_counter() - began


def killed(folder: Path, after_s: float) -> list[dict[str, object]]:
    """The results acknowledged by a run that is killed."""
    run = started(folder)
    try:
        run.wait(after_s)
    except subprocess.TimeoutExpired:
        run.send_signal(signal.SIGKILL)
    assert run.stdout is not None
    whole = [line for line in run.stdout.read().splitlines(keepends=True) if line.endswith("\n")]
    run.stdout.close()
    run.wait()
    return [line for line in map(json.loads, whole) if line["type"] == "result"]


def lost(folder: Path, acknowledged: list[dict[str, object]]) -> list[object]:
    """Acknowledged results that the record does not hold. Raises RecordError where it cannot be read."""
    record = Record(folder)
    kept = {result.id: result.verdict.value for result in record.results()}
    record.inputs(), record.events(), record.stopped_at(), record.plans(), record.identities()
    record.close()
    return [line["id"] for line in acknowledged if kept.get(str(line["id"])) != line["verdict"]]


def main() -> int:
    """Kill, read, count."""
    chance = random.Random(1)
    gone: list[object] = []
    stopped: set[str] = set()
    acknowledged = killed_amid = too_late = resumed = 0
    with tempfile.TemporaryDirectory() as place:
        whole_s = duration(Path(place) / "whole")
        while killed_amid < KILLS:
            runs = Path(place) / str(killed_amid + too_late)
            lines = killed(runs, chance.uniform(0, whole_s))
            (folder,) = runs.iterdir()
            gone += lost(folder, lines)
            acknowledged += len(lines)
            record = Record(folder)
            at = record.stopped_at()
            described = bool(record.plans())
            record.close()
            if at is None:
                too_late += 1
                continue
            killed_amid += 1
            stopped.add(at)
            if killed_amid % RESUMED_EVERY == 0 and described:
                done = subprocess.run([*RUN, "--resume", str(folder)], capture_output=True, text=True)
                assert done.returncode == 0, done.stderr
                assert not lost(folder, [line for line in lines if line["verdict"] != "pass"])
                resumed += 1
    print(
        f"{killed_amid} runs killed within {whole_s:.1f} s at {len(stopped)} different places ({too_late} more had"
        f" ended before): all records readable, {acknowledged} results acknowledged, {len(gone)} lost;"
        f" {resumed} gone on with"
    )
    return 1 if gone else 0


if __name__ == "__main__":
    sys.exit(main())
