"""What a run is asked to do: plans, each with the device that it names, checked against the bench."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from harness.bench.spec import BenchSpec
from harness.check import check_plan
from harness.files.marks import FileError, FileErrors
from harness.files.profile import load_device
from harness.plan.plan import Plan, find_plans, load_plans
from protocol.device import Device

Work = list[tuple[Device, list[Plan]]]
"""Devices in the order of their first plan, each with its plans."""


def load_work(paths: Sequence[Path], spec: BenchSpec) -> Work:
    """Every plan below ``paths`` with its device, fit for the bench. Raises FileErrors with all that is wrong."""
    work: dict[Path, tuple[Device, list[Plan]]] = {}
    errors: list[FileError] = []
    broken: set[Path] = set()
    plans, faults = load_plans(find_plans(paths))
    errors += faults
    for plan in plans:
        try:
            if plan.device not in work and plan.device not in broken:
                work[plan.device] = (load_device(plan.device), [])
        except FileErrors as found:
            broken.add(plan.device)
            errors += found.errors
        if plan.device in work:
            work[plan.device][1].append(plan)
            errors += check_plan(plan, work[plan.device][0], spec)
    if errors:
        raise FileErrors(errors)
    return list(work.values())
