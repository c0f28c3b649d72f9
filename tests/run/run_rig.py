"""One step on the simulated bench, without the engine: context, ledger and a runner's outcome."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping
from fractions import Fraction
from pathlib import Path
from typing import Any, cast

from harness.bench.bench import Bench, open_bench
from harness.bench.spec import load_bench, shipped_bench
from harness.clock import S
from harness.files.profile import load_device, shipped_device
from harness.plan.plan import Plan
from harness.plan.steps import CloseSwitch, OpenSwitch
from harness.record.journal import Journal
from harness.run.access import admit
from harness.run.context import Context, Outcome
from harness.run.ledger import Ledger
from harness.run.observe import read_set_points, stable_status
from harness.run.step_errors import StepError, StepFail, StepNotRun
from harness.run.supply import power_up
from harness.run.switch import run_close, run_open
from mocks.world import World
from protocol.device import Device
from protocol.identifiers import Service

HEATER = load_device(shipped_device("heater"))
PUMP = load_device(shipped_device("pump"))
DEVICES = {"heater": HEATER, "pump": PUMP}


class Rig:
    """A powered breaker of ``device``; ``world`` is what the bench hides, for planting defects."""

    def __init__(self, folder: Path, device: Device, seed: int = 1, commands: Mapping[str, Any] | None = None) -> None:
        spec = load_bench(shipped_bench("simulated"), seed)
        if commands is not None:
            spec = dataclasses.replace(spec, commands=commands)
        self.device = device
        self.bench: Bench = open_bench(spec, device)
        self.world: World = self.bench.clock._move.__self__  # type: ignore[attr-defined]
        self.journal = Journal(folder / "run")
        self.ledger = Ledger(device, self.journal)
        self.context = Context(device, self.bench, self.ledger, cast(Plan, None))  # no runner of one step needs it
        self.ledger.found({name: point.default for name, point in device.set_points.items()})
        power_up(device, self.bench, self.ledger)
        self.ledger.found(read_set_points(device, self.bench, device.set_points))

    def run(self, runner: Callable[[Any, Context, Outcome], None], step: Any) -> Outcome:
        """What the runner found; StepFail and the like are findings, as the engine has it."""
        outcome = Outcome()
        try:
            runner(step, self.context, outcome)
        except StepFail as error:
            outcome.fail(str(error))
        except StepError as error:
            outcome.error(str(error))
        except StepNotRun as error:
            outcome.not_run(str(error))
        return outcome

    def close(self) -> None:
        assert not self.run(run_close, CloseSwitch()).findings
        assert self.switch == "closed"

    def open(self) -> None:
        assert not self.run(run_open, OpenSwitch()).findings

    @property
    def switch(self) -> str:
        return stable_status(self.device, self.bench).switch

    @property
    def cause(self) -> str:
        return stable_status(self.device, self.bench).cause

    def write(self, name: str, value: float) -> None:
        point = self.device.set_points[name]
        values = {member.name: self.ledger.asked(member.name) for member in self.device.group(point.did)}
        values[name] = Fraction(str(value))
        admit(self.context, Service.WRITE_DATA)
        self.bench.diagnostics.write_group(point.did, values)
        self.ledger.ask(self.bench.clock.now_ns(), name, values[name])

    def wait(self, seconds: float) -> None:
        self.bench.idle(round(seconds * S))


def reasons(outcome: Outcome) -> str:
    """Every finding in one text."""
    return "; ".join(f"{verdict.value}: {reason}" for verdict, reason in outcome.findings)
