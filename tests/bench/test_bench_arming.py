"""What a person has to do before anything is energised, and to lead out of not_proven_dead: typed, pressed, in time."""

from __future__ import annotations

import io
import os
import pty
import select
import sys
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from typing import Any, cast

import pytest

from harness.bench.arming import ArmingRequest, Idle, Nobody, Person, confirm, state_dead
from harness.bench.gate import Confirmation, Interlock
from harness.bench.guard import GateRefused
from harness.bench.interlock import Inputs
from harness.cautions import CAUTIONS
from harness.cli.arming import TerminalPerson
from harness.clock import MS, S

DIGEST = "d1"
REQUEST = ArmingRequest("left", "shots", "Some shots", "heater", 700.0, DIGEST)
PHRASE = "energise 700 V on left"
STATEMENT = "I have verified that both sides are dead"
PRESS = "press the arm button"
TYPED_S = 5.0  # when the phrase is there; the press is asked for then
Hold = tuple[float, float]


class Stage:
    """Clock, bus and inputs at once: the arm button is down in each of ``held``, in seconds."""

    def __init__(self, *held: Hold) -> None:
        self._held = held
        self._now = 0

    def now_ns(self) -> int:
        return self._now

    def idle(self, duration_ns: int) -> None:
        self._now += duration_ns

    def inputs(self) -> Inputs:
        down = any(begin <= self._now / S < end for begin, end in self._held)
        return Inputs(Interlock(doors_closed=True, stop_released=True), down, contactor=False, discharge=True)

    def confirmed(self, person: Person, button: bool = True) -> Confirmation:
        bench = cast(Any, self)
        return confirm(REQUEST, person, bench, self.idle, bench, button)


class Typist:
    """Types ``says`` so many seconds after the question; keeps what was shown, and what of it before the question."""

    def __init__(self, says: str | None, after_s: float = TYPED_S, absent: str | None = None) -> None:
        self.shown: list[str] = []
        self.read: list[str] = []
        self._says, self._after_ns, self._absent = says, round(after_s * S), absent

    def absent(self) -> str | None:
        return self._absent

    def show(self, lines: Iterable[str]) -> None:
        self.shown += lines

    def answer(self, wanted: str, at_most_ns: int, idle: Idle) -> str | None:
        self.read = list(self.shown)
        idle(min(self._after_ns, at_most_ns))
        return self._says if self._after_ns <= at_most_ns else None


# What it takes to confirm


def test_the_phrase_and_a_fresh_press_confirm_what_was_asked() -> None:
    given = Stage((6.0, 6.3)).confirmed(Typist(f" {PHRASE} "))

    # a look each 20 ms, and the last one before the press saw it released
    assert given == Confirmation(DIGEST, 0, 6 * S, released_ns=6 * S - 20 * MS, pressed_ns=6 * S)


def test_hazards_and_what_goes_where_are_read_before_the_phrase_is_asked_for() -> None:
    person = Typist(None)

    with pytest.raises(GateRefused):
        Stage().confirmed(person)

    assert [line for line in person.read if line.startswith("- ")] == [f"- {caution}" for caution in CAUTIONS]
    text = "\n".join(person.read)
    assert "plan shots (Some shots)" in text
    assert "puts 700 V on heater, bench left" in text
    assert person.read[-1] == f"To go on, type exactly: {PHRASE}"


@pytest.mark.parametrize(
    "typed",
    ["", "yes", "energise 600 V on left", "energise 700 V on right", "energise 700 V", PHRASE.upper(), STATEMENT],
)
def test_another_phrase_confirms_nothing_and_no_press_is_asked_for(typed: str) -> None:
    person = Typist(typed)

    with pytest.raises(GateRefused, match=f"what was typed is not '{PHRASE}'"):
        Stage((6.0, 6.3)).confirmed(person)

    assert PRESS not in "\n".join(person.shown)


@pytest.mark.parametrize(("after_s", "said"), [(119.0, True), (121.0, False)])
def test_a_person_who_takes_longer_than_two_minutes_has_not_confirmed(after_s: float, said: bool) -> None:
    stage, person = Stage((after_s + 1, after_s + 2)), Typist(PHRASE, after_s)

    if said:
        assert stage.confirmed(person).at_ns == 120 * S
    else:
        with pytest.raises(GateRefused, match="nobody typed the phrase in time"):
            stage.confirmed(person)


@pytest.mark.parametrize(
    ("held", "why"),
    [
        ([(0.0, 99.0)], "held down all the time"),
        ([(0.0, TYPED_S + 1)], "not pressed"),  # let go after the question, and no more
        ([], "not pressed"),
        ([(1.0, 2.0), (3.0, 4.0)], "not pressed"),  # both of them before the press was asked for
        ([(TYPED_S + 31, TYPED_S + 32)], "not pressed"),  # too late
    ],
    ids=["held", "let go", "never", "beforehand", "late"],
)
def test_what_is_no_fresh_press_confirms_nothing(held: list[Hold], why: str) -> None:
    person = Typist(PHRASE)

    with pytest.raises(GateRefused, match=why):
        Stage(*held).confirmed(person)

    assert PRESS in person.shown[-1]


def test_a_button_held_down_since_before_the_question_has_to_be_released_first() -> None:
    given = Stage((0.0, 7.0), (8.0, 8.3)).confirmed(Typist(PHRASE))

    assert given.released_ns is not None and 7 * S <= given.released_ns < 8 * S
    assert given.pressed_ns == 8 * S


def test_without_a_button_the_phrase_alone_confirms() -> None:
    person = Typist(PHRASE)

    assert Stage().confirmed(person, button=False) == Confirmation(DIGEST, 0, round(TYPED_S * S))
    assert PRESS not in "\n".join(person.shown)


def test_where_nobody_is_nothing_is_asked() -> None:
    person = Typist(PHRASE, absent="gone home")

    with pytest.raises(GateRefused, match="gone home"):
        Stage((6.0, 6.3)).confirmed(person)

    assert person.shown == []


def test_nobody_answers_for_the_simulated_bench_alone() -> None:
    real, simulated = Nobody(simulated=False), Nobody(simulated=True)

    assert real.absent() == "nobody is there to confirm"
    assert real.answer(PHRASE, S, Stage().idle) is None
    assert simulated.absent() is None
    assert simulated.answer(PHRASE, S, Stage().idle) == PHRASE
    with pytest.raises(GateRefused, match="nobody is there"):
        Stage((6.0, 6.3)).confirmed(real)


# The statement that leads out of not_proven_dead


class Sides:
    """The high-voltage side, in doubt: what it is told that somebody stated, and what it says to that."""

    def __init__(self, problem: str | None = None) -> None:
        self.stated: list[str] = []
        self._problem = problem

    def readings(self) -> tuple[float, float]:
        return 12.34, -56.78

    def stated_dead(self, statement: str) -> str | None:
        self.stated.append(statement)
        return self._problem


def asked(person: Person, sides: Sides) -> str | None:
    return state_dead(person, Stage().idle, cast(Any, sides))


def test_the_exact_statement_is_handed_on_with_the_alarm_read_before() -> None:
    person, sides = Typist(f"{STATEMENT}\r"), Sides()

    assert asked(person, sides) is None
    assert sides.stated == [STATEMENT]
    alarm, reads, *_, last = person.read
    assert alarm.startswith("NOT PROVED DEAD: treat both sides of the breaker as live.")
    assert reads == "The voltmeter reads 12.3 V (source side), -56.8 V (load side)."
    assert last == f"Only then type exactly: {STATEMENT}"


@pytest.mark.parametrize("typed", ["", "yes", "dead", STATEMENT.lower(), f"{STATEMENT}?", PHRASE, None])
def test_any_other_word_states_nothing(typed: str | None) -> None:
    sides = Sides()

    assert asked(Typist(typed), sides) == "nobody stated that both sides are dead"
    assert sides.stated == []


def test_a_statement_that_comes_too_late_states_nothing() -> None:
    sides = Sides()

    assert asked(Typist(STATEMENT, after_s=121.0), sides) == "nobody stated that both sides are dead"
    assert sides.stated == []


def test_what_the_readings_say_against_a_statement_is_the_answer() -> None:
    assert asked(Typist(STATEMENT), Sides("the load side reads 300 V")) == "the load side reads 300 V"


@pytest.mark.parametrize(
    ("person", "why"),
    [(Typist(STATEMENT, absent="gone home"), "gone home"), (Nobody(simulated=False), "nobody is there to confirm")],
)
def test_where_nobody_is_nothing_is_stated(person: Person, why: str) -> None:
    sides = Sides()

    assert asked(person, sides) == why
    assert sides.stated == []


# The person at a terminal


class Terminal:
    """A pseudo-terminal from the other side."""

    def __init__(self) -> None:
        self.master, self.slave = pty.openpty()
        self._lost = False

    def type(self, text: str, ends_line: bool = True) -> None:
        os.write(self.master, text.encode())
        if ends_line:
            assert select.select([self.slave], [], [], 10.0)[0], "what was typed does not arrive"

    def shown(self, last: str) -> str:
        text = ""
        while last not in text:
            assert select.select([self.master], [], [], 10.0)[0], text
            text += os.read(self.master, 1 << 16).decode()
        return text

    def end(self) -> None:
        self.lose()
        os.close(self.slave)

    def lose(self) -> None:
        """What becomes of a terminal whose window is closed."""
        if not self._lost:
            os.close(self.master)
        self._lost = True


@contextmanager
def at_a_terminal() -> Iterator[Terminal]:
    """One that is standard input and standard error of this process; no fixture, as capturing would take it away."""
    terminal = Terminal()
    with (
        pytest.MonkeyPatch.context() as patch,
        os.fdopen(os.dup(terminal.slave)) as reads,
        io.TextIOWrapper(os.fdopen(os.dup(terminal.slave), "wb", 0), write_through=True) as writes,
    ):
        patch.setattr(sys, "stdin", reads)
        patch.setattr(sys, "stderr", writes)
        try:
            yield terminal
        finally:
            terminal.end()


def meanwhile(*acts: Callable[[], object]) -> Idle:
    """Does the next of ``acts`` each time that it is idle, and lets time pass."""
    rest = list(acts)

    def idle(duration_ns: int) -> None:
        if rest:
            rest.pop(0)()
        time.sleep(duration_ns / S)

    return idle


def test_what_is_typed_ahead_of_the_question_does_not_count() -> None:
    with at_a_terminal() as terminal:
        terminal.type(f"{PHRASE}\n")

        assert TerminalPerson().answer(PHRASE, 300 * MS, meanwhile()) is None


def test_half_a_line_typed_ahead_does_not_count_either() -> None:
    with at_a_terminal() as terminal:
        terminal.type(PHRASE[:9], ends_line=False)
        assert terminal.shown(PHRASE[:9])  # its echo: it has arrived, but in no line yet

        typed = TerminalPerson().answer(PHRASE, 10 * S, meanwhile(lambda: terminal.type(f"{PHRASE[9:]}\n")))

    assert typed == PHRASE[9:]


def test_the_first_line_after_the_question_is_the_answer() -> None:
    with at_a_terminal() as terminal:
        typed = TerminalPerson().answer(PHRASE, 10 * S, meanwhile(lambda: terminal.type(f"no\n{PHRASE}\n")))

    assert typed == "no"


def test_the_end_of_the_input_is_no_phrase() -> None:
    with at_a_terminal() as terminal:
        assert TerminalPerson().answer(PHRASE, 10 * S, meanwhile(lambda: terminal.type("\x04"))) == ""


def test_what_is_shown_stands_on_the_terminal() -> None:
    with at_a_terminal() as terminal:
        TerminalPerson().show(REQUEST.lines)

        shown = terminal.shown(REQUEST.lines[-1])
    assert all(line in shown for line in REQUEST.lines)


def test_a_terminal_that_is_lost_answers_nothing_and_breaks_nothing_off() -> None:
    with at_a_terminal() as terminal:
        terminal.type(f"{PHRASE}\n")
        terminal.lose()
        person = TerminalPerson()
        person.show(REQUEST.lines)

        assert person.answer(PHRASE, 10 * S, meanwhile()) is None
        assert TerminalPerson().answer(PHRASE, 10 * S, meanwhile()) is None


def test_what_could_not_be_shown_is_not_answered() -> None:
    with at_a_terminal() as terminal, open("/dev/full", "wb", 0) as full, pytest.MonkeyPatch.context() as patch:
        person = TerminalPerson()
        patch.setattr(sys, "stderr", io.TextIOWrapper(full, write_through=True))
        person.show(REQUEST.lines)

        assert person.answer(PHRASE, 300 * MS, meanwhile(lambda: terminal.type(f"{PHRASE}\n"))) is None


def test_a_terminal_that_is_lost_while_it_is_asked_confirms_nothing() -> None:
    with at_a_terminal() as terminal:
        assert not TerminalPerson().answer(PHRASE, 10 * S, meanwhile(terminal.lose))


def test_an_answer_that_cannot_be_read_is_none(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(number: int, most: int) -> bytes:
        raise OSError("input/output error")

    with at_a_terminal() as terminal, monkeypatch.context() as patch:
        patch.setattr(os, "read", broken)

        assert TerminalPerson().answer(PHRASE, 10 * S, meanwhile(lambda: terminal.type(f"{PHRASE}\n"))) is None


@pytest.mark.parametrize("stream", ["stdin", "stderr"])
def test_a_person_who_could_not_read_or_answer_is_not_there(stream: str) -> None:
    with at_a_terminal(), open(os.devnull) as elsewhere, pytest.MonkeyPatch.context() as patch:
        assert TerminalPerson().absent() is None
        patch.setattr(sys, stream, elsewhere)
        absent = TerminalPerson().absent()

    assert absent is not None and "need a person at a terminal" in absent
