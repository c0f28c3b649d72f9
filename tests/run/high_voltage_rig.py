"""A high-voltage run on the simulated bench, with hands at the bench and at its panel."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from harness.bench.arming import Person
from harness.bench.bench import Bench, open_bench
from harness.bench.gate import State
from harness.bench.high_voltage import HighVoltage
from harness.bench.proof import Proof
from harness.bench.simulated import SimulatedLink, SimulatedWatchdog
from harness.bench.spec import load_bench, shipped_bench
from harness.clock import MS, S
from harness.files.profile import load_device, shipped_device
from harness.plan.plan import Plan, PlanStep, load_plan
from harness.record.journal import Journal
from harness.record.reader import Record
from harness.record.result import Result
from harness.run.ending import Ending
from harness.run.engine import Engine
from mocks.world import World

SPEC = load_bench(shipped_bench("simulated"))
DEVICE = load_device(shipped_device("heater"))
HEAD = "format: 1\nname: {name}\ntitle: High voltage\ndevice: heater\nsteps:\n"
LIVE = """
  - power_cycle: {duration: 200 ms}
  - clear_codes
  - close
  - expect_no_trip: {name: live, draw: 10 A, voltage: 700 V, duration: 1 s}
  - wait: {name: after, duration: 500 ms}
  - open
"""


def clipping_bench(channel: str, range_: float) -> Bench:
    """A simulated bench whose recorder's ``channel`` comes to its end at ``range_``, as the bench file says."""
    spec = load_bench(shipped_bench("simulated"))
    assert spec.recorder is not None
    found = replace(spec.recorder.channels[channel], range=range_)
    recorder = replace(spec.recorder, channels={**spec.recorder.channels, channel: found})
    bench = open_bench(replace(spec, recorder=recorder), DEVICE)
    world: World = bench.clock._move.__self__  # type: ignore[attr-defined]
    object.__setattr__(world.bench.recorder._channels[f"CHAN{found.number}"], "range", range_)
    return bench


class Hands:
    """Whoever does something at the bench when a step begins."""

    def __init__(self, acts: Mapping[str, Callable[[], object]]) -> None:
        self._acts = acts

    def started(self, plan: Plan, step: PlanStep) -> None:
        self._acts.get(step.name, lambda: None)()

    def finished(self, result: Result) -> None:
        pass


@dataclass
class Rig:
    """A bench, and the panel behind it once a plan with high voltage has begun."""

    folder: Path
    bench: Bench
    person: Person | None = None

    def panel(self, line: str) -> Callable[[], object]:
        def act() -> None:
            high_voltage = self.bench.high_voltage
            assert high_voltage is not None
            dog = high_voltage._watchdog
            assert isinstance(dog, SimulatedWatchdog)
            assert dog._world.bench.panel.handle(line) == "OK"

        return act

    @property
    def world(self) -> World:
        """What the bench hides."""
        return self.bench.clock._move.__self__  # type: ignore[attr-defined, no-any-return]

    @property
    def volts(self) -> float:
        """The true voltage of the side that has more of it."""
        return max(map(abs, self.world.wiring.true_voltages()))

    def watch(self, look: Callable[[], object]) -> None:
        """Call ``look`` again and again from now on, whatever the harness does meanwhile."""
        clock = self.world.clock

        def again() -> None:
            look()
            clock.at(clock.now_ns() + 10 * MS, again)

        again()

    def run(self, acts: Mapping[str, Callable[[], object]], *texts: str, person: Person | None = None) -> Ending:
        plans = []
        for number, text in enumerate(texts):
            path = self.folder / f"plan_{number}.yaml"
            path.write_text(HEAD.format(name=f"plan_{number}") + text)
            plans.append(load_plan(path))
        journal = Journal(self.folder / "run")
        ending = Engine(DEVICE, self.bench, journal, Hands(acts), person=person or self.person).run(plans)
        journal.close()
        return ending

    def spy(self, monkeypatch: pytest.MonkeyPatch) -> list[tuple[str, State | None]]:
        """What is switched on from now on, by what the instruments hear, and where the gate stands at that moment."""
        interlock = self.bench.spec.interlock
        assert interlock is not None
        names = {("source", "OUTP ON"): "source", ("bank", "OUTP ON"): "charger"}
        for relay in ("contactor", "pulse"):
            names["interlock", f"ROUT:CLOS (@{interlock.relays[relay]})"] = relay
        found: list[tuple[str, State | None]] = []
        write = SimulatedLink.write

        def watched(link: SimulatedLink, text: str) -> None:
            if (name := names.get((link._role, text))) is not None:
                high_voltage = self.bench.high_voltage
                found.append((name, None if high_voltage is None else high_voltage.gate.state))
            write(link, text)

        monkeypatch.setattr(SimulatedLink, "write", watched)
        return found

    def time_proofs(self, monkeypatch: pytest.MonkeyPatch) -> list[tuple[State, float]]:
        """What each proof from now on came to, and how many seconds it took by the bench's clock."""
        found: list[tuple[State, float]] = []
        prove_dead = HighVoltage.prove_dead

        def timed(high_voltage: HighVoltage) -> Proof:
            began_ns = self.bench.clock.now_ns()
            proof = prove_dead(high_voltage)
            found.append((high_voltage.state, (self.bench.clock.now_ns() - began_ns) / S))
            return proof

        monkeypatch.setattr(HighVoltage, "prove_dead", timed)
        return found

    def events(self, kind: str) -> list[Mapping[str, object]]:
        record = Record(self.folder / "run")
        found = [event.detail for event in record.events() if event.kind == kind]
        record.close()
        return found

    @property
    def state(self) -> State:
        assert self.bench.high_voltage is not None
        return self.bench.high_voltage.state

    @property
    def off(self) -> bool:
        """Source and contactor off, discharge on, by the instruments' own word."""
        assert self.bench.source is not None and self.bench.interlock is not None
        inputs = self.bench.interlock.inputs()
        return self.bench.source.voltage() < 60 and not inputs.contactor and inputs.discharge

    @property
    def supplied(self) -> bool:
        """Whether the 12 V are still there a second later."""
        self.bench.clock.sleep_until(self.bench.clock.now_ns() + S)
        return self.bench.supply_12v.voltage() > 12
