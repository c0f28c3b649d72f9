"""Short circuits from the capacitor bank on the simulated bench: what a good breaker shows, and what broken ones do."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from high_voltage_rig import DEVICE, SPEC, Hands, Rig, clipping_bench

from harness.bench.bench import open_bench
from harness.bench.gate import State
from harness.bench.instrument import Acquisition, InstrumentError, Recorder
from harness.bench.proof import dead_limit
from harness.files.profile import load_device, shipped_plans
from harness.plan.plan import load_plan
from harness.record.journal import Journal
from harness.record.reader import Record
from harness.record.result import Result, Verdict
from harness.run import short_circuit as short_circuit_module
from harness.run.context import Context
from harness.run.ending import Ending
from harness.run.engine import Engine
from harness.run.step_errors import StepError, StepFail
from harness.trip.clearing import FIGURES
from mocks.track import Track
from mocks.world import World

SHOTS = """
  - power_cycle: {duration: 200 ms}
  - clear_codes
  - write_set_points: {values: {short_circuit_threshold: 150 A}}
  - calibrate_loop: {name: loop, voltage: 80 V}
  - close
  - short_circuit: {name: onto_closed, voltage: 400 V}
  - open
  - short_circuit: {name: closing, voltage: 400 V, closing: true}
  - open: {name: open_again}
"""


def world_of(rig: Rig) -> World:
    return rig.bench.clock._move.__self__  # type: ignore[attr-defined, no-any-return]


def step(ending: Ending, name: str) -> Result:
    return next(result for result in ending.results if result.step == name)


def why(ending: Ending) -> str:
    said = [reason for result in ending.results for reason in result.reasons]
    return "; ".join(
        [*said, *(action.problem for action in ending.made_safe if action.problem), ending.bench_lost or ""]
    )


def test_a_good_breaker_clears_the_bank_within_what_its_profile_allows(rig: Rig) -> None:
    ending = rig.run({}, SHOTS)

    assert (ending.exit_code, why(ending)) == (0, "")
    for name in ("onto_closed", "closing"):
        found = {measurement.name: measurement for measurement in step(ending, name).measurements}
        assert list(found) == list(FIGURES)
        for measurement in found.values():
            assert measurement.value is not None and measurement.low is not None and measurement.high is not None
            assert 0 < measurement.uncertainty < (measurement.high - measurement.low) / 10 or measurement.unit == "V"
    assert [proof["state"] for proof in rig.events("proof")] == ["safe", "safe"]
    assert (rig.state, rig.off, world_of(rig).wiring.bank_voltage) == (State.SAFE, True, pytest.approx(0.0, abs=14.0))


def test_nothing_is_switched_on_but_by_a_gate_that_is_energised(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    switched = rig.spy(monkeypatch)

    assert rig.run({}, SHOTS).exit_code == 0
    assert set(switched) == {(name, State.ENERGISED) for name in ("contactor", "source", "pulse", "charger")}


def test_the_loop_is_measured_as_it_is_wired(rig: Rig) -> None:
    ending = rig.run({}, SHOTS)

    bank = world_of(rig).plant.bank
    found = {measurement.name: measurement for measurement in step(ending, "loop").measurements}
    for name, true in (
        ("loop inductance", bank.inductance),
        ("loop resistance", bank.resistance),
        ("prospective current", 400 / bank.resistance),
    ):
        value = found[name].value
        assert value is not None
        assert abs(value - true) < 3 * found[name].uncertainty
        assert found[name].uncertainty < 0.01 * true
    [kept] = rig.events("loop")
    assert kept["inductance"] == [found["loop inductance"].value, found["loop inductance"].uncertainty]


def test_the_waveforms_are_kept(rig: Rig) -> None:
    rig.run({}, SHOTS)

    record = Record(rig.folder / "run")
    [result] = [result for result in record.results() if result.step == "onto_closed"]
    record.close()
    waves = {wave.channel: np.frombuffer(wave.samples, dtype=">f4") for wave in result.waveforms}
    assert waves.keys() == {"current", "switch_voltage", "gate", "bank"}
    assert 150 < waves["current"].max() < 185
    assert 930 < waves["switch_voltage"].max() < 1030
    assert waves["bank"][0] == pytest.approx(400, abs=1)


def slower(world: World) -> None:
    """The comparator takes three times as long."""
    comparator = world._comparator
    assert comparator is not None
    errors = comparator._errors
    object.__setattr__(errors, "response_ns", 3 * errors.response_ns)


def higher(world: World) -> None:
    """Its threshold lies 20 % high."""
    comparator = world._comparator
    assert comparator is not None
    set_reference = comparator.set_reference
    world.firmware.protection.comparators[0]._write_reference = lambda ma: set_reference(round(1.2 * ma))  # type: ignore[attr-defined]
    comparator._reference *= 1.2


def clamps_higher(world: World) -> None:
    """The clamp holds 100 V more."""
    world.plant._clamp += 100


@pytest.mark.parametrize(
    ("plant", "figure"),
    [
        (slower, "let-through peak"),
        (higher, "let-through peak"),
        (clamps_higher, "commutation over-voltage"),
    ],
)
def test_a_worse_breaker_fails(rig: Rig, plant: Callable[[World], None], figure: str) -> None:
    plant(world_of(rig))

    ending = rig.run({}, SHOTS)

    assert step(ending, "onto_closed").verdict is Verdict.FAIL
    assert any(reason.startswith(figure) and "too high" in reason for reason in step(ending, "onto_closed").reasons)
    assert step(ending, "closing").verdict is Verdict.NOT_RUN  # such a unit gets no second shot
    assert rig.state is State.SAFE


def test_a_breaker_that_does_not_clear_fails_and_gets_no_second_shot(rig: Rig) -> None:
    comparator = world_of(rig)._comparator
    assert comparator is not None
    object.__setattr__(comparator._errors, "response_ns", 10**9)

    ending = rig.run({}, SHOTS)

    found = {measurement.name: measurement.value for measurement in step(ending, "onto_closed").measurements}
    assert (found["clearing time"], found["clamp energy"]) == (None, None)
    assert (step(ending, "onto_closed").verdict, step(ending, "closing").verdict) == (Verdict.FAIL, Verdict.NOT_RUN)
    assert (rig.state, rig.off) == (State.SAFE, True)


@pytest.mark.parametrize(
    ("channel", "range_", "shown", "quarantine"),
    [
        ("current", 160.0, "current (160 A)", "a short-circuit current left the recorder's range: nobody knows it"),
        (
            "switch_voltage",
            900.0,
            "switch_voltage (900 V)",
            "the voltage that breaks a short circuit left the recorder's range: nobody knows it",
        ),
        ("bank", 390.0, "bank (390 V)", None),
    ],
)
def test_a_record_that_is_clipped_is_an_error_and_no_verdict(
    tmp_path: Path, channel: str, range_: float, shown: str, quarantine: str | None
) -> None:
    rig = Rig(tmp_path, clipping_bench(channel, range_))

    ending = rig.run({}, SHOTS.replace("voltage: 80 V", "voltage: 15 V"))

    shot = step(ending, "onto_closed")
    assert (shot.verdict, shot.measurements) == (Verdict.ERROR, ())
    assert f"clipped at the end of the recorder's range: {shown};" in why(ending)
    assert {wave.channel for wave in shot.waveforms} == {"current", "switch_voltage", "gate", "bank"}
    assert [event["reason"] for event in rig.events("quarantine")] == ([] if quarantine is None else [quarantine])
    assert (rig.state, rig.off) == (State.SAFE, True)


def test_a_current_beyond_the_range_after_the_window_is_an_error(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where it is so short that I²t stays within its limits, whatever these are."""
    fetch_log = Recorder.fetch_log

    def beyond(recorder: Recorder, name: str) -> tuple[Acquisition, float]:
        log, triggered_s = fetch_log(recorder, name)
        log.channels[name][-2] = 1000.0
        return log, triggered_s

    monkeypatch.setattr(Recorder, "fetch_log", beyond)
    monkeypatch.setattr("harness.run.short_circuit._judge", lambda *arguments: None)

    ending = rig.run({}, SHOTS)

    assert step(ending, "onto_closed").verdict is Verdict.ERROR
    assert "clipped at the end of the recorder's range: current (1000 A);" in why(ending)
    assert [event["reason"] for event in rig.events("quarantine")] == [
        "a short-circuit current left the recorder's range: nobody knows it"
    ]


def test_a_loop_is_not_measured_by_a_record_that_is_clipped(tmp_path: Path) -> None:
    """The breaker is out of it, so that nothing is said of the unit."""
    rig = Rig(tmp_path, clipping_bench("current", 160.0))

    ending = rig.run({}, SHOTS)

    assert step(ending, "loop").verdict is Verdict.ERROR
    assert "clipped at the end of the recorder's range: current (160 A);" in why(ending)
    assert (rig.events("loop"), rig.events("quarantine")) == ([], [])


def test_a_loop_that_is_not_as_declared_is_the_benchs_error(rig: Rig) -> None:
    world_of(rig).plant.bank.inductance *= 1.3

    ending = rig.run({}, SHOTS)

    assert step(ending, "loop").verdict is Verdict.ERROR
    assert "the loop is not what the bench file says" in why(ending)
    assert ending.exit_code == 5


# What may be broken around the bank


@pytest.mark.parametrize(
    ("at", "fault", "said"),
    [
        ("onto_closed", "bank_discharge_stuck", "bank: "),
        ("onto_closed", "charger_ignores_off", "bank: reads up to"),
        ("onto_closed", "sense_bank_off", "bank: does not come to 400 V"),
    ],
)
def test_a_bank_that_is_not_proved_dead_is_said_and_the_12_v_stay_on(rig: Rig, at: str, fault: str, said: str) -> None:
    ending = rig.run({at: rig.panel(f"FAULT {fault} ON")}, SHOTS)

    assert said in why(ending)
    assert (ending.exit_code, rig.state) == (5, State.NOT_PROVEN_DEAD)
    assert "NOT PROVED DEAD" in why(ending)
    assert rig.supplied


def test_a_bank_is_proved_dead_or_given_up_within_its_time(
    tmp_path: Path, rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Discharge of sides and bank, 3 s at most by the bench file, and 3 s for what capacitors give back."""
    took = rig.time_proofs(monkeypatch)
    rig.run({}, SHOTS)
    times = [float(str(proof["at_s"])) for proof in rig.events("proof")]
    assert max(times) < 3.0
    assert [(state, seconds < 3.0 + 3.0) for state, seconds in took] == [(State.SAFE, True)] * 2

    (tmp_path / "stuck").mkdir()
    stuck = Rig(tmp_path / "stuck", open_bench(SPEC, DEVICE))
    took = stuck.time_proofs(monkeypatch)
    stuck.run({"onto_closed": stuck.panel("FAULT bank_discharge_stuck ON")}, SHOTS)
    [proof] = stuck.events("proof")
    assert 3.0 <= float(str(proof["at_s"])) < 3.1
    assert [(state, seconds < 3.0 + 3.0) for state, seconds in took] == [(State.NOT_PROVEN_DEAD, True)]


def test_a_making_switch_that_is_welded_is_found_before_the_next_shot(rig: Rig) -> None:
    ending = rig.run({"onto_closed": rig.panel("FAULT making_welded ON")}, SHOTS)

    assert ending.exit_code == 5
    assert "a side is live while the making switch is open: welded?" in why(ending)


def test_an_interlock_that_opens_while_the_bank_is_charged_makes_it_dead(rig: Rig) -> None:
    def soon() -> None:
        clock = world_of(rig).clock
        clock.at(clock.now_ns() + 100_000_000, lambda: rig.panel("DOOR OPEN")())

    ending = rig.run({"onto_closed": soon}, SHOTS)

    assert ending.exit_code == 5
    assert "the doors are open" in why(ending)
    assert world_of(rig).wiring.bank_voltage < 14
    assert not world_of(rig).plant.bank.charging
    assert rig.state is State.SAFE


def test_a_charged_bank_lets_nothing_be_energised(rig: Rig) -> None:
    world_of(rig).wiring.feed(10**10)

    def leave_it_charged() -> None:
        world = world_of(rig)
        world.plant.discharge_bank(False)
        world.plant.charge_bank(30.0, 100.0)  # below 60 V, and 0.9 J

    ending = rig.run(
        {"close_1": leave_it_charged}, SHOTS.replace("  - calibrate_loop: {name: loop, voltage: 80 V}\n", "")
    )

    assert ending.exit_code == 5
    assert "the bank reads" in why(ending)


BROKEN_OFF = """
  - power_cycle: {duration: 200 ms}
  - clear_codes
  - calibrate_loop: {name: loop, voltage: 80 V}
  - short_circuit: {name: broken_off, voltage: 400 V, closing: true}
  - wait: {name: next, duration: 60 s}
  - calibrate_loop: {name: loop_again, voltage: 80 V}
clean_up:
  - wait: {name: cleaning, duration: 60 s}
  - open: {name: opening}
"""


def break_off(monkeypatch: pytest.MonkeyPatch, error: type[BaseException]) -> None:
    """What is told to close the breaker onto the charged bank comes to ``error``."""
    send = short_circuit_module.send_command

    def sent(context: Context, command: str) -> None:
        if command == "close":
            raise error("broken off")
        send(context, command)

    monkeypatch.setattr(short_circuit_module, "send_command", sent)


@pytest.mark.parametrize("error", [StepFail, StepError])
def test_a_shot_that_breaks_off_leaves_no_charge_to_the_step_that_follows(
    rig: Rig, monkeypatch: pytest.MonkeyPatch, error: type[Exception]
) -> None:
    world, found, most = world_of(rig), [], [0.0]
    limit = dead_limit(2e-3)

    def look() -> None:
        found.append(
            (world.wiring.bank_voltage < limit, world.plant.bank.charging, world.wiring.relays["bank_discharge"])
        )
        if len(found) == 1:
            rig.watch(lambda: most.append(world.wiring.bank_voltage))

    break_off(monkeypatch, error)
    following = ("next", "loop_again", "cleaning", "opening")

    ending = rig.run(dict.fromkeys(following, look), BROKEN_OFF)

    assert step(ending, "broken_off").verdict is (Verdict.FAIL if error is StepFail else Verdict.ERROR)
    assert set(found) == {(True, False, True)}
    assert len(found) == (4 if error is StepFail else 2)
    assert max(most) < (85 if error is StepFail else limit)  # the loop is measured again, and nothing else charges it
    assert (rig.state, rig.off) == (State.SAFE, True)


@pytest.mark.parametrize("error", [InstrumentError, KeyboardInterrupt])
def test_a_run_that_ends_in_a_shot_ends_with_the_bank_dead(
    rig: Rig, monkeypatch: pytest.MonkeyPatch, error: type[BaseException]
) -> None:
    break_off(monkeypatch, error)

    ending = rig.run({}, BROKEN_OFF)

    assert ending.exit_code == (130 if error is KeyboardInterrupt else 5)
    assert (rig.state, rig.off) == (State.SAFE, True)
    assert world_of(rig).wiring.bank_voltage < dead_limit(2e-3)
    assert not world_of(rig).plant.bank.charging


def test_a_charger_that_runs_away_as_a_shot_breaks_off_ends_the_run(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    begun: list[str] = []
    break_off(monkeypatch, StepFail)
    acts = {
        "broken_off": rig.panel("FAULT charger_ignores_off ON"),
        "next": lambda: begun.append("next"),
        "cleaning": lambda: begun.append("cleaning"),
    }

    ending = rig.run(acts, BROKEN_OFF)

    assert (ending.exit_code, rig.state, begun) == (5, State.NOT_PROVEN_DEAD, [])
    assert "bank or sides do not discharge after the shot" in (ending.bench_lost or "")
    assert rig.supplied


# What nobody recorded


def never_trips(world: World) -> None:
    assert world._comparator is not None
    object.__setattr__(world._comparator._errors, "response_ns", 10**9)


def lead_off(world: World) -> None:
    """The recorder's channel of the current reads nothing."""
    object.__setattr__(world.bench.recorder._channels["CHAN3"], "track", Track())


@pytest.mark.parametrize("passed_by", [False, True], ids=["no_trip", "bypass_closed"])
def test_a_current_that_nobody_recorded_quarantines_the_unit(rig: Rig, passed_by: bool) -> None:
    def begin() -> None:
        lead_off(world_of(rig))
        if passed_by:
            assert rig.bench.interlock is not None
            rig.bench.interlock.relay("bypass", True)
        else:
            never_trips(world_of(rig))

    ending = rig.run({"onto_closed": begin}, SHOTS)

    assert step(ending, "onto_closed").verdict is Verdict.ERROR
    assert "the recorder did not trigger, and the bank fell from 400 V to" in why(ending)
    [quarantine] = rig.events("quarantine")
    assert quarantine["reason"] == "a short-circuit current flowed that nobody recorded"
    assert step(ending, "closing").verdict is Verdict.NOT_RUN
    assert (rig.state, rig.off, world_of(rig).wiring.bank_voltage < dead_limit(2e-3)) == (State.SAFE, True, True)


def test_a_shot_that_never_flowed_quarantines_nobody(rig: Rig) -> None:
    def open_it() -> None:
        world_of(rig).plant.bank.make = lambda on: None  # type: ignore[method-assign]

    ending = rig.run({"onto_closed": open_it}, SHOTS)

    assert step(ending, "onto_closed").verdict is Verdict.ERROR
    assert "no current flowed" in why(ending)
    assert rig.events("quarantine") == []


# The shipped plans


@pytest.mark.parametrize("plan", ["heater/short_circuit.yaml", "pump/13_short_circuit.yaml"], ids=["heater", "pump"])
@pytest.mark.parametrize("plant", [None, slower, higher, clamps_higher])
def test_the_shipped_plans_pass_a_good_breaker_and_no_worse_one(
    tmp_path: Path, plan: str, plant: Callable[[World], None] | None
) -> None:
    loaded = load_plan(shipped_plans() / "regression" / plan)
    device = load_device(loaded.device)
    rig = Rig(tmp_path, open_bench(SPEC, device))
    if plant is not None:
        plant(world_of(rig))
    journal = Journal(tmp_path / "run")
    ending = Engine(device, rig.bench, journal, Hands({})).run([loaded])
    journal.close()

    assert ending.exit_code == (0 if plant is None else 1), why(ending)
    assert rig.state is State.SAFE


def test_the_link_across_the_breaker_is_never_left_closed(rig: Rig) -> None:
    ending = rig.run({"loop": rig.panel("FAULT bank_discharge_stuck ON")}, SHOTS)

    assert ending.exit_code == 5
    assert not world_of(rig).wiring.relays["bypass"]
    assert not world_of(rig).wiring.relays["pulse"]


def test_the_source_is_off_while_the_bank_feeds(rig: Rig) -> None:
    fed: list[bool] = []

    def look() -> None:
        assert rig.bench.source is not None
        fed.append(rig.bench.source._number("OUTP?") != 0)

    rig.run({"close_1": look, "onto_closed": look}, SHOTS)
    assert fed == [False, False]


def test_each_shot_is_counted_on_the_unit(rig: Rig) -> None:
    rig.run({}, SHOTS)
    [ledger] = rig.events("ledger")
    wear = ledger["wear"]
    assert isinstance(wear, dict)
    assert wear["spent"]["short_circuits"] == 2
    assert wear["spent"]["clamp_energy"] > 0
