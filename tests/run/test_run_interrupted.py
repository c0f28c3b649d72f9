"""Ctrl-C, SIGTERM and a terminal that is lost while the bench is made safe: that is carried out from its begin."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable, Iterable

import pytest
from high_voltage_rig import LIVE, Rig

from harness.bench.bench import Bench
from harness.bench.gate import State
from harness.bench.making_safe import ACTIONS, SafeAction, make_safe
from harness.cli.interrupt import interruptible
from harness.record.journal import Journal
from harness.run import engine as engine_module
from harness.run.ending import Ending

SIGNALS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
ASKED = [
    ("source", "off"),
    ("load", "off"),
    ("injector", "off"),
    ("bank", "off"),
    ("interlock", "relay"),
    ("interlock", "inputs"),
    ("voltmeter", "both"),
    ("supply_12v", "off"),
]
"""Instruments of the bench, and what making safe asks of each."""


class Begun:
    """Counts how often making safe was begun, and sends a signal the first time that something is done in it."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.times = 0
        self._sent = False
        self._patch = monkeypatch
        monkeypatch.setattr(engine_module, "make_safe", self._make_safe)

    def interrupted_in(self, owner: object, name: str, number: signal.Signals) -> None:
        act = getattr(owner, name)

        def interrupted(*arguments: object) -> object:
            if self.times and not self._sent:
                self._sent = True
                os.kill(os.getpid(), number)
            return act(*arguments)

        self._patch.setattr(owner, name, interrupted)

    def _make_safe(self, bench: Bench) -> list[SafeAction]:
        self.times += 1
        return make_safe(bench)


def run_to_its_end(rig: Rig, acts: dict[str, Callable[[], object]]) -> Ending:
    try:
        with interruptible():
            ending = rig.run(acts, LIVE)
    except KeyboardInterrupt:
        pytest.fail("the signal got through")
    assert (ending.exit_code, rig.state, rig.off) == (130, State.SAFE, True)
    assert rig.volts < 60
    assert [(action.name, action.problem) for action in ending.made_safe] == [(each.name, None) for each in ACTIONS]
    assert not rig.supplied
    assert len(ending.results) == 6
    return ending


def every_signal(asked: Iterable[tuple[str, str]]) -> list[tuple[str, str, signal.Signals]]:
    return [(*each, signal.SIGINT) for each in asked] + [("source", "off", number) for number in SIGNALS[1:]]


@pytest.mark.parametrize(("role", "asked", "number"), every_signal(ASKED))
def test_a_live_bench_is_made_safe_from_the_begin_again(
    rig: Rig, monkeypatch: pytest.MonkeyPatch, role: str, asked: str, number: signal.Signals
) -> None:
    begun = Begun(monkeypatch)
    begun.interrupted_in(getattr(rig.bench, role), asked, number)

    ending = run_to_its_end(rig, {"after": rig.panel("DOOR OPEN")})

    assert begun.times == 2
    assert "the doors are open" in (ending.bench_lost or "")


@pytest.mark.parametrize(("role", "asked", "number"), every_signal(ASKED))
def test_so_is_one_whose_run_was_over(
    rig: Rig, monkeypatch: pytest.MonkeyPatch, role: str, asked: str, number: signal.Signals
) -> None:
    begun = Begun(monkeypatch)
    begun.interrupted_in(getattr(rig.bench, role), asked, number)

    run_to_its_end(rig, {})

    assert begun.times == 2


@pytest.mark.parametrize("kind", ["making_safe", "bus", "ledger"])
def test_the_record_is_closed_although_a_signal_comes(rig: Rig, monkeypatch: pytest.MonkeyPatch, kind: str) -> None:
    begun = Begun(monkeypatch)
    event = Journal.event

    def interrupted(self: Journal, at_ns: int, what: str, detail: dict[str, object]) -> None:
        if begun.times and what == kind and not sent:
            sent.append(what)
            os.kill(os.getpid(), signal.SIGINT)
        event(self, at_ns, what, detail)

    sent: list[str] = []
    monkeypatch.setattr(Journal, "event", interrupted)

    run_to_its_end(rig, {})

    assert sent == [kind]
    assert len(rig.events("ledger")) == 1


def test_a_second_signal_keeps_nothing_from_being_made_safe(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupt() -> None:
        os.kill(os.getpid(), signal.SIGINT)

    begun = Begun(monkeypatch)
    begun.interrupted_in(rig.bench.voltmeter, "both", signal.SIGTERM)

    run_to_its_end(rig, {"after": interrupt})

    assert begun.times == 1
