"""Whether comparison names what moved and nothing else: python -m tests.benchmarks.drift [--pairs N].

Each pair is one simulated unit in two runs with noise seeds of their own: whole plans, records on disk. First nothing
is changed between the two; then the firmware of the second has one constant wrong, by half a band of one of its steps.
Exit code 1 where a healthy pair has a drift named, where fewer than 48 of 50 shifts are named, or where anything is
named that is not of the shifted function.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import Any
from unittest.mock import patch

from harness.bench.bench import open_bench
from harness.bench.spec import load_bench, shipped_bench
from harness.cli.work import load_work
from harness.plan.plan import Plan, PlanStep
from harness.record.journal import Journal
from harness.record.result import Result
from harness.report.compare import Comparison, compare, load_run
from harness.run.engine import Engine
from mocks.calibrate import calibrate
from mocks.firmware.calibration import Calibration, Setting

ROOT = Path(__file__).resolve().parents[2] / "testplans"
PLANS = [ROOT / "low_voltage" / "03_overload.yaml", ROOT / "regression" / "heater" / "fault_currents.yaml"]
WANTED = 0.96
"""48 of 50."""


@dataclass(frozen=True)
class Shift:
    """A constant that is wrong by half a band of ``value``: ``factor`` is half of its width over its time, and 1."""

    function: str
    value: str
    factor: Fraction

    def plant(self, calibration: Calibration) -> Calibration:
        """The calibration with the wrong constant in it."""
        protection = calibration.protection
        changed: Any
        if self.function == "overload":
            changed = {"memory": replace(protection.memory, heating=self._scaled(protection.memory.heating))}  # type: ignore[union-attr]
        else:
            (fast,) = protection.fast
            changed = {"fast": (replace(fast, delay=self._scaled(fast.delay)),)}
        return replace(calibration, protection=replace(protection, **changed))

    def _scaled(self, setting: Setting) -> Setting:
        assert setting.source is not None
        scale = setting.source.scale
        wrong = replace(
            scale,
            numerator=scale.numerator * self.factor.numerator,
            denominator=scale.denominator * self.factor.denominator,
        )
        return replace(setting, source=replace(setting.source, scale=wrong))


SHIFTS = (
    # The band of 30 A from cold is 0.134 s wide about 1.17 s; the time goes with the time constant.
    Shift("overload", "overload/cold_at_30_a: operate time", Fraction(1057, 1000)),
    # The band of 80 A is 3.5 ms wide about 0.1 s; the time goes with the delay.
    Shift("overcurrent", "fault_currents/flat.expect_trip_1[current=80 A]: operate time", Fraction(10175, 10000)),
)


class _Nobody:
    def started(self, plan: Plan, step: PlanStep) -> None:
        pass

    def finished(self, result: Result) -> None:
        pass


def run(folder: Path, seed: int, noise_seed: int, shift: Shift | None) -> None:
    """One run of the unit of ``seed`` into a record in ``folder``."""
    spec = load_bench(shipped_bench("simulated"), seed, noise_seed)
    journal = Journal(folder)
    bench_ns = 0
    with ExitStack() as stack:
        stack.callback(journal.close)
        if shift is not None:
            stack.enter_context(
                patch("mocks.world.calibrate", lambda device, *errors: shift.plant(calibrate(device, *errors)))
            )
        for device, plans in load_work(PLANS, spec):
            bench = open_bench(spec, device)
            bench_ns += Engine(device, bench, journal, _Nobody()).run(plans).bench_ns
            bench.close()
        journal.about(started="", ended="", bench="simulated", bench_s=str(bench_ns / 1e9))


@dataclass(frozen=True)
class Named:
    """What one comparison named: whether the shifted value, and what else; and how many values it tested."""

    shifted: bool
    others: tuple[str, ...]
    values: int


def judge(found: Comparison, shift: Shift | None) -> Named:
    """Sort what was named into the shifted function's and the rest."""
    assert not found.reasons, found.reasons
    functions = {step: result.function for step, result in found.after[0].results.items()}
    mine = [key for key in found.named if shift and functions[key.partition(": ")[0]] == shift.function]
    others = tuple(key for key in found.named if key not in mine)
    return Named(shift is not None and shift.value in mine, others, len(found.drifts))


def pairs_of(unit: int) -> tuple[Named, Named]:
    """Unit ``unit`` in one run, against another healthy run of it and against one with a shift."""
    shift = SHIFTS[unit % len(SHIFTS)]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        run(folder / "before", unit, 1000 + unit, None)
        run(folder / "healthy", unit, 2000 + unit, None)
        run(folder / "shifted", unit, 3000 + unit, shift)
        before = [load_run(folder / "before")]
        healthy, shifted = ([load_run(folder / each)] for each in ("healthy", "shifted"))
        return judge(compare(before, healthy), None), judge(compare(before, shifted), shift)


def main() -> int:
    """Run all pairs, print what was named; 1 where the figures are not met."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--pairs", type=int, default=50, help="pairs of each kind")
    parser.add_argument("--workers", type=int, default=2, help="processes")
    options = parser.parse_args()
    pairs, began = options.pairs, time.perf_counter()
    with ProcessPoolExecutor(options.workers) as pool:
        found = list(pool.map(pairs_of, range(1, pairs + 1)))
    healthy, shifted = [each for each, _ in found], [each for _, each in found]
    clean, alone = (sum(not each.others for each in kind) for kind in (healthy, shifted))
    seen = sum(each.shifted for each in shifted)
    print(f"nothing changed: no drift named in {clean} of {pairs} pairs, {healthy[0].values} values each")
    print(f"half a band: named in {seen} of {pairs} pairs, and nothing of another function in {alone} of {pairs}")
    for each in (*healthy, *shifted):
        if each.others:
            print("  named beside:", ", ".join(each.others))
    good = clean == alone == pairs and seen >= WANTED * pairs
    print(f"{'as wanted' if good else 'NOT AS WANTED'}, {time.perf_counter() - began:.0f} s")
    return int(not good)


if __name__ == "__main__":
    sys.exit(main())
