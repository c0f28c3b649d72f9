"""Plans as tests of pytest: what is collected, what a selection does, and that the bench is safe whatever ends it.

Sessions run in this process, but where that would end it: a deadline, workers.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
import xml.etree.ElementTree as ET
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest
from serving import Serving

from harness.bench.making_safe import ACTIONS
from harness.bench.spec import shipped_bench
from harness.plan.steps import Wait
from harness.record.reader import Record
from harness.run.steps import RUNNERS

pytest_plugins = ["pytester"]

PATIENCE_S = 90
PLAN = """\
format: 1
name: {name}
title: Six steps
device: heater
preconditions:
  - power_cycle: {duration: 500 ms}
steps:
  - write_set_points: {name: write, values: {overload_pickup: 20 A, overload_time_constant: 2 s}}
  - check_status: {name: wrong, state: on}
  - close: {name: shut}
  - request: {name: ask, payload: 22 FF FF, refused: request_out_of_range}
  - wait: {name: pause, duration: 5 min}
clean_up:
  - open: {name: open}
"""
NAMES = ["precondition_power_cycle_1", "write", "wrong", "shut", "ask", "pause", "open"]
SLOW = """
import time
from harness.plan.steps import Wait
from harness.run.steps import RUNNERS

RUNNERS[Wait] = lambda step, context, outcome: time.sleep(30)
"""


@dataclass
class Session:
    """How one session of pytest ended."""

    code: int
    text: str
    folder: Path

    @property
    def records(self) -> list[Path]:
        return sorted((self.folder / "runs").glob("*"))

    @property
    def outcomes(self) -> dict[str, str]:
        """Last part of a test's id -> word that pytest has for it."""
        found = {}
        for line in self.text.splitlines():
            name, _, rest = line.partition(" ")
            if "::" in name and rest.split()[:1] and rest.split()[0].isupper():
                found[name.rpartition("/")[2]] = rest.split()[0]
        return found


@pytest.fixture
def folder(pytester: pytest.Pytester) -> Path:
    """Where the session runs; one plan is there."""
    pytester.makeini("[pytest]\naddopts = --strict-markers -v\nfilterwarnings = error\n")
    (pytester.path / "plan.yaml").write_text(PLAN.replace("{name}", "six"))
    return pytester.path


@pytest.fixture
def session(pytester: pytest.Pytester, folder: Path) -> Callable[..., Session]:
    """Runs one session in this process."""

    def run(*arguments: str, bench: str | None = "simulated") -> Session:
        chosen = [] if bench is None else ["--bench", bench]
        done = pytester.runpytest_inprocess(
            "-p", "harness.pytest_plugin", "-p", "no:timeout", *arguments, *chosen, no_reraise_ctrlc=True
        )
        return Session(int(done.ret), "\n".join([*done.outlines, *done.errlines]), folder)

    return run


def other_process(folder: Path, *arguments: str) -> Session:
    """One session in a process of its own."""
    command = [sys.executable, "-m", "pytest", "-p", "harness.pytest_plugin", "--bench", "simulated", *arguments]
    environment = os.environ | {"PYTHONPATH": str(Path(__file__).parents[1])}
    done = subprocess.run(
        command, cwd=folder, capture_output=True, text=True, timeout=PATIENCE_S, env=environment, check=False
    )
    return Session(done.returncode, done.stdout + done.stderr, folder)


def results(folder: Path) -> dict[str, tuple[str, str]]:
    """Of a record: step -> verdict and reasons."""
    record = Record(folder)
    try:
        return {result.step: (result.verdict.value, "; ".join(result.reasons)) for result in record.results()}
    finally:
        record.close()


def made_safe(folder: Path) -> bool:
    """Every action of making safe is in the record after its last result, without a problem; the run has ended."""
    record = Record(folder)
    try:
        actions = [event.detail for event in record.events() if event.kind == "making_safe"]
        last = [(detail["action"], detail["problem"]) for detail in actions][-len(ACTIONS) :]
        return last == [(name, None) for name in (each.name for each in ACTIONS)] and "ended" in record.about()
    finally:
        record.close()


def test_each_step_is_a_test_in_the_order_of_its_plan(session: Callable[..., Session], folder: Path) -> None:
    done = session()

    assert done.code == 1
    words = dict.fromkeys(NAMES, "PASSED") | {"wrong": "FAILED"}
    assert done.outcomes == words
    assert list(done.outcomes) == NAMES
    assert "plan.yaml::six/wrong" in done.text
    assert "plan.yaml:9:5: fail: state is off, wanted on" in done.text
    assert "SIMULATED BENCH: no evidence about a real breaker" in done.text
    assert {step: verdict for step, (verdict, _) in results(done.records[0]).items()} == {
        name: {"PASSED": "pass", "FAILED": "fail"}[word] for name, word in words.items()
    }
    assert made_safe(done.records[0])


def test_without_a_bench_it_does_nothing(session: Callable[..., Session], folder: Path) -> None:
    done = session(bench=None)

    assert done.code == 5
    assert "collected 0 items" in done.text
    assert done.records == []


def test_what_a_selected_step_needs_is_carried_out_and_so_is_the_clean_up(
    session: Callable[..., Session], folder: Path
) -> None:
    done = session("-k", "shut")

    assert done.code == 0, done.text
    assert done.outcomes == {"shut": "PASSED"}
    found = results(done.records[0])
    assert found["wrong"][0] == "fail"
    assert found["ask"] == found["pause"] == ("not-run", "not begun: no step from here on was selected")
    assert found["open"] == ("pass", "")
    assert made_safe(done.records[0])


def test_x_ends_the_plan_after_the_failed_step_and_cleans_up(session: Callable[..., Session], folder: Path) -> None:
    done = session("-x")

    assert done.outcomes == {"precondition_power_cycle_1": "PASSED", "write": "PASSED", "wrong": "FAILED"}
    assert results(done.records[0])["shut"][0] == "not-run"
    assert results(done.records[0])["open"][0] == "pass"
    assert made_safe(done.records[0])


def test_lf_takes_the_failed_step_only(session: Callable[..., Session], folder: Path) -> None:
    session()

    again = session("--lf")

    assert again.outcomes == {"wrong": "FAILED"}
    assert results(again.records[1])["write"][0] == "pass"


def test_a_clean_up_that_fails_unselected_is_told(session: Callable[..., Session], folder: Path) -> None:
    text = (folder / "plan.yaml").read_text()
    (folder / "plan.yaml").write_text(text + "  - check_status: {name: last, state: on}\n")

    done = session("-k", "write")

    assert done.code == 1
    assert "last: fail: state is off, wanted on" in done.text


def test_two_plans_of_one_name_are_refused(session: Callable[..., Session], folder: Path) -> None:
    (folder / "again.yaml").write_text((folder / "plan.yaml").read_text())

    done = session()

    assert done.code == 4
    assert "plan 'six' is in" in done.text
    assert done.records == []


def test_a_plan_with_a_fault_is_an_error_at_its_place(session: Callable[..., Session], folder: Path) -> None:
    (folder / "bad.yaml").write_text(PLAN.replace("{name}", "bad").replace("5 min", "5 mins"))

    done = session()

    assert done.code == 2
    assert "bad.yaml:12:35: '5 mins'" in done.text
    assert done.records == []


@pytest.mark.parametrize(("bench", "wanted"), [("nowhere", "no bench 'nowhere'"), ("no.yaml", "no.yaml:1:1")])
def test_a_bench_that_is_none_is_a_usage_error(
    session: Callable[..., Session], folder: Path, bench: str, wanted: str
) -> None:
    done = session(bench=bench)

    assert done.code == 4
    assert wanted in done.text


@pytest.mark.parametrize(
    ("expression", "wanted"), [("long", ["pause"]), ("bus", ["ask"]), ("hazardous", []), ("not (long or bus)", None)]
)
def test_markers(session: Callable[..., Session], folder: Path, expression: str, wanted: list[str] | None) -> None:
    done = session("--collect-only", "-qq", "-m", expression)

    found = [line.rpartition("/")[2] for line in done.text.splitlines() if "::" in line]
    assert found == ([name for name in NAMES if name not in ("ask", "pause")] if wanted is None else wanted)


def test_a_plan_with_a_high_voltage_is_hazardous_as_a_whole(session: Callable[..., Session], folder: Path) -> None:
    text = (Path(__file__).parents[1] / "testplans" / "high_voltage" / "overload_primary.yaml").read_text()
    (folder / "primary.yaml").write_text(text)

    done = session("--collect-only", "-qq", "-m", "hazardous")

    found = [line for line in done.text.splitlines() if "::" in line]
    assert found
    assert {line.partition("::")[0] for line in found} == {"primary.yaml"}
    every = session("--collect-only", "-qq", "primary.yaml")
    assert [line for line in every.text.splitlines() if "::" in line] == found


def test_junitxml_has_the_file_and_the_line_of_a_step(session: Callable[..., Session], folder: Path) -> None:
    session("--junitxml=out.xml")

    cases = {case.get("name"): case for case in ET.parse(folder / "out.xml").getroot().iter("testcase")}
    properties = {each.get("name"): each.get("value") for each in cases["six/wrong"].iter("property")}
    assert (properties["file"], properties["line"], properties["verdict"]) == ("plan.yaml", "9", "fail")
    assert properties["mark"] == "SIMULATED BENCH: no evidence about a real breaker"
    assert list(cases) == [f"six/{name}" for name in NAMES]


@pytest.mark.parametrize("method", ["signal", "thread"])
def test_the_bench_is_safe_before_a_timeout_can_act(folder: Path, method: str) -> None:
    (folder / "conftest.py").write_text(SLOW)

    done = other_process(folder, "--timeout=3", f"--timeout-method={method}")

    assert done.code == 1, done.text
    assert done.outcomes == dict.fromkeys(NAMES, "PASSED") | {"wrong": "FAILED", "pause": "FAILED", "open": "SKIPPED"}
    assert results(done.records[0])["pause"] == (
        *("error", "not over after its deadline of 3 s; the bench was made safe"),
    )
    assert made_safe(done.records[0])


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_an_interrupt_makes_the_bench_safe_and_ends_the_session(
    session: Callable[..., Session], monkeypatch: pytest.MonkeyPatch, number: int
) -> None:
    def interrupted(step: object, context: object, outcome: object) -> None:
        os.kill(os.getpid(), number)
        time.sleep(30)

    monkeypatch.setitem(RUNNERS, Wait, interrupted)
    before = signal.getsignal(number)

    done = session()

    assert done.code == 2
    assert results(done.records[0])["pause"] == ("error", "interrupted by the operator")
    assert made_safe(done.records[0])
    assert signal.getsignal(number) is before


def test_workers_have_a_simulated_bench_each_and_plans_stay_whole(folder: Path) -> None:
    for name in ("seven", "eight"):
        (folder / f"{name}.yaml").write_text(PLAN.replace("{name}", name))

    done = other_process(folder, "-n", "2")

    assert done.code == 1
    assert "3 failed, 18 passed" in done.text
    assert len(done.records) == 2
    plans = []
    for path in done.records:
        assert made_safe(path)
        record = Record(path)
        plans += list(dict.fromkeys(result.plan for result in record.results()))
        record.close()
    assert sorted(plans) == ["eight", "seven", "six"]


def test_workers_on_a_real_bench_are_refused(session: Callable[..., Session]) -> None:
    done = session("-n", "2", bench=str(shipped_bench("served")))

    assert done.code == 4
    assert "served is a real bench, and there is only one of it; leave -n out" in done.text


def test_a_bench_that_cannot_be_opened_ends_the_session(session: Callable[..., Session], folder: Path) -> None:
    (folder / "away.yaml").write_text(shipped_bench("served").read_text().replace("4711", "1"))  # nobody there

    done = session("plan.yaml", bench="away.yaml")

    assert done.code == 5
    assert "127.0.0.1" in done.text
    assert done.outcomes == {}


def test_on_a_real_bench_nobody_confirms_a_high_voltage(
    session: Callable[..., Session], folder: Path, served: Serving
) -> None:
    (folder / "bench.json").write_text(json.dumps(served.bench))
    high = "  - expect_no_trip: {name: live, draw: 10 A, voltage: 700 V, duration: 1 s}\nclean_up:"
    (folder / "plan.yaml").write_text(PLAN.replace("{name}", "six").replace("clean_up:", high))

    done = session("-rs", bench="bench.json")

    assert done.code == 0, done.text
    names = [*NAMES[:-1], "live", "open"]
    assert done.outcomes == dict.fromkeys(names, "SKIPPED")
    refused = "high-voltage step refused: nobody is there to confirm"
    assert results(done.records[0]) == dict.fromkeys(names, ("not-run", refused))
    assert "nobody is there to confirm" in done.text
