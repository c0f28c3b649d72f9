"""When high voltage is taken away in the middle of a plan, and that nothing brings it back unasked."""

from __future__ import annotations

from collections.abc import Callable, Iterable

import pytest
from high_voltage_rig import Rig

from harness.bench.gate import State
from harness.bench.high_voltage import HighVoltage
from harness.bus.master import NoAnswer
from harness.plan import steps as plan
from harness.record.result import Result, Verdict
from harness.run.context import Context, Outcome
from harness.run.ending import Ending
from harness.run.steps import RUNNERS

LIVE = """
  - power_cycle: {duration: 200 ms}
  - clear_codes
  - close
  - expect_no_trip: {name: live, draw: 10 A, voltage: 700 V, duration: 1 s}
"""
WAITED = "  - wait: {name: after, duration: 500 ms}\n"
CLOSING = "  - expect_no_trip: {{name: {}, draw: 9 A, voltage: 700 V, closing: true, duration: 1 s}}\n"
CLEAN_UP = """
clean_up:
  - wait: {name: cleaning, duration: 1 s}
  - open: {name: opening}
"""
ONCE_MORE = """
clean_up:
  - close: {name: closing}
  - expect_no_trip: {name: once_more, draw: 10 A, voltage: 700 V, duration: 1 s}
  - open: {name: opening}
"""


class Look:
    """How the bench stood each time."""

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        self.seen: list[tuple[State, bool, bool]] = []

    def __call__(self) -> None:
        wiring = self._rig.world.wiring
        self.seen.append((self._rig.state, wiring.source_on or wiring.contactor, self._rig.volts < 60))


OFF = (State.SAFE, False, True)


def step(ending: Ending, name: str) -> Result:
    return next(result for result in ending.results if result.step == name)


# After an error


def opened(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    """The breaker is open where the step wants it closed."""
    rig.bench.master.send_command("open")


def unsupplied(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    rig.bench.supply_12v.off()


def wire_broken(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    """For as long as the step lasts that asks next."""

    def lost(frame: str) -> object:
        monkeypatch.undo()
        raise NoAnswer(frame, [None, None, None])

    monkeypatch.setattr(rig.bench.master, "poll", lost)


@pytest.mark.parametrize(
    ("then", "spoil", "why"),
    [
        ("again", opened, "must be closed before the stimulus"),
        ("again", unsupplied, "but its supply reads 0.0 V"),
        ("asked", unsupplied, "but its supply reads 0.0 V"),
        ("again", wire_broken, "the header did not come back"),
        ("asked", wire_broken, "the header did not come back"),
    ],
)
def test_an_error_in_a_live_plan_takes_it_away_before_the_clean_up(
    rig: Rig, monkeypatch: pytest.MonkeyPatch, then: str, spoil: Callable[[Rig, pytest.MonkeyPatch], None], why: str
) -> None:
    steps = {
        "again": "  - expect_no_trip: {name: again, draw: 10 A, voltage: 700 V, duration: 1 s}",
        "asked": "  - check_status: {name: asked, switch: closed}",
    }
    look = Look(rig)

    ending = rig.run(
        {then: lambda: spoil(rig, monkeypatch), "cleaning": look, "opening": look}, LIVE + steps[then] + CLEAN_UP
    )

    assert step(ending, then).verdict is Verdict.ERROR
    assert why in step(ending, then).reasons[0]
    assert look.seen == [OFF, OFF]
    assert rig.events("proof")[0]["state"] == "safe"


def test_a_step_that_is_not_run_takes_it_away(rig: Rig) -> None:
    look = Look(rig)
    shot = "  - short_circuit: {name: shot, voltage: 400 V}"

    ending = rig.run({"cleaning": look, "opening": look}, LIVE + shot + CLEAN_UP)

    assert step(ending, "shot").reasons == ("the breaker is fed by the source in this plan: make two plans of it",)
    assert look.seen == [OFF, OFF]


def test_a_quarantine_takes_it_away_and_nothing_brings_it_back(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    def quarantined(what: plan.Wait, context: Context, outcome: Outcome) -> None:
        context.ledger.quarantined(context.bench.clock.now_ns(), "current flowed on")

    monkeypatch.setitem(RUNNERS, plan.Wait, quarantined)
    look = Look(rig)
    steps = LIVE + "  - wait: {name: found, duration: 1 s}\n  - identify: {name: asked}" + ONCE_MORE

    ending = rig.run({"asked": look, "once_more": look, "opening": look}, steps)

    assert look.seen == [OFF, OFF, OFF]
    assert step(ending, "once_more").reasons == ("the unit is quarantined: current flowed on",)
    assert [event["event"] for event in rig.events("gate")] == ["confirm", "energise"]


class Asked:
    """Confirms ``times`` times."""

    def __init__(self, times: int) -> None:
        self.times = times

    def absent(self) -> str | None:
        return None

    def show(self, lines: Iterable[str]) -> None:
        pass

    def answer(self, wanted: str, at_most_ns: int, idle: object) -> str | None:
        self.times -= 1
        return wanted if self.times >= 0 else None


@pytest.mark.parametrize("times", [1, 2])
def test_a_clean_up_that_needs_it_is_asked_for_anew(rig: Rig, times: int) -> None:
    live: list[State] = []
    again = "  - expect_no_trip: {name: again, draw: 10 A, voltage: 700 V, duration: 1 s}"
    acts: dict[str, Callable[[], object]] = {
        "again": lambda: rig.bench.master.send_command("open"),
        "once_more": lambda: live.append(rig.state),
        "opening": lambda: live.append(rig.state),
    }
    person = Asked(times)

    ending = rig.run(acts, LIVE + again + ONCE_MORE, person=person)

    assert person.times == (0 if times == 2 else -1)
    assert step(ending, "once_more").verdict is (Verdict.PASS if times == 2 else Verdict.NOT_RUN)
    assert live == [State.SAFE, State.SAFE]  # after an error nothing stays on from one step to the next
    assert (ending.exit_code, rig.state, rig.off) == (5, State.SAFE, True)


# Before a step in which the breaker cannot be told anything


DEAF = {
    plan.PowerCycle: "power_cycle: {name: deaf, duration: 200 ms}",
    plan.PowerCut: "power_cut: {name: deaf, values: {overload_pickup: 21 A}, instants: 2}",
    plan.Flash: "flash: {name: deaf}",
    plan.Silence: "silence: {name: deaf, duration: 3 s}",
    plan.SleepAndWake: "sleep_and_wake: {name: deaf}",
    plan.Disturb: "disturb: {name: deaf, kind: wrong_checksum}",
}


@pytest.mark.parametrize("kind", DEAF, ids=lambda kind: kind.__name__)
def test_a_step_that_leaves_the_breaker_deaf_finds_it_taken_away_and_proved(
    rig: Rig, monkeypatch: pytest.MonkeyPatch, kind: type[plan.Step]
) -> None:
    look, run = Look(rig), RUNNERS[kind]

    def looked(what: plan.Step, context: Context, outcome: Outcome) -> None:
        if context.bench.high_voltage is not None and rig.events("gate"):
            look()
        run(what, context, outcome)

    monkeypatch.setitem(RUNNERS, kind, looked)
    more = "\n  - close: {name: closed}\n" + LIVE.splitlines()[-1].replace("live", "again")

    rig.run({}, f"{LIVE}  - {DEAF[kind]}{more if kind is plan.PowerCycle else ''}")

    assert look.seen == [OFF]
    assert rig.events("proof")[0]["state"] == "safe"
    confirmed = [event["event"] for event in rig.events("gate")].count("confirm")
    assert confirmed == (2 if kind is plan.PowerCycle else 1)


def test_such_a_step_is_not_begun_where_that_is_not_proved(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    begun: list[str] = []
    monkeypatch.setitem(RUNNERS, plan.Silence, lambda *arguments: begun.append("silent"))

    ending = rig.run({"deaf": rig.panel("FAULT discharge_stuck ON")}, f"{LIVE}  - {DEAF[plan.Silence]}")

    assert (ending.exit_code, rig.state, begun) == (5, State.NOT_PROVEN_DEAD, [])
    assert rig.supplied


# Before the breaker closes


def test_each_closing_onto_voltage_finds_the_load_side_precharged(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    closed_onto: list[tuple[float, float]] = []
    commute = rig.world.plant._commute

    def looked(on: bool, commutation: int) -> None:
        if on:
            closed_onto.append(rig.world.wiring.true_voltages())
        commute(on, commutation)

    monkeypatch.setattr(rig.world.plant, "_commute", looked)
    steps = (
        "\n  - power_cycle: {duration: 200 ms}\n  - clear_codes\n"
        "  - write_set_points: {values: {overload_pickup: 20 A, overload_time_constant: 60 s}}\n"
        f"{CLOSING.format('first')}  - open\n  - wait: {{duration: 10 s}}\n{CLOSING.format('second')}"
    )

    ending = rig.run({}, steps)

    assert ending.exit_code == 0
    assert len(closed_onto) == 2
    for source_side, load_side in closed_onto:
        assert source_side == pytest.approx(700, rel=0.01)
        assert load_side > 0.75 * source_side


def test_a_closing_that_follows_at_once_is_taken_for_no_short(rig: Rig) -> None:
    begin = LIVE.partition("  - close\n")[0]

    ending = rig.run({}, begin + CLOSING.format("first") + "  - open\n" + CLOSING.format("second"))

    assert (ending.exit_code, rig.state) == (0, State.SAFE)


def test_a_precharge_that_fails_at_the_second_closing_is_an_error(rig: Rig) -> None:
    begin = LIVE.partition("  - close\n")[0]
    conducted: list[float] = []

    def break_off() -> None:
        rig.panel("FAULT precharge_open ON")()
        rig.watch(lambda: conducted.append(rig.volts) if rig.world.plant.conducting else None)

    steps = begin + CLOSING.format("first") + "  - open\n" + CLOSING.format("second")
    ending = rig.run({"second": break_off}, steps)

    assert "the load side does not charge" in (ending.bench_lost or "")
    assert (ending.exit_code, conducted, rig.off) == (5, [], True)


def test_a_side_that_a_load_has_emptied_at_once_is_fed_a_little_so_that_it_is_seen_to_fall(rig: Rig) -> None:
    """As a load that goes on after the source does; no channel could be told from one whose lead is off."""

    def emptied() -> None:
        wiring = rig.world.wiring
        for side in (wiring._source_side, wiring._load_side):
            side.begin(rig.bench.clock.now_ns(), 0.0, 0.0, 1.0)

    ending = rig.run({"after": emptied}, LIVE + WAITED)

    assert (ending.exit_code, rig.state, rig.off) == (0, State.SAFE, True)
    assert all(proof["reasons"] == [] for proof in rig.events("proof"))


def test_a_feed_that_fails_is_off_before_anything_else_is_done(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    """A load has emptied the sides, and a lead comes off as they are to be seen once more."""

    def emptied() -> None:
        wiring = rig.world.wiring
        for side in (wiring._source_side, wiring._load_side):
            side.begin(rig.bench.clock.now_ns(), 0.0, 0.0, 1.0)
        rig.panel("FAULT sense_source_off ON")()

    fed: list[bool] = []
    high_voltage = HighVoltage.retrace

    def retrace(self: HighVoltage) -> None:
        try:
            high_voltage(self)
        finally:
            fed.append(rig.world.wiring.source_on)

    monkeypatch.setattr(HighVoltage, "retrace", retrace)

    ending = rig.run({"after": emptied}, LIVE + WAITED)

    assert fed == [False]  # and only once
    assert "the source side does not come to 150 V" in (ending.bench_lost or "")
    assert (ending.exit_code, rig.state, rig.off) == (5, State.NOT_PROVEN_DEAD, True)
