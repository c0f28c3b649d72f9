"""What a run of some plans costs: bench time, cooling, energy, non-volatile writes, hazard, roles that are missing.

An estimate for a unit without errors that starts each plan cold; waiting and cooling dominate, and are reckoned from
the same models as the verdicts.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from harness.bench.arming import missing_roles
from harness.bench.hazard import Hazard, hazard_of
from harness.bench.spec import BenchSpec
from harness.bench.spending import power_cut_writes, spending_of
from harness.check.course import Course
from harness.check.expected import path_of, sensor_path
from harness.plan.plan import Plan
from harness.plan.steps import (
    CalibrateLoop,
    CheckCodes,
    CheckHealth,
    CheckSnapshot,
    CheckStatus,
    ClearCodes,
    CloseSwitch,
    Disturb,
    ExpectNoTrip,
    ExpectTrip,
    Flash,
    Force,
    Hold,
    Identify,
    LetGo,
    OpenSwitch,
    PowerCut,
    PowerCycle,
    ReadLive,
    ReadSetPoints,
    Request,
    Reset,
    RunRoutine,
    SetMode,
    ShortCircuit,
    Silence,
    SleepAndWake,
    StartSession,
    Step,
    Stimulus,
    Unlock,
    Wait,
    WaitUntilCool,
    WriteSetPoints,
)
from harness.trip.band import InPickupZone
from protocol.budgets import Wear
from protocol.device import Device
from protocol.identifiers import Service
from protocol.protection import SensorCheck

_EXCHANGE_S = 0.02  # a diagnostic request and its answer, one schedule slot each
_STATUS_S = 0.015  # two readings of the status frame
_COMMAND_S = 0.04  # a command and its effect in the status frame
_REFUSED_S = 0.5  # how long a command that has no effect is watched
_AROUND_S = 0.1  # arming the recorder before a stimulus and fetching after it
_OFF_S = 0.5  # how long a cut supply stays away
_HEALTH_S = 0.5  # one measurement of the switch
_BANK_S = 2.5  # charging the bank, a shot, discharging it
_FLASH_S = 10.0  # a guess: the programming command alone knows
_HELD_S = 1.0  # to where a quantity is held, or back
_LOOK_S = 1.0  # cooling is looked at this often


@dataclass(frozen=True)
class PlanCost:
    """One plan's share. ``missing`` are roles that the bench lacks; ``gate`` is what its gate says or asks for."""

    name: str
    bench_s: float
    cooling_s: float
    energy_j: float  # out of the source
    writes: int  # non-volatile, putting back included
    shots: int  # currents and other quantities applied
    keys: int  # sent to the breaker, right or wrong
    short_circuits: int  # through the comparator
    clamp_energy: float  # J, at most
    hazard: Hazard
    missing: tuple[str, ...]
    gate: str | None


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
    def shots(self) -> int:
        """Currents and other quantities applied."""
        return sum(plan.shots for plan in self.plans)

    @property
    def keys(self) -> int:
        """Keys sent to the breaker."""
        return sum(plan.keys for plan in self.plans)

    @property
    def wear(self) -> dict[Wear, float]:
        """What the unit is used up by, of each kind."""
        return {
            "short_circuits": sum(plan.short_circuits for plan in self.plans),
            "clamp_energy": math.fsum(plan.clamp_energy for plan in self.plans),
            "non_volatile_writes": self.writes,
            "key_attempts": self.keys,
        }

    @property
    def missing(self) -> tuple[str, ...]:
        """Roles that some plan needs and the bench lacks."""
        return tuple(sorted({role for plan in self.plans for role in plan.missing}))

    @property
    def hazard(self) -> Hazard:
        """The strongest hazard class of any plan."""
        order = list(Hazard)
        return max((plan.hazard for plan in self.plans), key=order.index, default=Hazard.NONE)


def predict(plans: Iterable[Plan], device: Device, bench: BenchSpec) -> Prediction:
    """The cost of ``plans``, which check_plan finds nothing wrong with, one after the other."""
    return Prediction(tuple(_plan_cost(plan, device, bench) for plan in plans))


def step_seconds(plan: Plan, device: Device) -> dict[str, float]:
    """Name of each step -> its time on the bench in s, one after the other."""
    course = Course(device, level=0.0)
    found = {}
    for place in plan.places:
        found[place.name] = _SECONDS[type(place.step)](place.step, course)
        course.take(place.step)
    return found


def _shut(hazard: Hazard, bench: BenchSpec) -> str | None:
    """Why the gate of ``bench`` will not open for this hazard, or what it wants; None where nothing is to be said."""
    if hazard is not Hazard.HIGH_VOLTAGE or bench.simulated:
        return None
    if missing := missing_roles(bench):
        return f"high voltage is refused: the bench file has no {', no '.join(missing)}"
    return "a person at the terminal has to confirm high voltage"


def _plan_cost(plan: Plan, device: Device, bench: BenchSpec) -> PlanCost:
    course = Course(device, level=0.0)
    total = cooling = energy = 0.0
    changed: set[str] = set()
    writes = 0
    steps = [place.step for place in plan.places]
    for step in steps:
        seconds = _SECONDS[type(step)](step, course)
        total += seconds
        if isinstance(step, WaitUntilCool):
            cooling += seconds
        energy += _energy_j(step, seconds)
        writes += _writes(step, device)
        if isinstance(step, WriteSetPoints | PowerCut) and _writes(step, device):
            changed |= step.values.keys()
        course.take(step)
    spendings = [spending_of(step, device, bench) for step in steps]
    put_back = _records(changed, device)
    total += put_back * (3 * _EXCHANGE_S + device.ratings.write_time_ns / 1e9)
    total += _EXCHANGE_S * len(device.set_points) + _identity_s(device)  # the look at the whole unit at a plan's end
    hazard = hazard_of(role for step in steps for role in step.roles)
    missing = sorted({role for step in steps for role in step.roles} - bench.resources.keys())
    return PlanCost(
        plan.name,
        total,
        cooling,
        energy,
        writes + put_back,
        sum(isinstance(step, Stimulus | CheckHealth | ShortCircuit) for step in steps),
        sum(_keys(step, device) for step in steps) + (1 if put_back and _locked(device) else 0),
        sum(spent.short_circuits for spent in spendings),
        math.fsum(spent.clamp_energy for spent in spendings),
        hazard,
        tuple(missing),
        _shut(hazard, bench),
    )


def _energy_j(step: Step, seconds: float) -> float:
    if isinstance(step, CheckHealth):
        drop = step.voltage_drop
        return drop.voltage.si * drop.draw.si * _HEALTH_S if drop is not None else 0.0
    if not isinstance(step, Stimulus) or step.voltage is None:
        return 0.0
    if step.pulses is not None:
        return step.voltage.si * math.fsum(current * on for current, on in step.train)
    return step.voltage.si * step.current * (seconds - _AROUND_S)


def _writes(step: Step, device: Device) -> int:
    if isinstance(step, PowerCut):
        return power_cut_writes(step.instants, _records(step.values, device))
    return _records(step.values, device) if isinstance(step, WriteSetPoints) and step.refused is None else 0


def _locked(device: Device) -> bool:
    return device.security is not None and Service.WRITE_DATA in device.security.services


def _keys(step: Step, device: Device) -> int:
    """Keys that a step sends, itself or because what it does is locked."""
    if isinstance(step, Unlock):
        return 1
    return int(isinstance(step, WriteSetPoints | PowerCut) and _locked(device))


def _records(names: Iterable[str], device: Device) -> int:
    """Records, and so non-volatile writes, that these set-points take."""
    return len({device.set_points[name].did for name in names})


def _write_s(step: WriteSetPoints, course: Course) -> float:
    stored = 0.0 if step.refused else course.device.ratings.write_time_ns / 1e9
    return _records(step.values, course.device) * (3 * _EXCHANGE_S + stored)


def _cut_s(step: PowerCut, course: Course) -> float:
    start_up = course.device.ratings.start_up_ns / 1e9
    each = start_up + _OFF_S + _records(step.values, course.device) * 4 * _EXCHANGE_S
    return step.instants * (each + step.within.si / 2) + _identity_s(course.device)


def _read_s(step: ReadSetPoints, course: Course) -> float:
    return 2 * _EXCHANGE_S * len(course.set_points if step.values is None else step.values)


def _close_s(step: CloseSwitch, course: Course) -> float:
    return _COMMAND_S + (_REFUSED_S if step.refused else 0.0)


def _trip_s(step: ExpectTrip, course: Course) -> float:
    function, situation = course.device.functions[step.function], course.situation
    try:
        if isinstance(function, SensorCheck):
            band = situation.band(step.function, sensor_path(step, situation.heat_sink, None))
        else:
            band = situation.band(step.function, path_of(step, 0.0) if step.pulses or step.ramp else step.value)
    except (InPickupZone, ValueError):
        return _AROUND_S
    return _AROUND_S + (band.nominal_s if math.isfinite(band.nominal_s) else 0.0)


def _cool_s(step: WaitUntilCool, course: Course) -> float:
    situation = course.situation
    times = [situation.time_to_cool(name, level, step.level.si) for name, level in course.levels.items()]
    needed = max((time for time in times if time is not None), default=0.0)
    return min(math.ceil(needed / _LOOK_S) * _LOOK_S, step.at_most.si) + _EXCHANGE_S


def _power_s(step: PowerCycle, course: Course) -> float:
    return step.duration.si + _start_s(course)


def _start_s(course: Course) -> float:
    """A start of the unit, and being asked who it is after it."""
    return course.device.ratings.start_up_ns / 1e9 + _identity_s(course.device)


def _identity_s(device: Device) -> float:
    return 1.5 * _EXCHANGE_S * (1 + len(device.identity.records))  # half of the answers take a second frame


def _routine_s(step: RunRoutine, course: Course) -> float:
    return course.device.routines[step.routine].duration + 3 * _EXCHANGE_S


def _exchanges(count: Callable[[Any, Device], int]) -> Callable[[Any, Course], float]:
    return lambda step, course: count(step, course.device) * _EXCHANGE_S


_SECONDS: Mapping[type[Step], Callable[[Any, Course], float]] = {
    WriteSetPoints: _write_s,
    ReadSetPoints: _read_s,
    PowerCut: _cut_s,
    CloseSwitch: _close_s,
    OpenSwitch: lambda step, course: _COMMAND_S,
    SetMode: lambda step, course: _COMMAND_S,
    ExpectTrip: _trip_s,
    ExpectNoTrip: lambda step, course: step.seconds + _AROUND_S,
    CalibrateLoop: lambda step, course: _BANK_S,
    ShortCircuit: lambda step, course: _BANK_S,
    Hold: lambda step, course: sum(seconds for _, seconds in step.points) + _HELD_S,
    LetGo: lambda step, course: _HELD_S,
    Silence: lambda step, course: step.duration.si + _AROUND_S,
    CheckStatus: lambda step, course: _STATUS_S,
    CheckCodes: _exchanges(lambda step, device: 2),
    CheckSnapshot: _exchanges(lambda step, device: 8),  # a snapshot takes several frames, and is read twice
    CheckHealth: lambda step, course: _HEALTH_S + _AROUND_S,
    ClearCodes: _exchanges(lambda step, device: 8),  # waits for the memory's write
    ReadLive: _exchanges(lambda step, device: 2 * len(step.values)),
    Identify: _exchanges(lambda step, device: 2 + 4 * len(device.identity.records)),
    StartSession: _exchanges(lambda step, device: 1),
    Unlock: _exchanges(lambda step, device: 3),
    Request: _exchanges(lambda step, device: 2),
    Force: lambda step, course: 8 * _EXCHANGE_S + (_COMMAND_S if step.function else 0.0),
    RunRoutine: _routine_s,
    Reset: lambda step, course: _start_s(course) + 2 * _EXCHANGE_S,
    SleepAndWake: lambda step, course: step.duration.si + _AROUND_S,
    Disturb: lambda step, course: 2 * step.count * _EXCHANGE_S,
    Wait: lambda step, course: step.duration.si,
    WaitUntilCool: _cool_s,
    PowerCycle: _power_s,
    Flash: lambda step, course: _FLASH_S + _start_s(course),
}
"""Step model -> its time on the bench in s, in the state that the course is in. Total over the step kinds."""
