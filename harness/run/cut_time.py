"""How soon this bench was seen to go off, held against what its file declares: unknown is as bad as too slow.

A simulated bench cuts nothing, and a bench without a source has nothing to cut.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from harness.bench.spec import BenchSpec
from harness.quantity import show
from harness.record.inspection import InspectionUnreadable, read_measured

WATCHDOG = "watchdog process"
"""The time that counts, by the name that the inspection gives it."""
NEEDED = (WATCHDOG, "emergency stop", "doors")
"""What has to have been seen to take the source away, at low voltage."""


@dataclass(frozen=True)
class CutTime:
    """What is known, in words; ``refused``: nothing may be energised with it."""

    text: str
    refused: bool = False


def cut_time(spec: BenchSpec, runs: Path) -> CutTime | None:
    """The measured time of ``spec``'s watchdog to off against `watchdog.stop_within`; None where there is none."""
    if spec.simulated or spec.source is None or spec.watchdog is None:
        return None
    advice = f"measure it with 'breakerbench bench {spec.path}'"
    try:
        measured = read_measured(runs, spec.name)
    except InspectionUnreadable as error:
        return CutTime(f"cut time of bench {spec.name} not known: {error}; {advice}", refused=True)
    if measured is None:
        text = "was never measured, or something was at fault when it was last looked at"
        return CutTime(f"cut time of bench {spec.name} {text}: {advice}", refused=True)
    if missing := [name for name in NEEDED if name not in measured.cut_s]:
        return CutTime(f"cut time of bench {spec.name}: {', '.join(missing)} not tried; {advice}", refused=True)
    seconds, allowed = measured.cut_s[WATCHDOG], spec.watchdog.stop_within
    figures = f"{show(seconds, 's')} on {measured.at[:10]}, {show(allowed, 's')} declared (watchdog.stop_within)"
    if seconds > allowed:
        return CutTime(f"cut time of bench {spec.name}: {figures}; mend the bench and {advice}", refused=True)
    if measured.digest != spec.digest:
        text = f"cut time of bench {spec.name}: {figures}, with another state of the bench file: {advice}"
        return CutTime(text, refused=True)
    return CutTime(f"cut time of bench {spec.name}: {figures}")
