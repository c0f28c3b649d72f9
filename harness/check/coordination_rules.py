"""Whether a device's own set-points protect its cable and its switch on a bench, before anything is written.

Only the defaults are judged: a plan tests limits on purpose, and what it writes is said in the pictures of its run.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from harness.bench.spec import BenchSpec
from harness.files.load import load
from harness.files.marks import FileError
from harness.files.profile_model import Profile
from harness.quantity import show
from harness.trip.characteristic import Characteristic
from harness.trip.coordination import Line, judge, latest, lines
from protocol.device import Device


def prospective_current(bench: BenchSpec) -> float:
    """Largest current in A that ``bench`` can drive through the branch: out of the source, or of the bank's loop."""
    source = 0.0 if bench.source is None else bench.source.current
    if bench.bank is None or bench.loop is None:
        return source
    return max(source, bench.bank.voltage / bench.loop.resistance)


def check_defaults(profile: Path, device: Device, bench: BenchSpec) -> list[FileError]:
    """What is wrong with the defaults of ``device``, at the section of ``profile`` whose line they reach."""
    if device.cable is None and device.withstand is None:
        return []
    document = load(profile, Profile).document
    return [
        FileError(document.mark((section,), key=True), message)
        for section, message in _faults(device, prospective_current(bench))
    ]


def _faults(device: Device, highest: float) -> Iterator[tuple[str, str]]:
    for mode in device.command.modes or [None]:
        characteristic = Characteristic(device, device.defaults(), mode=mode)
        if not characteristic.functions:
            return
        who = "the defaults" if mode is None else f"the defaults in mode {mode}"
        for line in lines(device):
            lost = judge(characteristic, line, highest).lost
            if lost is not None:
                section = "cable" if line.kind == "cable" else "withstand"
                yield section, f"{who} {_against(characteristic, line, lost)}"
        rating = None if device.cable is None else device.cable.rating
        certain = characteristic.pickup_zone.high
        if rating is not None and certain > rating:
            yield "cable", f"{who} need not trip up to {show(certain, 'A')}; its rating is {show(rating, 'A')}"


def _against(characteristic: Characteristic, line: Line, current: float) -> str:
    late, end = latest(characteristic, current), float(line.times(np.array([current]))[0])
    takes = "need never trip" if math.isinf(late) else f"may take {show(late, 's')}"
    return f"{takes} at {show(current, 'A')}, where {line.words} ends at {show(end, 's')}"
