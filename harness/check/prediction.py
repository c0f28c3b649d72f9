"""What a run of some plans costs: bench time, cooling, energy, non-volatile writes, hazard, roles that are missing.

An estimate for a unit without errors that starts each plan cold; waiting and cooling dominate, and are reckoned from
the same models as the verdicts.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from harness.bench.gate import HAZARD_OF_ROLE, Hazard, refusal
from harness.bench.spec import BenchSpec
from harness.check.course import Course
from harness.plan.plan import Plan
from harness.plan.steps import (
    CheckCodes,
    CheckSnapshot,
    CheckStatus,
    ClearCodes,
    CloseSwitch,
    ExpectNoTrip,
    ExpectTrip,
    Identify,
    OpenSwitch,
    PowerCycle,
    ReadLive,
    ReadSetPoints,
    Step,
    Stimulus,
    Wait,
    WaitUntilCool,
    WriteSetPoints,
)
from harness.trip.band import InPickupZone, operate_band, time_to_cool
from protocol.device import Device

_EXCHANGE_S = 0.02  # a diagnostic request and its answer, one schedule slot each
_STATUS_S = 0.015  # two readings of the status frame
_COMMAND_S = 0.04  # a command and its effect in the status frame
_REFUSED_S = 0.5  # how long a command that has no effect is watched
_AROUND_S = 0.1  # arming the recorder before a stimulus and fetching after it
_LOOK_S = 1.0  # cooling is looked at this often


@dataclass(frozen=True)
class PlanCost:
    """One plan's share. ``missing`` are roles that the bench lacks; ``refused`` says why its gate will not open."""

    name: str
    bench_s: float
    cooling_s: float
    energy_j: float  # out of the source
    writes: int  # non-volatile, putting back included
    hazard: Hazard
    missing: tuple[str, ...]
    refused: str | None


@dataclass(frozen=True)
class Prediction:
    """What a run costs, plan by plan and in all."""

    plans: tuple[PlanCost, ...]

    @property
    def bench_s(self) -> float:
        """Bench time of all plans, s."""
        return math.fsum(plan.bench_s for plan in self.plans)

    @property
    def cooling_share(self) -> float:
        """Share of the bench time that is waiting for something to cool; 0 for an empty run."""
        return math.fsum(plan.cooling_s for plan in self.plans) / self.bench_s if self.bench_s else 0.0

    @property
    def energy_j(self) -> float:
        """Energy out of the source, J."""
        return math.fsum(plan.energy_j for plan in self.plans)

    @property
    def writes(self) -> int:
        """Non-volatile writes."""
        return sum(plan.writes for plan in self.plans)

    @property
    def missing(self) -> tuple[str, ...]:
        """Roles that some plan needs and the bench lacks."""
        return tuple(sorted({role for plan in self.plans for role in plan.missing}))

    @property
    def hazard(self) -> Hazard:
        """The strongest hazard class of any plan."""
        return _strongest(plan.hazard for plan in self.plans)


def predict(plans: Iterable[Plan], device: Device, bench: BenchSpec) -> Prediction:
    """The cost of ``plans``, which check_plan finds nothing wrong with, one after the other."""
    return Prediction(tuple(_plan_cost(plan, device, bench) for plan in plans))


def hazard_of(step: Step) -> Hazard:
    """Hazard class of a step, computed from the roles that it uses."""
    return _strongest(HAZARD_OF_ROLE[role] for role in step.roles)


def _strongest(hazards: Iterable[Hazard]) -> Hazard:
    order = list(Hazard)
    return max(hazards, key=order.index, default=Hazard.NONE)


def _plan_cost(plan: Plan, device: Device, bench: BenchSpec) -> PlanCost:
    course = Course(device, level=0.0)
    total = cooling = energy = 0.0
    changed: set[str] = set()
    writes = 0
    steps = [place.step for place in (*plan.steps, *plan.clean_up)]
    for step in steps:
        seconds = _SECONDS[type(step)](step, course)
        total += seconds
        if isinstance(step, WaitUntilCool):
            cooling += seconds
        if isinstance(step, Stimulus) and step.voltage is not None:
            energy += step.voltage.si * step.current * (seconds - _AROUND_S)
        if isinstance(step, WriteSetPoints) and step.refused is None:
            changed |= step.values.keys()
            writes += len(step.values)
        course.take(step)
    total += len(changed) * (3 * _EXCHANGE_S + device.ratings.write_time_ns / 1e9)
    hazard = _strongest(map(hazard_of, steps))
    missing = sorted({role for step in steps for role in step.roles} - bench.resources.keys())
    return PlanCost(
        plan.name,
        total,
        cooling,
        energy,
        writes + len(changed),
        hazard,
        tuple(missing),
        refusal(hazard, bench.simulated),
    )


def _write_s(step: WriteSetPoints, course: Course) -> float:
    stored = 0.0 if step.refused else course.device.ratings.write_time_ns / 1e9
    return len(step.values) * (3 * _EXCHANGE_S + stored)


def _read_s(step: ReadSetPoints, course: Course) -> float:
    return 2 * _EXCHANGE_S * len(course.set_points if step.values is None else step.values)


def _close_s(step: CloseSwitch, course: Course) -> float:
    return _COMMAND_S + (_REFUSED_S if step.refused else 0.0)


def _trip_s(step: ExpectTrip, course: Course) -> float:
    level = min(course.levels[step.function], 1.0)
    function, accuracy = course.device.functions[step.function], course.device.accuracy
    try:
        band = operate_band(function, course.values, accuracy, step.current, (level, level))
    except InPickupZone:
        return _AROUND_S
    return _AROUND_S + (band.nominal_s if math.isfinite(band.nominal_s) else 0.0)


def _cool_s(step: WaitUntilCool, course: Course) -> float:
    device = course.device
    times = [
        time_to_cool(function, course.values, device.accuracy, course.levels[name], step.level.si)
        for name, function in device.functions.items()
    ]
    needed = max((time for time in times if time is not None), default=0.0)
    return min(math.ceil(needed / _LOOK_S) * _LOOK_S, step.at_most.si) + _EXCHANGE_S


def _power_s(step: PowerCycle, course: Course) -> float:
    return step.duration.si + course.device.ratings.start_up_ns / 1e9


def _exchanges(count: Callable[[Any, Device], int]) -> Callable[[Any, Course], float]:
    return lambda step, course: count(step, course.device) * _EXCHANGE_S


_SECONDS: Mapping[type[Step], Callable[[Any, Course], float]] = {
    WriteSetPoints: _write_s,
    ReadSetPoints: _read_s,
    CloseSwitch: _close_s,
    OpenSwitch: lambda step, course: _COMMAND_S,
    ExpectTrip: _trip_s,
    ExpectNoTrip: lambda step, course: step.duration.si + _AROUND_S,
    CheckStatus: lambda step, course: _STATUS_S,
    CheckCodes: _exchanges(lambda step, device: 2),
    CheckSnapshot: _exchanges(lambda step, device: 8),  # a snapshot takes several frames, and is read twice
    ClearCodes: _exchanges(lambda step, device: 8),  # waits for the memory's write
    ReadLive: _exchanges(lambda step, device: 2 * len(step.values)),
    Identify: _exchanges(lambda step, device: 2 + 4 * len(device.identity.records)),
    Wait: lambda step, course: step.duration.si,
    WaitUntilCool: _cool_s,
    PowerCycle: _power_s,
}
"""Step model -> its time on the bench in s, in the state that the course is in. Total over the step kinds."""
