"""What a run uses a unit up by: noted before it happens, refused beyond a budget, remembered by the next run."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from pathlib import Path

import pytest

from harness.bench.bank import Bank
from harness.bench.bench import Bench, open_bench
from harness.bench.instrument import CurrentStimulus, InstrumentError
from harness.bench.spec import load_bench, shipped_bench
from harness.check import predict
from harness.files.profile import load_device, shipped_device
from harness.plan.plan import Plan, load_plan
from harness.record import wear as book
from harness.record.journal import Journal
from harness.record.reader import Record
from harness.record.result import Result, Verdict
from harness.record.wear import WearError, append, path_of, read
from harness.report.bench import left_with
from harness.run.ending import Ending
from harness.run.engine import Engine
from harness.run.step_errors import StepError
from mocks.firmware.overload import TRIP_LEVEL
from protocol.budgets import Budgets
from protocol.device import Device

DEVICE = load_device(shipped_device("heater"))
PLAN = """
format: 1
name: short
title: One trip
device: heater
steps:
  - power_cycle: {duration: 200 ms}
  - clear_codes
  - write_set_points: {name: wrote, values: {overload_pickup: 20 A, overload_time_constant: 2 s}}
  - close
  - expect_trip: {name: trip, STIMULUS}
clean_up:
  - open
  - clear_codes
"""
OVERLOAD = "inject: 60 A, function: overload"
SHORT = "draw: 195 A, voltage: 400 V, function: short_circuit"


class Watcher:
    def started(self, plan: Plan, step: object) -> None:
        pass

    def finished(self, result: Result) -> None:
        pass


def run(folder: Path, name: str, stimulus: str, device: Device = DEVICE) -> Ending:
    return run_plan(folder, name, PLAN.replace("STIMULUS", stimulus), device)


def run_plan(folder: Path, name: str, text: str, device: Device = DEVICE) -> Ending:
    path = folder / "short.yaml"
    path.write_text(text)
    bench = open_bench(load_bench(shipped_bench("simulated")), device)
    journal = Journal(folder / "runs" / name)
    ending = Engine(device, bench, journal, Watcher()).run([load_plan(path)])
    journal.close()
    return ending


def result(ending: Ending, step: str) -> Result:
    return next(each for each in ending.results if each.step == step)


def spent(folder: Path, name: str) -> dict[str, float]:
    record = Record(folder / "runs" / name)
    [detail] = [event.detail for event in record.events() if event.kind == "ledger"]
    record.close()
    wear = detail["wear"]
    assert isinstance(wear, dict)
    return dict(wear["spent"])


def unit_file(folder: Path) -> Path:
    [path] = (folder / "runs" / "units").iterdir()
    return path


@pytest.fixture
def real(monkeypatch: pytest.MonkeyPatch) -> None:
    """A bench that counts, as far as wear goes: its high voltage stays behind the gate, so only injected currents."""
    monkeypatch.setattr(Bench, "simulated", property(lambda self: False))
    monkeypatch.setattr(Bench, "mark", property(lambda self: None))


def test_a_simulated_unit_is_a_new_one_each_time(tmp_path: Path) -> None:
    assert run(tmp_path, "a", SHORT).exit_code == 0
    assert not (tmp_path / "runs" / "units").exists()
    found = spent(tmp_path, "a")
    assert found["short_circuits"] == 1
    assert found["non_volatile_writes"] == 4  # two records, and both put back
    # A comparator set to its 190 A, with 2 % and 1 A, lets (190 + 1) / 0.98 A through and 20 A/us for 1.5 us more of a
    # short circuit; in 20 uH and 20 mohm, and a clamp of 930 V over 400 V, about 0.88 J.
    most = 191 / 0.98 + 20e6 * 1.5e-6
    assert found["clamp_energy"] == pytest.approx(0.5 * 20e-6 * most**2 * 930 / 530, rel=0.02)


def test_what_check_predicts_is_what_a_run_spends(tmp_path: Path) -> None:
    run(tmp_path, "a", SHORT)
    predicted = predict([load_plan(tmp_path / "short.yaml")], DEVICE, load_bench(shipped_bench("simulated"))).wear
    assert spent(tmp_path, "a") == pytest.approx(predicted)


def test_budgets_are_kept(tmp_path: Path) -> None:
    tight = dataclasses.replace(DEVICE, budgets=Budgets(0, 100.0, 1, 0))
    ending = run(tmp_path, "a", SHORT, tight)
    assert result(ending, "wrote").verdict is Verdict.NOT_RUN
    assert result(ending, "wrote").reasons[0].startswith("this takes 4 of non-volatile writes, and unit ")
    assert result(ending, "wrote").reasons[0].endswith(" has 1 of 1 left")
    no_shots = dataclasses.replace(DEVICE, budgets=Budgets(0, 100.0, 100, 0))
    found = result(run(tmp_path, "b", SHORT, no_shots), "trip")
    assert found.verdict is Verdict.NOT_RUN
    assert "short-circuit shots" in found.reasons[0]
    assert found.waveforms == ()
    no_energy = dataclasses.replace(DEVICE, budgets=Budgets(5, 0.5, 100, 0))
    assert "J of energy into the clamp" in result(run(tmp_path, "c", SHORT, no_energy), "trip").reasons[0]


@pytest.mark.usefixtures("real")
def test_on_a_real_bench_it_counts_over_runs(tmp_path: Path) -> None:
    run(tmp_path, "a", OVERLOAD)
    path = unit_file(tmp_path)
    assert read(path).spent == {"non_volatile_writes": 4}
    run(tmp_path, "b", OVERLOAD)
    assert read(path).spent == {"non_volatile_writes": 8}
    tight = dataclasses.replace(DEVICE, budgets=Budgets(1, 1.0, 9, 0))
    found = result(run(tmp_path, "c", OVERLOAD, tight), "wrote")
    assert found.reasons[0] == (f"this takes 4 of non-volatile writes, and unit {path.stem} has 1 of 9 left")


@pytest.mark.usefixtures("real")
def test_what_is_spent_is_noted_before_it_happens(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from harness.bus.diagnostics import Diagnostics

    seen: list[float] = []
    write = Diagnostics.write_group

    def watched(self: Diagnostics, *arguments: object) -> object:
        seen.append(read(unit_file(tmp_path)).spent.get("non_volatile_writes", 0))
        return write(self, *arguments)  # type: ignore[arg-type]

    monkeypatch.setattr(Diagnostics, "write_group", watched)
    run(tmp_path, "a", OVERLOAD)
    assert seen == [1, 2, 3, 4]


@pytest.mark.usefixtures("real")
def test_a_quarantine_outlasts_the_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with monkeypatch.context() as broken:
        broken.setattr("mocks.firmware.overload.TRIP_LEVEL", TRIP_LEVEL * 1000)
        assert result(run(tmp_path, "a", OVERLOAD), "trip").verdict is Verdict.FAIL
    path = unit_file(tmp_path)
    assert read(path).quarantine is not None

    found = result(run(tmp_path, "b", OVERLOAD), "trip")
    assert found.verdict is Verdict.NOT_RUN
    assert "overload did not operate by the cut-off (a, " in found.reasons[0]

    append(path, path.stem, "released", reason="firmware put right", name="somebody")
    assert result(run(tmp_path, "c", OVERLOAD), "trip").verdict is Verdict.PASS


@pytest.fixture
def kept(monkeypatch: pytest.MonkeyPatch) -> None:
    """What a simulated unit goes through is kept as of a real one; its bench stays one that asks nobody."""
    monkeypatch.setattr(Bench, "mark", property(lambda self: None))


def whenever(monkeypatch: pytest.MonkeyPatch, owner: type, name: str, then: Callable[[], None]) -> None:
    """``then`` happens just before ``owner`` does ``name``."""
    act = getattr(owner, name)

    def watched(self: object, *arguments: object) -> object:
        then()
        return act(self, *arguments)

    monkeypatch.setattr(owner, name, watched)


HEALTH = "check_health: {name: trip, voltage_drop: {draw: 20 A, voltage: 700 V, at_most: 2 V}}"
STRAINS = {
    "drawn": (f"expect_trip: {{name: trip, {SHORT}}}", CurrentStimulus, "apply", "195 A"),
    "health": (HEALTH, CurrentStimulus, "apply", "20 A"),
    "shot": ("short_circuit: {name: trip, voltage: 400 V}", Bank, "make", "a short circuit"),
}
SHOT = PLAN.replace("  - close\n", "  - calibrate_loop: {name: loop, voltage: 80 V}\n  - close\n")


def strained(folder: Path, name: str, kind: str) -> Ending:
    """A run with a current of this ``kind`` through the switch; its step is called trip."""
    step, *_ = STRAINS[kind]
    plan = (SHOT if kind == "shot" else PLAN).replace("expect_trip: {name: trip, STIMULUS}", step)
    return run_plan(folder, name, plan)


@pytest.mark.usefixtures("kept")
@pytest.mark.parametrize("kind", STRAINS)
def test_a_kill_while_a_current_flows_leaves_the_unit_quarantined_until_it_is_released(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kind: str
) -> None:
    _, owner, act, what = STRAINS[kind]
    at_the_time: list[bytes] = []
    with monkeypatch.context() as patch:
        whenever(patch, owner, act, lambda: at_the_time.append(unit_file(tmp_path).read_bytes()))
        assert result(strained(tmp_path, "a", kind), "trip").verdict is Verdict.PASS
    path = unit_file(tmp_path)
    assert read(path).quarantine is None

    path.write_bytes(at_the_time[-1])
    known = read(path).quarantine
    assert known is not None
    assert known.startswith(f"nobody knows what came of {what} (a, ")
    found = result(strained(tmp_path, "b", kind), "trip" if kind != "shot" else "loop")
    assert (found.verdict, found.reasons) == (Verdict.NOT_RUN, (f"the unit is quarantined: {known}",))

    append(path, path.stem, "released", reason="looked at", name="somebody")
    assert result(strained(tmp_path, "c", kind), "trip").verdict is Verdict.PASS


@pytest.mark.usefixtures("kept")
@pytest.mark.parametrize(
    ("error", "settled"),
    [(InstrumentError("load: no answer"), False), (StepError("off"), True), (KeyboardInterrupt(), True)],
    ids=repr,
)
def test_a_current_that_is_broken_off_is_settled_unless_the_bench_was_lost_with_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: BaseException, settled: bool
) -> None:
    begun: list[str | None] = []

    def break_off() -> None:
        begun.append(read(unit_file(tmp_path)).quarantine)
        raise error

    whenever(monkeypatch, CurrentStimulus, "apply", break_off)

    assert result(strained(tmp_path, "a", "drawn"), "trip").verdict is Verdict.ERROR

    assert len(begun) == 1
    assert begun[0] is not None
    assert (read(unit_file(tmp_path)).quarantine is None) is settled


@pytest.mark.usefixtures("kept")
@pytest.mark.parametrize("kind", STRAINS)
def test_no_current_flows_where_it_cannot_be_noted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kind: str) -> None:
    _, owner, act, _ = STRAINS[kind]
    flowed: list[str] = []
    whenever(monkeypatch, owner, act, lambda: flowed.append(act))
    refuse(monkeypatch, "strained")

    found = result(strained(tmp_path, "a", kind), "trip")

    assert found.verdict is Verdict.ERROR
    assert "what the unit goes through cannot be noted: no room" in found.reasons[0]
    assert flowed == (["make"] if kind == "shot" else [])  # of the loop, which is measured with the breaker out of it


@pytest.mark.usefixtures("kept")
def test_a_step_that_cannot_be_noted_as_over_is_an_error_and_leaves_the_unit_quarantined(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    refuse(monkeypatch, "settled")

    ending = strained(tmp_path, "a", "drawn")

    assert result(ending, "trip").verdict is Verdict.ERROR
    assert result(ending, "trip").reasons == ("what the unit goes through cannot be noted: no room",)
    assert ending.exit_code == 5
    assert (read(unit_file(tmp_path)).quarantine or "").startswith("nobody knows what came of 195 A (a, ")


def refuse(monkeypatch: pytest.MonkeyPatch, unwanted: str) -> None:
    """The disk takes every entry but those that are called ``unwanted``."""
    take = append

    def refusing(path: Path, serial: str, entry: str, **detail: object) -> None:
        if entry == unwanted:
            raise WearError("no room")
        take(path, serial, entry, **detail)

    monkeypatch.setattr(book, "append", refusing)


def test_nothing_is_applied_to_a_quarantined_unit(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Not by the gate either: nobody is asked to confirm what will not be done."""
    monkeypatch.setattr("mocks.firmware.overload.TRIP_LEVEL", TRIP_LEVEL * 1000)
    head = "format: 1\nname: {}\ntitle: No more\ndevice: heater\nsteps:\n  - open: {{name: opened}}\n"
    steps = {"held": "  - hold: {name: it, bus: 600 V}", "looped": "  - calibrate_loop: {name: it, voltage: 80 V}"}
    steps["supplied"] = "  - expect_no_trip: {name: it, supply: 12 V, switch: open, duration: 1 s}"
    for name, step in steps.items():
        (tmp_path / f"{name}.yaml").write_text(head.format(name) + step)
    (tmp_path / "first.yaml").write_text(PLAN.replace("STIMULUS", OVERLOAD))
    bench = open_bench(load_bench(shipped_bench("simulated")), DEVICE)
    journal = Journal(tmp_path / "runs" / "a")
    plans = [load_plan(tmp_path / name) for name in ("first.yaml", "held.yaml", "looped.yaml", "supplied.yaml")]
    ending = Engine(DEVICE, bench, journal, Watcher()).run(plans)
    journal.close()

    assert result(ending, "trip").verdict is Verdict.FAIL
    later = {found.id: found for found in ending.results if found.plan in steps}
    for name in steps:
        assert later[f"{name}/opened"].verdict is Verdict.PASS
        assert later[f"{name}/it"].verdict is Verdict.NOT_RUN
        assert later[f"{name}/it"].reasons[0].startswith("the unit is quarantined: overload did not operate")
    record = Record(tmp_path / "runs" / "a")
    assert not [event for event in record.events() if event.kind == "gate"]
    record.close()


@pytest.mark.usefixtures("real")
def test_a_unit_without_a_serial_number_takes_no_shot() -> None:
    from harness.run.step_errors import StepNotRun
    from harness.run.wear import Unit

    with pytest.raises(StepNotRun, match="does not say its serial number"):
        Unit(None, None, None, "run", real=True).shot(1, 0.0, "short_circuit")
    Unit(None, None, None, "run", real=True).shot(0, 0.0, "overload")


def test_the_report_says_what_was_spent_and_is_left(tmp_path: Path) -> None:
    run(tmp_path, "a", SHORT)
    record = Record(tmp_path / "runs" / "a")
    rows = dict(left_with(record.events()))
    record.close()
    assert rows["heater: short circuits spent"] == "1, 499 left"
    assert rows["heater: non volatile writes spent"] == "4, 7996 left"
    assert rows["heater: wear is counted"].endswith("for this run alone: a simulated unit is new each time")


def test_a_path_is_beside_the_records(tmp_path: Path) -> None:
    assert path_of(tmp_path, "0001") == tmp_path / "units" / "0001.jsonl"
