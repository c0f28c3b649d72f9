"""High voltage on the simulated bench, with everything that may be broken on it: what the gate makes of it."""

from __future__ import annotations

import pytest
from high_voltage_rig import DEVICE, HEAD, LIVE, SPEC, Hands, Rig

from harness.bench.gate import State
from harness.bench.instrument import InstrumentError
from harness.bench.simulated import SimulatedWatchdog
from harness.clock import S
from harness.plan.plan import load_plan
from harness.record.journal import Journal
from harness.record.reader import Record
from harness.run.ending import Ending
from harness.run.engine import Engine

WITHIN_S, WATCHED_S = 3.0, 3.0  # discharge: within, as the bench file declares it; what capacitors give back


def problems(ending: Ending) -> str:
    """What was not made safe, and why the bench was lost."""
    return "; ".join(action.problem for action in ending.made_safe if action.problem) + (ending.bench_lost or "")


def test_a_healthy_bench_is_energised_once_and_proved_dead(rig: Rig) -> None:
    ending = rig.run({}, LIVE)

    assert (ending.exit_code, rig.state, rig.off) == (0, State.SAFE, True)
    assert [event["event"] for event in rig.events("gate")] == ["confirm", "energise"]
    assert [proof["state"] for proof in rig.events("proof")] == ["safe", "safe"]  # after the plan, and at the end
    assert not rig.supplied


def test_nothing_is_switched_on_but_by_a_gate_that_is_energised(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    switched = rig.spy(monkeypatch)

    assert rig.run({}, LIVE).exit_code == 0
    assert set(switched) == {("contactor", State.ENERGISED), ("source", State.ENERGISED)}


@pytest.mark.parametrize("state", sorted(set(State) - {State.ENERGISED}, key=str))
def test_nothing_is_fed_but_by_a_gate_that_is_energised(
    rig: Rig, monkeypatch: pytest.MonkeyPatch, state: State
) -> None:
    rig.run({}, LIVE)
    high_voltage, switched = rig.bench.high_voltage, rig.spy(monkeypatch)
    assert high_voltage is not None
    high_voltage.gate.state, high_voltage.fed_by = state, "source"
    with pytest.raises(InstrumentError, match="source: the gate lets it feed nothing"):
        high_voltage.feed(700.0)
    assert switched == []


@pytest.mark.parametrize(
    ("fault", "why"),
    [
        ("discharge_stuck", "where 61 V at most were left: the discharge does not work"),
        ("sense_load_off", "the load side does not charge"),
        ("sense_source_off", "the source side does not come to 700 V"),
        ("precharge_open", "the load side does not charge: look at the precharge resistor"),
    ],
)
def test_what_is_not_proved_dead_is_said_and_the_12_v_stay_on(rig: Rig, fault: str, why: str) -> None:
    begin = "close_1" if fault != "precharge_open" else "power_cycle_1"
    acts = {begin: rig.panel(f"FAULT {fault} ON")}
    if fault == "precharge_open":  # an open breaker, whose load side no voltage ever reached
        acts["live"] = lambda: rig.bench.master.send_command("open")

    ending = rig.run(acts, LIVE)

    assert (ending.exit_code, rig.state, rig.off) == (5, State.NOT_PROVEN_DEAD, True)
    assert why in problems(ending)
    assert rig.supplied


def test_a_good_bench_is_proved_dead_within_its_time_and_watched_for_3_s(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    took = rig.time_proofs(monkeypatch)
    rig.run({}, LIVE)

    times = [float(str(proof["at_s"])) for proof in rig.events("proof")]
    assert 0.1 < times[0] < WITHIN_S  # its resistors take 0.25 s from 750 V to 60 V
    assert max(times) < WITHIN_S
    assert [state for state, _ in took] == [State.SAFE] * 2
    assert WATCHED_S < max(seconds for _, seconds in took) < WITHIN_S + WATCHED_S


def test_resistors_that_are_stuck_are_given_up_within_the_time_of_the_bench(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    took = rig.time_proofs(monkeypatch)
    ending = rig.run({"after": rig.panel("FAULT discharge_stuck ON")}, LIVE)

    times = [float(str(proof["at_s"])) for proof in rig.events("proof")]
    assert ending.exit_code == 5
    assert all(WITHIN_S <= at_s < WITHIN_S + 0.1 for at_s in times)
    assert [state for state, _ in took] == [State.NOT_PROVEN_DEAD] * 2  # after the plan, and at the end
    assert max(seconds for _, seconds in took) < WITHIN_S + WATCHED_S


def test_voltage_that_comes_back_is_seen_while_it_is_watched(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    took = rig.time_proofs(monkeypatch)
    rig.run({"open_1": rig.panel("FAULT rebound ON")}, LIVE)

    state, seconds = took[0]
    assert (state, seconds < WITHIN_S + WATCHED_S) == (State.NOT_PROVEN_DEAD, True)


def test_a_lead_that_falls_off_while_it_is_live_proves_nothing(rig: Rig) -> None:
    ending = rig.run({"after": rig.panel("FAULT sense_source_off ON")}, LIVE)

    assert (ending.exit_code, rig.state, rig.off) == (5, State.NOT_PROVEN_DEAD, True)
    assert "source side: nobody saw it fall: a lead may be off" in problems(ending)


@pytest.mark.parametrize("lead", ["sense_source_off", "sense_load_off"])
def test_what_the_plan_before_has_seen_proves_nothing(rig: Rig, lead: str) -> None:
    again = LIVE.replace("live", "again").replace("after", "end")

    ending = rig.run({"again": rig.panel(f"FAULT {lead} ON")}, LIVE, again)

    assert [proof["state"] for proof in rig.events("proof")][:2] == ["safe", "not_proven_dead"]
    assert (ending.exit_code, rig.state, rig.off) == (5, State.NOT_PROVEN_DEAD, True)


def test_a_contactor_that_is_welded_is_found(rig: Rig) -> None:
    ending = rig.run({"after": rig.panel("FAULT contactor_welded ON")}, LIVE)

    assert ending.exit_code == 5
    assert "welded" in str(rig.events("making_safe"))


def test_at_which_current_the_contactor_opened_is_in_the_record(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    rig.run({"open_1": lambda: monkeypatch.setattr(rig.bench.source, "current", lambda: 90.0)}, LIVE)

    notes = [event["note"] for event in rig.events("making_safe") if str(event["action"]).startswith("contactor open")]
    assert notes == ["at 90.0 A: the longest wait of 2 s was over"] * 2  # after the plan, and at the end


def test_a_voltmeter_that_is_lost_keeps_nothing_from_being_discharged(rig: Rig) -> None:
    def lose() -> None:
        def silent() -> tuple[float, float]:
            raise InstrumentError("voltmeter: no answer")

        assert rig.bench.voltmeter is not None
        rig.bench.voltmeter.both = silent  # type: ignore[method-assign]

    ending = rig.run({"after": lose}, LIVE)

    assert (ending.exit_code, rig.state, rig.off) == (5, State.NOT_PROVEN_DEAD, True)
    assert "voltmeter: no answer" in problems(ending)


@pytest.mark.parametrize("role", ["interlock", "source"])
def test_what_making_safe_cannot_do_the_watchdog_does(rig: Rig, role: str) -> None:
    """Its links are its own; the harness that lost one says nothing more to it, however well it lives."""

    def lose() -> None:
        def silent(*arguments: object) -> object:
            raise InstrumentError(f"{role}: no answer")

        instrument = getattr(rig.bench, role)
        assert instrument is not None
        for name in ("relay", "inputs") if role == "interlock" else ("off", "voltage", "current", "limiting"):
            setattr(instrument, name, silent)

    ending = rig.run({"after": lose}, LIVE)

    assert (ending.exit_code, rig.state) == (5, State.NOT_PROVEN_DEAD)
    assert f"{role}: no answer" in problems(ending)
    assert rig.bench.high_voltage is not None
    dog = rig.bench.high_voltage._watchdog
    assert isinstance(dog, SimulatedWatchdog)
    assert dog.hung  # and not only at the end, when a person has been asked: it may be long in coming
    rig.bench.clock.sleep_until(rig.bench.clock.now_ns() + S)
    state = dog._world.bench.panel.handle("STATE?")
    assert state is not None
    assert state.startswith("source=0 contactor=0"), state


@pytest.mark.parametrize(
    ("line", "why"),
    [
        ("DOOR OPEN", "the doors are open"),
        ("STOP PRESS", "the emergency stop is pressed"),
        *((f"DOOR{number} OPEN", "two channels of the doors disagree") for number in (1, 2)),
        *((f"STOP{number} PRESS", "two channels of the emergency stop disagree") for number in (1, 2)),
    ],
)
def test_an_interlock_that_opens_ends_it_at_once(rig: Rig, line: str, why: str) -> None:
    ending = rig.run({"after": rig.panel(line)}, LIVE)

    assert ending.exit_code == 5
    assert why in problems(ending)
    assert (rig.state, rig.off) == (State.SAFE, True)


def test_an_interlock_in_doubt_lets_nothing_be_energised(rig: Rig) -> None:
    ending = rig.run({"close_1": rig.panel("DOOR1 OPEN")}, LIVE)

    assert ending.exit_code == 5
    assert "the two channels of the doors disagree" in problems(ending)
    assert rig.off


def test_voltage_that_comes_back_later_is_seen(rig: Rig) -> None:
    ending = rig.run({"later": rig.panel("FAULT rebound ON")}, LIVE, "  - wait: {name: later, duration: 2 min}\n")

    assert ending.exit_code == 5
    assert "V where none may be" in problems(ending)
    assert (rig.state, rig.off) == (State.NOT_PROVEN_DEAD, True)  # slower than the resistors let it fall
    assert rig.supplied


def test_voltage_that_comes_back_soon_is_waited_for(rig: Rig) -> None:
    ending = rig.run({"open_1": rig.panel("FAULT rebound ON")}, LIVE)

    assert ending.exit_code == 5
    assert "after it was discharged: voltage comes back" in problems(ending)
    assert (rig.state, rig.off) == (State.NOT_PROVEN_DEAD, True)


def test_the_isolation_is_noted_before_anything_is_on(rig: Rig) -> None:
    assert rig.run({}, LIVE).exit_code == 0

    record = Record(rig.folder / "run")
    kinds = [(event.kind, event.detail.get("event")) for event in record.events()]
    record.close()
    assert kinds.index(("isolation", None)) < kinds.index(("gate", "energise"))
    assert rig.events("isolation") == [{"ohm": 5e6, "at_least": 500e3}]


def test_too_little_isolation_lets_nothing_be_energised(rig: Rig) -> None:
    # 100 ohm/V (UN R100 5.1.3.1) are 75 kohm at 750 V, and this bench asks for 500 kohm.
    ending = rig.run({"close_1": rig.panel("FAULT isolation_low ON")}, LIVE)

    assert ending.exit_code == 5
    assert "isolation of 6e+04 ohm, and 5e+05 ohm is the least" in problems(ending)
    assert rig.events("isolation") == [{"ohm": 60e3, "at_least": 500e3}]
    assert [event["event"] for event in rig.events("gate")] == ["confirm"]
    assert rig.off


def test_a_breaker_that_is_shorted_is_found_before_anything_is_drawn(rig: Rig) -> None:
    acts = {"close_1": rig.panel("FAULT switch_shorted ON"), "live": lambda: rig.bench.master.send_command("open")}

    ending = rig.run(acts, LIVE)

    assert ending.exit_code == 5
    assert "V behind a breaker that says it is open: shorted?" in (ending.bench_lost or "")
    assert (rig.state, rig.off) == (State.SAFE, True)


def test_a_breaker_that_does_not_answer_is_not_energised(rig: Rig) -> None:
    def lost() -> None:
        rig.bench.supply_12v.off()
        rig.bench.clock.sleep_until(rig.bench.clock.now_ns() + S)

    ending = rig.run({"live": lost}, LIVE)

    assert (ending.exit_code, rig.events("gate")) == (5, [])


def test_a_precharge_relay_that_is_welded_keeps_nobody_from_being_safe(rig: Rig) -> None:
    ending = rig.run({"close_1": rig.panel("FAULT precharge_welded ON")}, LIVE)

    assert (ending.exit_code, rig.state, rig.off) == (0, State.SAFE, True)


def test_without_high_voltage_no_gate_is_opened(rig: Rig) -> None:
    path = rig.folder / "low.yaml"
    path.write_text(HEAD.format(name="low") + "  - identify\n")
    journal = Journal(rig.folder / "run")

    ending = Engine(DEVICE, rig.bench, journal, Hands({})).run([load_plan(path)])

    journal.close()
    assert ending.exit_code == 0
    assert rig.bench.high_voltage is None


def test_leads_the_wrong_way_round_let_nothing_be_energised(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    assert rig.bench.voltmeter is not None
    monkeypatch.setattr(rig.bench.voltmeter, "both", lambda: (-650.0, -650.0))

    ending = rig.run({}, LIVE)

    assert "energise" not in [event["event"] for event in rig.events("gate") if event.get("problem") is None]
    assert (rig.state, rig.off) == (State.NOT_PROVEN_DEAD, True)
    assert ending.exit_code in (4, 5)
    high_voltage = rig.bench.high_voltage
    assert high_voltage is not None
    monkeypatch.setattr(high_voltage, "_event", lambda kind, **detail: None)
    assert high_voltage.stated_dead("x") == "the source side reads -650 V"
    assert rig.state is State.NOT_PROVEN_DEAD


def test_a_persons_word_is_taken_in_not_proven_dead_alone(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    rig.run({}, LIVE)
    high_voltage = rig.bench.high_voltage
    assert high_voltage is not None
    guarded: list[bool] = []
    monkeypatch.setattr(high_voltage._watchdog, "guard", guarded.append)
    monkeypatch.setattr(high_voltage, "_event", lambda kind, **detail: None)
    for state in set(State) - {State.NOT_PROVEN_DEAD}:
        high_voltage.gate.state = state
        assert high_voltage.stated_dead("x") is not None
        assert (high_voltage.state, guarded) == (state, [])


@pytest.mark.parametrize("side", [(100.0, 0.0), (0.0, 100.0)])
def test_either_side_that_is_live_lets_nothing_be_energised(
    rig: Rig, monkeypatch: pytest.MonkeyPatch, side: tuple[float, float]
) -> None:
    assert rig.bench.voltmeter is not None
    monkeypatch.setattr(rig.bench.voltmeter, "both", lambda: side)

    ending = rig.run({}, LIVE)

    assert not [event for event in rig.events("gate") if event["event"] == "energise" and event["problem"] is None]
    assert "100 V" in problems(ending) + str(rig.events("gate"))


def test_without_a_watchdog_nothing_is_energised(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(SimulatedWatchdog, "alive", lambda self: False)

    ending = rig.run({}, LIVE)

    assert not [event for event in rig.events("gate") if event["event"] == "energise" and event["problem"] is None]
    assert rig.off
    assert ending.exit_code != 0


def test_after_each_drawn_current_the_source_is_off(rig: Rig) -> None:
    """Also while the plan goes on: what stays charged is watched, and nothing feeds it."""
    fed: list[bool] = []

    def look() -> None:
        assert rig.bench.source is not None
        fed.append(rig.bench.source._number("OUTP?") != 0)

    rig.run({"after": look}, LIVE)
    assert fed == [False]


def test_making_safe_opens_what_leads_past_the_breaker(rig: Rig) -> None:
    """A link or a precharge resistor that somebody left closed."""

    def link() -> None:
        assert rig.bench.interlock is not None
        for name in ("bypass", "precharge"):
            rig.bench.interlock.relay(name, True)

    rig.run({"open_1": link}, LIVE)
    assert rig.bench.interlock is not None
    spec = SPEC.interlock
    assert spec is not None
    for name in ("bypass", "precharge"):
        assert rig.bench.interlock._link.query(f"ROUT:CLOS? (@{spec.relays[name]})").strip() == "0"


def test_the_link_across_the_breaker_is_not_closed_while_the_source_feeds_it(rig: Rig) -> None:
    refused: list[str] = []

    def link() -> None:
        high_voltage = rig.bench.high_voltage
        assert high_voltage is not None
        assert high_voltage.fed_by == "source"
        try:
            high_voltage.bypass()
        except InstrumentError as error:
            refused.append(str(error))

    rig.run({"after": link}, LIVE)
    assert refused == ["bypass: only a shot from the bank may pass the breaker by"]


def test_a_persons_word_does_not_reach_a_live_bank(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    rig.run({}, LIVE)
    high_voltage = rig.bench.high_voltage
    assert high_voltage is not None
    assert high_voltage.bank is not None
    high_voltage.gate.state = State.NOT_PROVEN_DEAD
    monkeypatch.setattr(high_voltage, "_event", lambda kind, **detail: None)
    monkeypatch.setattr(high_voltage.bank, "volts", lambda: 200.0)
    assert high_voltage.stated_dead("x") == "the bank reads 200 V"
    assert high_voltage.state is State.NOT_PROVEN_DEAD
