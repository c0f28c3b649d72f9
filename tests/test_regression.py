"""The shipped regression as a whole: what it covers, that healthy breakers pass it, and that broken ones do not."""

from __future__ import annotations

import random
import subprocess
import sys
from collections import Counter
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

import pytest

from harness.bench.bench import open_bench
from harness.bench.spec import load_bench, shipped_bench
from harness.cli.work import Work, load_work
from harness.files.profile import shipped_plans
from harness.plan.plan import Plan, PlanStep
from harness.record.journal import Journal
from harness.record.result import Result, Verdict
from harness.run.engine import Engine

ROOT = Path(__file__).parent.parent
SIMULATED = shipped_bench("simulated")


class Nobody:
    def started(self, plan: Plan, step: PlanStep) -> None:
        pass

    def finished(self, result: Result) -> None:
        pass


@pytest.fixture(scope="module")
def work() -> Work:
    return load_work([shipped_plans()], load_bench(SIMULATED))


def run_all(folder: Path, work: Work, seed: int, order: random.Random | None = None) -> list[Result]:
    """Every plan of every device once, in the order of the files or in a shuffled one."""
    results: list[Result] = []
    for device, plans in work:
        its = list(plans)
        if order is not None:
            order.shuffle(its)
        journal = Journal(folder / device.name)
        bench = open_bench(load_bench(SIMULATED, seed), device)
        results += Engine(device, bench, journal, Nobody()).run(its).results
        journal.close()
    return results


def timed(results: Iterable[Result]) -> list[Result]:
    """Results whose verdict rests on a timed operate."""
    return [r for r in results if any(measurement.name == "operate time" for measurement in r.measurements)]


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory, work: Work) -> list[Result]:
    return run_all(tmp_path_factory.mktemp("whole"), work, seed=1)


@pytest.mark.timeout(300)
def test_the_whole_regression_passes_on_a_healthy_unit(results: list[Result]) -> None:
    bad = [
        f"{result.id}: {result.verdict.value}: {result.reasons}"
        for result in results
        if result.verdict is not Verdict.PASS
    ]

    assert bad == []


def test_it_is_as_wide_as_it_says(results: list[Result], work: Work) -> None:
    kinds = Counter(result.kind for result in results)

    assert [device.name for device, _ in work] == ["heater", "pump"] or len(work) == 2
    assert sum(len(plans) for _, plans in work) >= 16
    assert len(results) >= 350
    assert len(timed(results)) >= 120
    assert max(kinds.values()) <= len(results) / 4, kinds.most_common(3)


def test_every_function_of_every_device_is_made_to_operate(results: list[Result], work: Work) -> None:
    operated = {(result.plan, result.function) for result in timed(results)}
    for device, plans in work:
        names = {plan.name for plan in plans}
        found = {function for plan, function in operated if plan in names}

        assert found == set(device.functions), device.name


def verdicts_of_shuffle(folder: Path, shuffle: int) -> dict[str, str]:
    """Verdict of each result with the plans in another order; for a process of its own."""
    work = load_work([shipped_plans()], load_bench(SIMULATED))
    (folder / str(shuffle)).mkdir()
    results = run_all(folder / str(shuffle), work, seed=1, order=random.Random(shuffle))
    return {result.id: result.verdict.value for result in results}


@pytest.mark.timeout(900)
def test_any_order_of_plans_gives_the_same_verdicts(tmp_path: Path, results: list[Result]) -> None:
    wanted = {result.id: result.verdict.value for result in results}
    with ProcessPoolExecutor(2, get_context("spawn")) as pool:
        found = list(pool.map(verdicts_of_shuffle, [tmp_path] * 5, range(5)))

    for shuffle, verdicts in enumerate(found):
        changed = {name: verdict for name, verdict in verdicts.items() if verdict != wanted[name]}
        assert changed == {}, f"shuffle {shuffle}"
        assert verdicts.keys() == wanted.keys()


NEVER_TRIPS = """
import sys
import mocks.firmware.tasks as tasks
tasks.Firmware._operate = lambda *arguments, **more: False
from harness.cli import main
main(["run", *sys.argv[1:]])
"""
ALWAYS_PASSES = """
import sys
import pytest
from harness.record.result import Verdict
from harness.run import context, verdict
verdict.judge = context.judge = lambda *arguments, **more: (Verdict.PASS, None)
context.Outcome.verdict = property(lambda self: Verdict.PASS)
# This package is imported already, which pytest says of its own plugin's entry point.
ignored = ("-W", "ignore::pytest.PytestAssertRewriteWarning")
sys.exit(pytest.main(["-q", "-x", "-p", "no:cacheprovider", *ignored, *sys.argv[1:]]))
"""


def python(code: str, *arguments: object) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-c", code, *map(str, arguments)]
    return subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=200, check=False)


def test_a_mock_that_never_trips_fails_the_regression(tmp_path: Path) -> None:
    plan = shipped_plans() / "low_voltage" / "03_overload.yaml"
    run = python(NEVER_TRIPS, plan, "--runs", tmp_path)

    assert run.returncode == 1, run.stderr
    assert "operate time: did not come" in run.stdout


def test_an_engine_that_passes_everything_fails_the_tests() -> None:
    run = python(ALWAYS_PASSES, "tests/run/test_run_engine.py")

    assert run.returncode == 1, run.stdout
    assert "failed" in run.stdout
