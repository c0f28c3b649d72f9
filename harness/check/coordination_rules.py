"""Whether a device's defaults save its cable and its switch on a bench, before anything is written.

Only the defaults are judged: a plan tests limits on purpose, and what it writes is said below the picture of its run.
"""

from __future__ import annotations

from pathlib import Path

from harness.bench.spec import BenchSpec
from harness.files.load import load
from harness.files.marks import FileError
from harness.files.profile_model import Profile
from harness.trip.characteristic import Characteristic
from harness.trip.coordination import Line, cable_line, judge, withstand_line
from protocol.device import Device


def prospective_current(bench: BenchSpec) -> float:
    """Largest current in A that ``bench`` can drive through the branch: out of the source, or of the bank's loop."""
    source = 0.0 if bench.source is None else bench.source.current
    if bench.bank is None or bench.loop is None:
        return source
    return max(source, bench.bank.voltage / bench.loop.resistance)


def check_defaults(profile: Path, device: Device, bench: BenchSpec) -> list[FileError]:
    """Where the defaults of ``device`` reach a line, at the section of ``profile`` that declares it; in each mode."""
    declared = _declared(device, prospective_current(bench))
    if not declared:
        return []
    document = load(profile, Profile).document
    faults = []
    for mode in device.command.modes or [None]:
        characteristic = Characteristic(device, device.defaults(), mode=mode)
        for section, line in declared.items() if characteristic.functions else ():
            saved, words = judge(characteristic, line, prospective_current(bench))
            if not saved:
                at = "at the defaults" if mode is None else f"at the defaults, mode {mode}"
                faults.append(FileError(document.mark((section,), key=True), f"{at}, {words}"))
    return faults


def _declared(device: Device, highest: float) -> dict[str, Line]:
    """Section of the profile -> line, as far as ``highest`` A."""
    found = {}
    cable = None if device.cable is None else cable_line(device.cable, highest)
    if cable is not None:
        found["cable"] = cable
    if device.withstand is not None:
        found["withstand"] = withstand_line(device.withstand)
    return found
