"""Whether a device's own set-points protect its cable and its switch on a bench, before anything is written.

Only the defaults are judged: a plan tests limits on purpose, and what it writes is said in the pictures of its run.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np

from harness.bench.spec import BenchSpec
from harness.files.load import load
from harness.files.marks import FileError
from harness.files.profile_model import Profile
from harness.quantity import show
from harness.trip.characteristic import Characteristic
from harness.trip.coordination import judge, latest, lines
from protocol.device import Device


def prospective_current(bench: BenchSpec) -> float:
    """Largest current in A that source, load or injector of ``bench`` can make flow; 0 without any."""
    currents = [each.current for each in (bench.source, bench.load, bench.injector) if each is not None]
    return max(currents, default=0.0)


def check_defaults(profile: Path, device: Device, bench: BenchSpec) -> list[FileError]:
    """What is wrong with the defaults of ``device``, at the section of ``profile`` whose line they do not keep below."""
    if device.cable is None and device.withstand is None:
        return []
    document = load(profile, Profile).document
    return [
        FileError(document.mark((section,), key=True), message)
        for section, message in _lost(device, prospective_current(bench))
    ]


def _lost(device: Device, highest: float) -> Iterator[tuple[str, str]]:
    for mode in device.command.modes or [None]:
        characteristic = Characteristic(device, device.defaults(), mode=mode)
        if not characteristic.functions:
            return
        inside = "" if mode is None else f" in mode {mode}"
        for line in lines(device):
            lost = judge(characteristic, line, highest).lost
            if lost is not None:
                section = "cable" if line.kind == "cable" else "withstand"
                stands = show(float(line.times(np.array([lost]))[0]), "s")
                late = "" if np.isinf(time := latest(characteristic, lost)) else f" may take {show(time, 's')}"
                breaker = late or " need never trip"
                yield (
                    section,
                    f"the defaults{inside}{breaker} at {show(lost, 'A')}, where {line.words} ends at {stands}",
                )
        rating = None if device.cable is None else device.cable.rating
        certain = characteristic.pickup_zone.high
        if rating is not None and certain > rating:
            message = (
                f"the defaults{inside} need not trip up to {show(certain, 'A')}; its rating is {show(rating, 'A')}"
            )
            yield "cable", message
