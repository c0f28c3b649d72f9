"""What a broken-off part of a run hands to the next: who the unit is, and set-points that are to be put back."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import pytest
from test_run_engine import Nobody

from harness.bench.bench import Bench, open_bench
from harness.bench.spec import load_bench, shipped_bench
from harness.files.profile import load_device, shipped_device
from harness.plan.plan import Plan, load_plan
from harness.plan.steps import Wait
from harness.record.journal import Journal
from harness.record.reader import Record
from harness.record.result import Applied, Verdict
from harness.run import engine as engine_module
from harness.run.context import Context, Outcome
from harness.run.ending import Ending
from harness.run.engine import Engine
from harness.run.observe import read_set_points
from harness.run.resumption import Resumption, ended_plans, resumption
from harness.run.steps import RUNNERS

DEVICE = load_device(shipped_device("heater"))
NAMES = ("overload_pickup", "overload_time_constant")
PLAN = """
format: 1
name: short
title: Write and stop
device: heater
steps:
  - power_cycle: {duration: 1 s}
  - write_set_points: {values: {overload_pickup: 20 A, overload_time_constant: 2 s}}
  - write_set_points: {values: {overload_pickup: 21 A}}
  - close
  - expect_trip: {inject: 60 A, function: overload}
  - expect_no_trip: {gate_rail: 15 V, duration: 10 ms, switch: open}
"""


@pytest.fixture
def bench() -> Bench:
    return open_bench(load_bench(shipped_bench("simulated")), DEVICE)


@pytest.fixture
def plan(tmp_path: Path) -> Plan:
    path = tmp_path / "short.yaml"
    path.write_text(PLAN)
    return load_plan(path)


def run(folder: Path, bench: Bench, plan: Plan, known: Resumption | None = None) -> Ending:
    journal = Journal(folder)
    ending = Engine(DEVICE, bench, journal, Nobody(), resumption=known).run([plan])
    journal.close()
    return ending


def held(bench: Bench) -> dict[str, Fraction]:
    bench.supply_12v.output(True)
    bench.idle(1_000_000_000)
    return read_set_points(DEVICE, bench, NAMES)


def test_set_points_go_back_to_what_they_were_before_the_first_part(
    tmp_path: Path, bench: Bench, plan: Plan, monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as patch:
        patch.setattr(engine_module, "put_back", lambda context: [])  # as after a kill
        run(tmp_path / "one", bench, plan)
    first = {name: DEVICE.set_points[name].default for name in NAMES}
    assert held(bench) == {"overload_pickup": 21, "overload_time_constant": 2} != first
    record = Record(tmp_path / "one")
    known = resumption(record, "heater")
    record.close()

    ending = run(tmp_path / "two", bench, plan, known)

    assert known.left == first
    assert held(bench) == first
    assert ending.not_put_back == []


def quarantining(reason: str) -> Callable[[Wait, Context, Outcome], None]:
    def wait(step: Wait, context: Context, outcome: Outcome) -> None:
        context.ledger.quarantined(context.bench.clock.now_ns(), reason)
        raise KeyboardInterrupt

    return wait


def test_a_quarantine_is_one_for_what_is_gone_on_with_as_well(
    tmp_path: Path, bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "short.yaml"
    path.write_text(PLAN.replace("  - close\n", "  - wait: {duration: 1 s}\n  - close\n"))
    plan = load_plan(path)
    with monkeypatch.context() as patch:
        patch.setitem(RUNNERS, Wait, quarantining("current flowed on"))
        assert run(tmp_path / "one", bench, plan).interrupted
    record = Record(tmp_path / "one")
    known, other = resumption(record, "heater"), resumption(record, "pump")
    record.close()

    again = {result.kind: result for result in run(tmp_path / "two", bench, plan, known).results}

    assert (known.quarantine, other.quarantine) == ("current flowed on", None)
    assert again["wait"].verdict is Verdict.PASS
    for kind in ("expect_trip", "expect_no_trip"):
        assert again[kind].verdict is Verdict.NOT_RUN
    assert again["expect_trip"].reasons == ("the unit is quarantined: current flowed on",)


def test_another_device_has_no_part_in_it(tmp_path: Path, bench: Bench, plan: Plan) -> None:
    run(tmp_path / "one", bench, plan)
    record = Record(tmp_path / "one")

    assert resumption(record, "pump") == Resumption(None, {})
    assert ended_plans(record) == {"short"}
    record.close()


def test_a_plan_that_began_again_has_not_ended(tmp_path: Path) -> None:
    journal = Journal(tmp_path / "run")
    for plan in ("one", "two"):
        journal.begun(1, "heater", plan, "step_1")
        journal.event(2, "plan_ended", {"device": "heater", "plan": plan})
    journal.begun(3, "heater", "two", "step_1")
    journal.close()
    record = Record(tmp_path / "run")

    assert ended_plans(record) == {"one"}
    record.close()


def test_heat_is_not_known_after_a_break(tmp_path: Path, bench: Bench, plan: Plan) -> None:
    known = Resumption(None, {})
    (tmp_path / "cold.yaml").write_text(
        PLAN.replace("  - power_cycle: {duration: 1 s}\n", "").replace(
            "function: overload", "function: overload, start: cold"
        )
    )
    ending = run(tmp_path / "one", bench, load_plan(tmp_path / "cold.yaml"), known)

    trip = next(result for result in ending.results if result.kind == "expect_trip")
    assert "start cold was asked for, but the level may be" in trip.reasons[0]


def test_timed_steps_say_what_was_applied_with_which_set_points(tmp_path: Path, bench: Bench, plan: Plan) -> None:
    run(tmp_path / "one", bench, plan)
    record = Record(tmp_path / "one")
    results = {result.kind: result for result in record.results()}
    record.close()

    trip, no_trip = results["expect_trip"], results["expect_no_trip"]
    assert trip.stimulus == Applied("inject", 60.0, "A", None, "from_history")
    assert no_trip.stimulus == Applied("gate_rail", 15.0, "V", None, "from_history")
    assert trip.set_points is not None and trip.set_points["overload_pickup"] == 21.0
    assert results["close"].stimulus is None and results["close"].set_points is None
    assert {result.device for result in results.values()} == {"heater"}


def test_a_unit_that_comes_back_from_a_reset_as_another_fails(
    tmp_path: Path, bench: Bench, plan: Plan, monkeypatch: pytest.MonkeyPatch
) -> None:
    text, asked = bench.diagnostics.text, []

    def other(did: int) -> str:
        asked.append(did)
        return "0.9.0" if did == 0xF189 and asked.count(did) > 2 else text(did)

    monkeypatch.setattr(bench.diagnostics, "text", other)
    ending = run(tmp_path / "one", bench, plan)

    cycle = ending.results[0]
    assert "(after reset): application_version is '0.9.0', was " in cycle.reasons[0]
    assert ending.unfit is not None and "(end)" in ending.unfit
    assert ending.exit_code == 1


def test_the_record_says_what_each_device_was_left_with(tmp_path: Path, bench: Bench, plan: Plan) -> None:
    run(tmp_path / "one", bench, plan)
    record = Record(tmp_path / "one")
    (final,) = record.ledger()
    moments = [reading.moment for reading in record.identities()]
    record.close()

    assert final.detail["device"] == "heater" and final.detail["not_put_back"] == {}
    assert final.detail["trips"] == 1
    assert moments == ["start", "after reset", "end"]
