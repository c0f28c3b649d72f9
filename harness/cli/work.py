"""What a run is asked to do: plans, each with the device that it names, checked against the bench."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from harness.bench.spec import BenchSpec
from harness.check import check_plan
from harness.check.coordination_rules import check_defaults
from harness.files.marks import FileError, FileErrors
from harness.files.profile import device_files, load_device
from harness.plan.plan import Plan, find_plans, load_plans
from harness.record.note import PlanNote, Role, StepNote
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
                errors += check_defaults(plan.device, work[plan.device][0], spec)
        except FileErrors as found:
            broken.add(plan.device)
            errors += found.errors
        if plan.device in work:
            work[plan.device][1].append(plan)
            errors += check_plan(plan, work[plan.device][0], spec)
    if errors:
        raise FileErrors(errors)
    return list(work.values())


def input_files(spec: BenchSpec, work: Work) -> dict[Path, Role]:
    """Every file that the run is made of, with what it was read as. Raises FileErrors where one has gone since."""
    files: dict[Path, Role] = {spec.path: "bench"}
    for _, plans in work:
        for plan in plans:
            profile, ldf = device_files(plan.device)
            files |= {plan.path: "plan", profile: "profile", ldf: "ldf"}
            marks = (mark for step in plan.places for mark in (step.mark, *step.via))
            for path in (Path(mark.path) for mark in marks):
                files.setdefault(path, "fragment")
    return files


def plan_note(device: Device, plan: Plan) -> PlanNote:
    """A plan as the record keeps it."""
    steps = tuple(StepNote(step.name, step.kind, step.section, str(step.mark)) for step in plan.places)
    return PlanNote(plan.name, plan.title, device.name, plan.note, str(plan.path), steps, plan.digest)
