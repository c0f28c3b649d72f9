"""Emergency stop and doors at 50 V: they act in hardware, while a person opens them and nobody else does anything."""

from __future__ import annotations

import pytest
from test_inspection_course import look

from harness.bench.instrument import PowerSupply
from harness.clock import MS
from harness.inspection.opened import Opened
from harness.inspection.operator import Task
from harness.inspection.row import Verdict, exit_code
from mocks.clock import EventClock

STOP, DOORS = "emergency stop pressed at 50 V", "doors opened at 50 V"
BOTH = [(Task.PRESS_STOP_LIVE, STOP), (Task.OPEN_DOORS_LIVE, DOORS)]
ACT = {Task.PRESS_STOP_LIVE: "STOP PRESS", Task.OPEN_DOORS_LIVE: "DOOR OPEN"}
NAME = {STOP: "emergency stop", DOORS: "doors"}
both = pytest.mark.parametrize(("task", "done"), BOTH)


def panel(bench: Opened, *lines: str) -> None:
    assert bench.panel is not None
    for line in lines:
        assert bench.panel(line) == "OK"


def test_both_take_the_source_away_and_how_soon_is_kept() -> None:
    """100 ms of time constant: 10.5 ms to nine tenths; looked at every 5 ms while somebody is waited for."""
    looked = look()

    assert looked.row("interlock", STOP).found == "gone after 11 ms, 500 ms allowed; the bank's charger gives nothing"
    assert looked.row("interlock", DOORS).found == "gone after 11 ms, 500 ms allowed"
    assert all(0.010 < looked.measured[name] < 0.017 for name in NAME.values())


@both
def test_nobody_tells_the_source_anything_before_it_is_gone(task: Task, done: str) -> None:
    """When it is told the first time after that, it is off and the contactor still closed."""
    first: list[str] = []

    def acts(bench: Opened) -> None:
        source = bench.instruments["source"]
        assert isinstance(source, PowerSupply)
        off = source.off

        def noted() -> None:
            assert bench.panel is not None
            first.append(bench.panel("STATE?"))
            source.off = off  # type: ignore[method-assign]
            off()

        source.off = noted  # type: ignore[method-assign]
        panel(bench, ACT[task])

    look(instead={task: acts})

    assert first[0].startswith("source=0 contactor=1 enable=0")


@pytest.mark.parametrize("role", ["source", "contactor"])
def test_nobody_is_asked_to_open_anything_before_source_and_contactor_let_go(role: str) -> None:
    def hangs(bench: Opened) -> None:
        source, times = bench.instruments["source"], []
        assert isinstance(source, PowerSupply)
        output = source.output

        def fifth(on: bool) -> None:
            times.append(on)
            if len(times) == 5:  # in the row in which it is to open under voltage
                panel(bench, "FAULT contactor_welded ON")
            output(on)

        if role == "source":
            panel(bench, "FAULT source_ignores_off ON")
        else:
            source.output = fifth  # type: ignore[method-assign]

    looked = look(on_open=hangs)

    assert looked.faults
    for done in (STOP, DOORS):
        assert looked.row("interlock", done).found.startswith(f"not before this is in order: {role}: ")


@both
def test_a_thing_that_is_not_in_the_chain_is_at_fault_and_nothing_more_goes_on(task: Task, done: str) -> None:
    looked = look(instead={task: lambda bench: panel(bench, "FAULT enable_bypassed ON", ACT[task])})

    row = looked.row("interlock", done)
    assert (row.verdict, row.found) == (Verdict.FAULT, "still 50.0 V after 1 s")
    assert "source enable does not go through its contacts" in row.fix
    assert looked.row("watchdog", "line no longer fed").found == f"not before this is in order: interlock: {done}"
    assert looked.standing()["source"] == 0
    assert looked.most < 50.5


@both
def test_a_chain_that_is_slow_is_at_fault(task: Task, done: str) -> None:
    def late(bench: Opened) -> None:
        assert isinstance(bench.clock, EventClock)
        panel(bench, "FAULT enable_bypassed ON", ACT[task])
        bench.clock.at(bench.clock.now_ns() + 700 * MS, lambda: panel(bench, "FAULT enable_bypassed OFF"))

    row = look(instead={task: late}).row("interlock", done)

    assert row.verdict is Verdict.FAULT
    assert row.found.startswith("gone after 71") and row.found.endswith(" ms, 500 ms allowed")
    assert "slower than 'stop_within'" in row.fix


@both
def test_a_person_who_takes_a_second_is_not_in_the_time(task: Task, done: str) -> None:
    def slowly(bench: Opened) -> None:
        assert isinstance(bench.clock, EventClock)
        bench.clock.at(bench.clock.now_ns() + 1234 * MS, lambda: panel(bench, ACT[task]))

    looked = look(instead={task: slowly})

    assert looked.row("interlock", done).verdict is Verdict.OK
    assert 0.010 < looked.measured[NAME[done]] < 0.017


@both
def test_nobody_who_does_it_is_no_fault_and_no_pass(task: Task, done: str) -> None:
    looked = look(instead={task: lambda bench: None})

    row = looked.row("interlock", done)
    assert (row.verdict, row.found) == (Verdict.NOT_LOOKED_AT, "nobody did so within 2 s")
    assert exit_code(looked.rows) == 3
    assert looked.waited[:2] == [2.0, pytest.approx(1.0, abs=0.1)]


@both
def test_one_channel_alone_is_at_fault(task: Task, done: str) -> None:
    word = ACT[task].replace(" ", "1 ")

    row = look(instead={task: word}).row("interlock", done)

    assert (row.verdict, row.found) == (Verdict.FAULT, "channel 2 did not follow")


@pytest.mark.parametrize(
    ("task", "words", "done", "found"),
    [
        (Task.PRESS_STOP_LIVE, "DOOR OPEN", STOP, "the doors are open"),
        (Task.OPEN_DOORS_LIVE, "STOP PRESS", DOORS, "the emergency stop is pressed"),
    ],
)
def test_another_thing_that_opens_is_not_taken_for_it(task: Task, words: str, done: str, found: str) -> None:
    looked = look(instead={task: words})

    row = looked.row("interlock", done)
    assert (row.verdict, row.found) == (Verdict.FAULT, found)
    assert NAME[done] not in looked.measured
    assert looked.standing()["source"] == 0


@both
def test_a_source_that_goes_by_itself_is_not_taken_for_it(task: Task, done: str) -> None:
    """It goes when somebody is asked, and nobody does anything."""
    looked = look(instead={task: lambda bench: bench.instruments["source"].off()})  # type: ignore[attr-defined]

    row = looked.row("interlock", done)
    assert (row.verdict, row.fix) == (Verdict.FAULT, "source: see why it goes by itself")
    assert NAME[done] not in looked.measured


@pytest.mark.parametrize(
    ("close", "words", "done"),
    [(Task.RELEASE_STOP, "STOP PRESS", STOP), (Task.CLOSE_DOORS, "DOOR OPEN", DOORS)],
)
def test_what_is_not_closed_again_is_at_fault(close: Task, words: str, done: str) -> None:
    asked: list[Task] = []

    def jams(bench: Opened) -> None:
        asked.append(close)
        if len(asked) == 1:  # that is the row of the inputs alone
            panel(bench, {Task.RELEASE_STOP: "STOP RELEASE", Task.CLOSE_DOORS: "DOOR CLOSE"}[close])

    looked = look(instead={close: jams})

    row = looked.row("interlock", done)
    assert (row.verdict, row.found.endswith(f"; no change when asked to {close.value}")) == (Verdict.FAULT, True)
    assert looked.standing()["source"] == 0


@both
def test_who_interrupts_is_asked_for_nothing_more(task: Task, done: str) -> None:
    asked: list[Task] = []

    def interrupt(bench: Opened) -> None:
        panel(bench, ACT[task])
        asked.clear()
        raise KeyboardInterrupt

    def note(bench: Opened) -> None:
        asked.append(task)

    close = {Task.PRESS_STOP_LIVE: Task.RELEASE_STOP, Task.OPEN_DOORS_LIVE: Task.CLOSE_DOORS}[task]
    word = {Task.RELEASE_STOP: "STOP RELEASE", Task.CLOSE_DOORS: "DOOR CLOSE"}[close]

    with pytest.raises(KeyboardInterrupt):
        look(instead={task: interrupt, close: lambda bench: (note(bench), panel(bench, word))})

    assert not asked


@pytest.mark.parametrize(
    ("task", "close", "also"),
    [(Task.PRESS_STOP_LIVE, Task.RELEASE_STOP, "DOOR1 OPEN"), (Task.OPEN_DOORS_LIVE, Task.CLOSE_DOORS, "STOP1 PRESS")],
)
def test_what_was_opened_is_asked_for_again_after_a_fault(task: Task, close: Task, also: str) -> None:
    asked: list[Task] = []

    def begins(bench: Opened) -> None:
        asked.append(task)
        panel(bench, ACT[task], also)

    def closes(bench: Opened) -> None:
        asked.append(close)
        panel(bench, {Task.RELEASE_STOP: "STOP RELEASE", Task.CLOSE_DOORS: "DOOR CLOSE"}[close])

    look(instead={task: begins, close: closes})

    assert asked == [close, task, close]
