"""The engine one result at a time: left, closed or interrupted between two steps, the bench is made safe."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from harness.bench.bench import open_bench
from harness.bench.making_safe import ACTIONS
from harness.bench.spec import load_bench, shipped_bench
from harness.files.profile import load_device, shipped_device
from harness.plan.plan import Plan, PlanStep, load_plan
from harness.record.journal import Journal
from harness.record.result import Result
from harness.run.engine import Engine

PLAN = """\
format: 1
name: {name}
title: Short
device: heater
steps:
  - power_cycle: {duration: 500 ms}
  - close
  - wait: {duration: 1 s}
  - check_status: {switch: closed}
clean_up:
  - open
"""
NAMES = ["power_cycle_1", "close_1", "wait_1", "check_status_1", "clean_up_open_1"]


class Nobody:
    def started(self, plan: Plan, step: PlanStep) -> None:
        pass

    def finished(self, result: Result) -> None:
        pass


@pytest.fixture
def engine(tmp_path: Path) -> Iterator[Engine]:
    journal = Journal(tmp_path / "run")
    device = load_device(shipped_device("heater"))
    bench = open_bench(load_bench(shipped_bench("simulated")), device)
    yield Engine(device, bench, journal, Nobody())
    journal.close()


def a_plan(folder: Path, name: str = "short") -> Plan:
    path = folder / f"{name}.yaml"
    path.write_text(PLAN.replace("{name}", name))
    return load_plan(path)


def verdicts(engine: Engine) -> list[str]:
    return [result.verdict.value for result in engine.ending.results]


def safe(engine: Engine) -> bool:
    return [action.problem for action in engine.ending.made_safe] == [None] * len(ACTIONS)


def test_each_result_comes_when_its_step_is_over(engine: Engine, tmp_path: Path) -> None:
    course = engine.steps([a_plan(tmp_path)])

    for number, name in enumerate(NAMES, start=1):
        assert next(course).step == name
        assert len(engine.ending.results) == number
        assert engine.ending.made_safe == []
    assert next(course, None) is None
    assert safe(engine)
    assert engine.ending.exit_code == 0


def test_the_next_plan_is_asked_for_when_the_last_is_over(engine: Engine, tmp_path: Path) -> None:
    asked = []

    def plans() -> Iterator[Plan]:
        for name in ("first", "second"):
            asked.append(name)
            yield a_plan(tmp_path, name)

    course = engine.steps(plans())
    for _ in NAMES:
        next(course)

    assert asked == ["first"]
    assert [result.plan for result in course] == ["second"] * len(NAMES)


def test_an_interrupt_between_two_steps_is_one_of_the_run(engine: Engine, tmp_path: Path) -> None:
    course = engine.steps([a_plan(tmp_path)])
    next(course)
    next(course)

    with pytest.raises(StopIteration):
        course.throw(KeyboardInterrupt())

    assert engine.ending.interrupted
    assert verdicts(engine) == ["pass", "pass", "not-run", "not-run", "not-run"]
    assert safe(engine)
    assert engine.ending.exit_code == 130


def test_closed_between_two_steps_the_bench_is_made_safe(engine: Engine, tmp_path: Path) -> None:
    course = engine.steps([a_plan(tmp_path)])
    next(course)
    next(course)

    course.close()

    assert safe(engine)
    assert not engine.ending.interrupted


def test_a_plan_that_is_left_is_cleaned_up_and_the_next_is_whole(engine: Engine, tmp_path: Path) -> None:
    course = engine.steps([a_plan(tmp_path, "first"), a_plan(tmp_path, "second")])
    next(course)
    engine.leave("not begun: enough")
    rest = list(course)

    assert [(result.step, result.verdict.value) for result in rest[:4]] == [
        *((name, "not-run") for name in NAMES[1:4]),
        ("clean_up_open_1", "pass"),
    ]
    assert rest[0].reasons == ("not begun: enough",)
    assert [result.verdict.value for result in rest[4:]] == ["pass"] * len(NAMES)
