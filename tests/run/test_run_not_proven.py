"""What does not follow, does not read, or is not recorded: nothing is called dead, and nothing is energised."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable, Iterable, Mapping

import pytest
from high_voltage_rig import DEVICE, HEAD, LIVE, Hands, Rig

from harness.bench.bench import Bench
from harness.bench.gate import State
from harness.bench.high_voltage import HighVoltage
from harness.bench.instrument import InstrumentError, PowerSupply
from harness.bench.making_safe import ACTIONS
from harness.bench.simulated import SimulatedWatchdog
from harness.cli.interrupt import interruptible
from harness.plan.plan import load_plan
from harness.record.journal import Journal, JournalError
from harness.run.ending import Ending
from harness.run.engine import Engine

PROVED = "both sides and the bank proved dead"


@pytest.fixture
def closed(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Takes a word each time that a watchdog is let go."""
    found: list[str] = []
    close = SimulatedWatchdog.close

    def closing(self: SimulatedWatchdog) -> None:
        found.append("closed")
        close(self)

    monkeypatch.setattr(SimulatedWatchdog, "close", closing)
    return found


def problems(ending: Ending) -> dict[str, str]:
    return {action.name: action.problem for action in ending.made_safe if action.problem is not None}


def silent() -> tuple[float, float]:
    raise InstrumentError("voltmeter: no answer")


# The last look


@pytest.mark.parametrize(
    ("read", "why"), [(lambda: (420.0, 380.0), "source side: reads up to"), (silent, "voltmeter: no answer")]
)
def test_a_last_look_that_fails_is_not_reported_as_proved_dead(
    rig: Rig, monkeypatch: pytest.MonkeyPatch, read: Callable[[], tuple[float, float]], why: str
) -> None:
    end = Engine._end

    def after_the_plan(self: Engine) -> None:
        assert rig.state is State.SAFE
        monkeypatch.setattr(rig.bench.voltmeter, "both", read)
        end(self)

    monkeypatch.setattr(Engine, "_end", after_the_plan)

    ending = rig.run({}, LIVE)

    assert [proof["state"] for proof in rig.events("proof")] == ["safe", "not_proven_dead"]
    assert why in problems(ending)[PROVED]
    assert (ending.exit_code, rig.state, rig.supplied) == (5, State.NOT_PROVEN_DEAD, True)


# A gate that cannot be shut


def test_relays_that_do_not_follow_at_the_begin_leave_every_action_tried_and_named(
    rig: Rig, monkeypatch: pytest.MonkeyPatch, closed: list[str]
) -> None:
    assert rig.bench.interlock is not None
    relay = rig.bench.interlock.relay

    def stays(name: str, on: bool) -> None:
        if name == "contactor" and not on:
            raise InstrumentError("interlock: the relay contactor did not open")
        relay(name, on)

    monkeypatch.setattr(rig.bench.interlock, "relay", stays)
    monkeypatch.setattr(rig.bench.voltmeter, "both", lambda: (600.0, 600.0))

    ending = rig.run({}, LIVE)

    assert [action.name for action in ending.made_safe] == [action.name for action in ACTIONS]
    found = problems(ending)
    assert found["contactor open, once the current is below what it may break"].endswith("contactor did not open")
    assert "source side: reads up to 604 V" in found[PROVED]
    assert (ending.exit_code, rig.state, rig.supplied) == (5, State.NOT_PROVEN_DEAD, True)
    assert {result.reasons for result in ending.results} == {("not reached: the bench was lost",)}
    assert closed == ["closed"]


# Contacts that do not open


def anew(rig: Rig, name: str, acts: Mapping[str, Callable[[], object]]) -> Ending:
    """Another run on the same bench, as a process that is started later has it."""
    rig.bench.high_voltage = None
    path = rig.folder / f"{name}.yaml"
    path.write_text(HEAD.format(name=name) + LIVE)
    journal = Journal(rig.folder / name)
    ending = Engine(DEVICE, rig.bench, journal, Hands(acts)).run([load_plan(path)])
    journal.close()
    return ending


def test_a_contactor_that_is_welded_energises_nothing_in_the_next_plan_or_run(rig: Rig) -> None:
    begun: list[str] = []
    acts = {"after": rig.panel("FAULT contactor_welded ON"), "second": lambda: begun.append("second")}

    ending = rig.run(acts, LIVE, LIVE.replace("live", "second"))

    assert (ending.exit_code, begun, rig.state) == (5, [], State.NOT_PROVEN_DEAD)
    assert "the contactor's feedback says closed: welded?" in problems(ending)[PROVED]
    rig.watch(lambda: begun.append("fed") if rig.world.wiring.source_on or rig.volts > 60 else None)

    ending = anew(rig, "later", {"after": lambda: begun.append("after")})

    assert (ending.exit_code, begun, rig.state) == (5, [], State.NOT_PROVEN_DEAD)
    assert "the contactor's feedback says closed before it was told to close" in (ending.bench_lost or "")
    assert rig.supplied


def test_a_feedback_that_says_closed_beforehand_energises_nothing(rig: Rig) -> None:
    rig.world.wiring.contactor = True
    rig.world.wiring.faults.add("contactor_welded")
    fed: list[float] = []
    rig.watch(lambda: fed.append(rig.volts) if rig.world.wiring.source_on or rig.volts > 60 else None)

    ending = rig.run({"after": lambda: fed.append(0.0)}, LIVE)

    assert (ending.exit_code, rig.state, fed) == (5, State.NOT_PROVEN_DEAD, [])
    assert [event["problem"] for event in rig.events("gate") if event["event"] == "energise"] == [
        "the contactor's feedback says closed before it was told to close: welded?"
    ]


def test_a_discharge_relay_that_stays_closed_is_found_before_the_contactor_closes(rig: Rig) -> None:
    connected: list[float] = []
    rig.watch(lambda: connected.append(rig.volts) if rig.world.wiring.contactor else None)

    ending = rig.run({"live": rig.panel("FAULT discharge_welded ON")}, LIVE)

    assert (ending.exit_code, connected) == (5, [])
    assert (ending.bench_lost or "").startswith("the discharge relay's feedback says closed; NOT PROVED DEAD")
    assert rig.state is State.NOT_PROVEN_DEAD  # both channels have read nothing but zero


@pytest.mark.parametrize("at", ["live", "after"])
def test_a_discharge_relay_whose_feedback_stays_open_proves_nothing(rig: Rig, at: str) -> None:
    ending = rig.run({at: rig.panel("FAULT discharge_feedback_open ON")}, LIVE)

    assert "the discharge relay's feedback says open" in problems(ending)[PROVED]
    assert "safe" not in [proof["state"] for proof in rig.events("proof")]
    assert (ending.exit_code, rig.state, rig.supplied) == (5, State.NOT_PROVEN_DEAD, True)


# A person's word


class Somebody:
    """At a bench that counts as a real one once a person is to state something; ``then`` happens as it is stated."""

    def __init__(self, then: Callable[[], object]) -> None:
        self._then = then

    def absent(self) -> str | None:
        return None

    def show(self, lines: Iterable[str]) -> None:
        pass

    def answer(self, wanted: str, at_most_ns: int, idle: object) -> str | None:
        if "verified" in wanted:
            self._then()
        return wanted


@pytest.fixture
def in_doubt(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> Callable[[], None]:
    """A lead comes off, and from here on the bench is no simulated one."""

    def act() -> None:
        rig.panel("FAULT sense_source_off ON")()
        monkeypatch.setattr(Bench, "simulated", property(lambda self: False))

    return act


def test_a_statement_that_is_recorded_leads_on(rig: Rig, in_doubt: Callable[[], None], closed: list[str]) -> None:
    ending = rig.run({"after": in_doubt}, LIVE, person=Somebody(lambda: None))

    assert rig.events("gate")[-1]["event"] == "stated dead"
    assert (ending.exit_code, rig.state, rig.supplied) == (5, State.SAFE, False)
    assert closed == ["closed"]


@pytest.mark.parametrize(("owner", "name"), [(PowerSupply, "off"), (HighVoltage, "close")])
def test_a_signal_after_the_statement_leaves_nothing_on(
    rig: Rig,
    in_doubt: Callable[[], None],
    closed: list[str],
    monkeypatch: pytest.MonkeyPatch,
    owner: type,
    name: str,
) -> None:
    act = getattr(owner, name)
    stated: list[bool] = []

    def interrupted(self: object) -> None:
        if stated:
            stated.clear()
            os.kill(os.getpid(), signal.SIGINT)
        act(self)

    monkeypatch.setattr(owner, name, interrupted)

    try:
        with interruptible():
            ending = rig.run({"after": in_doubt}, LIVE, person=Somebody(lambda: stated.append(True)))
    except KeyboardInterrupt:
        pytest.fail("the signal got through")

    assert (ending.exit_code, rig.state, rig.supplied) == (130, State.SAFE, False)
    assert closed == ["closed"]


def test_a_statement_that_cannot_be_recorded_leads_nowhere(
    rig: Rig, in_doubt: Callable[[], None], closed: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    full: list[bool] = []
    event = Journal.event

    def note(self: Journal, at_ns: int, kind: str, detail: Mapping[str, object]) -> None:
        if full:
            raise JournalError("the disk is full")
        event(self, at_ns, kind, detail)

    monkeypatch.setattr(Journal, "event", note)

    ending = rig.run({"after": in_doubt}, LIVE, person=Somebody(lambda: full.append(True)))

    assert ending.record_lost == "the disk is full"
    assert "NOT PROVED DEAD, treat as live: the disk is full" in (ending.bench_lost or "")
    assert (ending.exit_code, rig.state, rig.supplied) == (5, State.NOT_PROVEN_DEAD, True)
    assert closed == ["closed"]
