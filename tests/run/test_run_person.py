"""What a run asks of the person at a real bench: to confirm, and to state that a bench left in doubt is dead.

The bench is the simulated one, which is told that it is real.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from pathlib import Path

import pytest
from high_voltage_rig import DEVICE, LIVE, SPEC, Rig

from harness.bench.arming import Idle
from harness.bench.bench import Bench, open_bench
from harness.bench.gate import State
from harness.bench.interlock import InterlockUnit
from harness.bench.making_safe import SafeAction
from harness.bench.simulated import SimulatedWatchdog
from harness.clock import MS, S
from harness.record.standing import Standing
from harness.run.ending import Ending

CONFIRM = "energise 700 V on simulated"
STATE = "I have verified that both sides are dead"
STUCK = "FAULT discharge_stuck"
OFF = "12 V supply off, once both sides are proved dead"


class Operator:
    """Types what stands in ``says`` for what was asked last; ``presses`` the arm button when told to.

    Before a statement ``verify`` is done, with time for it.
    """

    def __init__(self, rig: Rig, says: Mapping[str, str | None], presses: bool = True) -> None:
        self.shown: list[str] = []
        self.asked: list[str] = []
        self.verify: Callable[[], object] = lambda: None
        self._rig, self._says, self._presses = rig, says, presses

    def absent(self) -> str | None:
        return None

    def show(self, lines: Iterable[str]) -> None:
        self.shown += lines
        if "press the arm button" in self.shown[-1] and self._presses:
            clock = _dog(self._rig)._world.clock
            clock.at(clock.now_ns() + 200 * MS, self._rig.panel("PRESS ARM 0.3"))

    def answer(self, wanted: str, at_most_ns: int, idle: Idle) -> str | None:
        self.asked.append(wanted)
        if wanted == STATE:
            self.verify()
        idle(10 * S)
        return self._says.get(wanted)


def _dog(rig: Rig) -> SimulatedWatchdog:
    assert rig.bench.high_voltage is not None
    dog = rig.bench.high_voltage._watchdog
    assert isinstance(dog, SimulatedWatchdog)
    return dog


@pytest.fixture
def rig(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Rig:
    monkeypatch.setattr(Bench, "simulated", False)
    return Rig(tmp_path, open_bench(SPEC, DEVICE))


@pytest.fixture
def fed(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> list[str | None]:
    """What was known of the bench's standing, each time that source or contactor was switched on."""
    assert rig.bench.source is not None
    found: list[str | None] = []
    relay, output = InterlockUnit.relay, rig.bench.source.output

    def switch(unit: InterlockUnit, name: str, closed: bool) -> None:
        if (name, closed) == ("contactor", True):
            found.append(doubt(rig))
        relay(unit, name, closed)

    def on(state: bool) -> None:
        found.append(doubt(rig))
        output(state)

    monkeypatch.setattr(InterlockUnit, "relay", switch)
    monkeypatch.setattr(rig.bench.source, "output", on)
    return found


def at(rig: Rig, says: Mapping[str, str | None] | None = None, presses: bool = True) -> Operator:
    operator = Operator(rig, {CONFIRM: CONFIRM} if says is None else says, presses)
    rig.person = operator
    return operator


def doubt(rig: Rig) -> str | None:
    return Standing(rig.folder, SPEC.name).doubt()


def stated(rig: Rig) -> list[Mapping[str, object]]:
    return [event for event in rig.events("gate") if event["event"] == "stated dead"]


def problems(ending: Ending) -> str:
    return "; ".join(action.problem for action in ending.made_safe if action.problem) + (ending.bench_lost or "")


def of_the_supply(ending: Ending) -> list[SafeAction]:
    return [action for action in ending.made_safe if action.name == OFF]


# To confirm


def test_a_real_bench_asks_for_phrase_and_button_and_is_in_doubt_while_anything_is_on(
    rig: Rig, fed: list[str | None]
) -> None:
    operator = at(rig)

    ending = rig.run({}, LIVE)

    assert (ending.exit_code, rig.state, rig.off) == (0, State.SAFE, True), problems(ending)
    assert operator.asked == [CONFIRM]
    assert "press the arm button" in operator.shown[-1]
    assert len(fed) > 1
    assert set(fed) == {"energised for 700 V"}  # written before anything was on
    assert doubt(rig) is None  # proved dead
    assert not stated(rig)


def test_without_a_press_of_the_button_nothing_is_energised(rig: Rig, fed: list[str | None]) -> None:
    at(rig, presses=False)

    ending = rig.run({}, LIVE)

    assert ending.exit_code == 4
    (refused,) = (result for result in ending.results if result.step == "live")
    assert "no fresh press of the arm button" in refused.reasons[0]
    assert fed == []


@pytest.mark.parametrize("typed", [None, "energise 700 V on served"])
def test_without_the_phrase_nothing_is_energised(rig: Rig, fed: list[str | None], typed: str | None) -> None:
    at(rig, {CONFIRM: typed})

    assert rig.run({}, LIVE).exit_code == 4
    assert fed == []


def test_a_real_bench_with_nobody_at_it_begins_no_such_plan(rig: Rig, fed: list[str | None]) -> None:
    ending = rig.run({}, LIVE)

    assert ending.exit_code == 4
    assert {result.reasons for result in ending.results} == {("high-voltage step refused: nobody is there to confirm",)}
    assert fed == []


def test_a_doubt_that_cannot_be_kept_keeps_everything_off(rig: Rig, fed: list[str | None]) -> None:
    at(rig)
    (rig.folder / "benches").write_text("a file")

    ending = rig.run({}, LIVE)

    assert ending.exit_code == 5
    assert "that the bench is in doubt cannot be kept" in problems(ending)
    assert fed == []


def test_of_a_simulated_bench_nothing_is_kept(rig: Rig, fed: list[str | None], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Bench, "simulated", True)

    rig.run({"close_1": rig.panel(f"{STUCK} ON")}, LIVE)

    assert rig.state is State.NOT_PROVEN_DEAD
    assert fed
    assert set(fed) == {None}
    assert not (rig.folder / "benches").exists()


# To state


def test_a_bench_that_is_not_proved_dead_is_left_by_a_recorded_statement(rig: Rig) -> None:
    operator = at(rig, {CONFIRM: CONFIRM, STATE: STATE})
    operator.verify = rig.panel(f"{STUCK} OFF")  # shorts both sides

    ending = rig.run({"close_1": rig.panel(f"{STUCK} ON")}, LIVE)

    assert (ending.exit_code, rig.state, rig.off) == (5, State.SAFE, True)
    assert "the discharge does not work" in problems(ending)
    assert operator.asked == [CONFIRM, STATE]
    alarm = operator.shown.index(
        "NOT PROVED DEAD: treat both sides of the breaker as live. Outputs are off and the discharge stays on."
    )
    assert operator.shown[-2] == f"Only then type exactly: {STATE}"
    assert operator.shown[-1].startswith("Recorded: by your word both sides are dead.")
    assert alarm < len(operator.shown) - 1
    (event,) = stated(rig)
    assert (event["statement"], event["problem"]) == (STATE, None)
    assert [action.problem is None for action in of_the_supply(ending)] == [False, True]  # made safe, then finished
    recorded = [event["problem"] for event in rig.events("making_safe") if event["action"] == OFF]
    assert recorded[-1] is None
    assert not rig.supplied
    assert doubt(rig) is None


@pytest.mark.parametrize("typed", [None, "yes"])
def test_what_nobody_states_keeps_the_12_v_on_and_the_bench_in_doubt(rig: Rig, typed: str | None) -> None:
    operator = at(rig, {CONFIRM: CONFIRM, STATE: typed})
    operator.verify = rig.panel(f"{STUCK} OFF")

    ending = rig.run({"close_1": rig.panel(f"{STUCK} ON")}, LIVE)

    assert (ending.exit_code, rig.state, rig.off) == (5, State.NOT_PROVEN_DEAD, True)
    assert operator.asked == [CONFIRM, STATE]
    assert not stated(rig)
    assert [action.problem is None for action in of_the_supply(ending)] == [False]
    assert rig.supplied
    assert (doubt(rig) or "").startswith("not proved dead: source side: 65 V after 0.01 s where 61 V at most were left")


def test_what_is_stated_of_a_side_that_reads_live_changes_nothing(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    operator = at(rig, {CONFIRM: CONFIRM, STATE: STATE})
    operator.verify = lambda: monkeypatch.setattr(rig.bench.voltmeter, "both", lambda: (0.0, 300.0))

    ending = rig.run({"close_1": rig.panel(f"{STUCK} ON")}, LIVE)

    assert (ending.exit_code, rig.state) == (5, State.NOT_PROVEN_DEAD)
    assert operator.asked == [CONFIRM, STATE]
    (event,) = stated(rig)
    assert (event["statement"], event["problem"]) == (STATE, "the load side reads 300 V")
    assert rig.supplied
    assert doubt(rig) is not None


# A bench that an earlier run left in doubt


@pytest.mark.parametrize(
    ("person", "left", "supplied"), [(STATE, None, False), ("yes", "energised for 650 V", True)], ids=["stated", "not"]
)
def test_a_bench_left_in_doubt_energises_nothing_and_asks_for_the_statement_alone(
    rig: Rig, fed: list[str | None], person: str, left: str | None, supplied: bool
) -> None:
    Standing(rig.folder, SPEC.name).in_doubt("energised for 650 V")
    operator = at(rig, {CONFIRM: CONFIRM, STATE: person})

    ending = rig.run({}, LIVE)

    assert ending.exit_code == 5
    assert "an earlier run left it in doubt (energised for 650 V)" in (ending.bench_lost or "")
    assert {result.verdict.value for result in ending.results} == {"not-run"}
    assert fed == []
    assert operator.asked == [STATE]
    assert [event["statement"] for event in stated(rig)] == ([STATE] if left is None else [])
    assert doubt(rig) == left
    assert rig.supplied is supplied


def test_a_proof_does_not_lead_out_of_the_doubt_of_an_earlier_run(rig: Rig, fed: list[str | None]) -> None:
    Standing(rig.folder, SPEC.name).in_doubt("energised for 650 V")
    at(rig, {})

    rig.run({}, LIVE)

    (proof,) = rig.events("proof")
    assert (proof["reasons"], proof["state"]) == ([], "not_proven_dead")
    assert doubt(rig) == "energised for 650 V"


def test_after_the_statement_the_next_run_may_energise(rig: Rig, fed: list[str | None]) -> None:
    Standing(rig.folder, SPEC.name).in_doubt("energised for 650 V")
    at(rig, {STATE: STATE})
    rig.run({}, LIVE)
    again = Rig(rig.folder / "again", open_bench(SPEC, DEVICE))
    again.folder.mkdir()
    (rig.folder / "benches").rename(again.folder / "benches")
    at(again)

    assert again.run({}, LIVE).exit_code == 0
