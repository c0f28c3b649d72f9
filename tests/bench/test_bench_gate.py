"""The gate, whole: every state and event, and every situation that a bench can get it into."""

from __future__ import annotations

import copy
import itertools
from collections.abc import Callable, Iterator

import pytest

from harness.bench.gate import (
    FRESH_NS,
    OUTPUTS,
    PRESS_FRESH_NS,
    TRANSITIONS,
    Confirmation,
    Event,
    Gate,
    Interlock,
    State,
)
from harness.clock import S

CLOSED = Interlock(doors_closed=True, stop_released=True)
NOW = 1000 * S
DIGEST = "d1"


def confirmed(
    age_ns: int = 0, digest: str = DIGEST, released: int | None = -3, pressed: int | None = -2
) -> Confirmation:
    """Given ``age_ns`` before NOW; the button's instants in seconds before that."""
    at = NOW - age_ns
    instants = (None if seconds is None else at + seconds * S for seconds in (released, pressed))
    return Confirmation(digest, at - 5 * S, at, *instants)


def armed(button: bool = True) -> Gate:
    gate = Gate(button)
    assert gate.confirm(confirmed(), DIGEST, NOW) is None
    return gate


def energised() -> Gate:
    gate = armed()
    assert gate.energise(DIGEST, NOW, CLOSED, beating=True) is None
    return gate


def test_the_table_is_total() -> None:
    assert set(TRANSITIONS) == set(OUTPUTS) == set(State)
    assert all(set(row) == set(Event) for row in TRANSITIONS.values())


def test_outputs_are_on_in_energised_and_nowhere_else() -> None:
    for output in ("source", "contactor", "charger", "making"):
        assert [state for state in State if getattr(OUTPUTS[state], output)] == [State.ENERGISED]
    for resistor in ("discharge", "bank_discharge"):
        assert [state for state in State if not getattr(OUTPUTS[state], resistor)] == [State.ENERGISED]


def test_the_only_way_to_energised_is_energise_out_of_armed() -> None:
    ways = [(s, e) for s in State for e in Event if TRANSITIONS[s][e] is State.ENERGISED and s is not State.ENERGISED]

    assert ways == [(State.ARMED, Event.ENERGISE)]


def test_the_only_ways_to_safe_from_where_voltage_may_be_are_proof_and_a_persons_word() -> None:
    live = (State.ENERGISED, State.DISCHARGING, State.NOT_PROVEN_DEAD)
    ways = [(s, e) for s in live for e in Event if TRANSITIONS[s][e] is State.SAFE]

    assert ways == [(State.DISCHARGING, Event.PROVED), (State.NOT_PROVEN_DEAD, Event.STATED_DEAD)]


@pytest.mark.parametrize(
    ("confirmation", "why"),
    [
        (confirmed(digest="d2"), "not what is to be run"),
        (confirmed(age_ns=FRESH_NS + 1), "older than 60 s"),
        (confirmed(released=None, pressed=None), "was not pressed"),
        (confirmed(released=-6), "held down beforehand"),  # released before the question was put
        (confirmed(released=-2), "held down beforehand"),  # not seen released before it was pressed
        (confirmed(released=None), "was not pressed"),
        (Confirmation(DIGEST, NOW - 30 * S, NOW, NOW - 20 * S, NOW - PRESS_FRESH_NS - 1), "too old"),
        (Confirmation(DIGEST, NOW + 1, NOW), "make no sense"),
        (Confirmation(DIGEST, NOW - S, NOW + 1), "make no sense"),
    ],
)
def test_a_confirmation_that_is_not_good_arms_nothing(confirmation: Confirmation, why: str) -> None:
    gate = Gate(button=True)

    assert why in (gate.confirm(confirmation, DIGEST, NOW) or "")
    assert gate.state is State.SAFE


def test_without_a_real_source_no_button_is_asked_for() -> None:
    gate = Gate(button=False)

    assert gate.confirm(confirmed(released=None, pressed=None), DIGEST, NOW) is None
    assert gate.state is State.ARMED


def test_a_confirmation_is_good_for_one_use() -> None:
    gate = energised()
    gate.finished()
    gate.judged(proved=True)

    assert gate.state is State.SAFE
    assert gate.energise(DIGEST, NOW, CLOSED, beating=True) is not None
    assert gate.state is State.SAFE


@pytest.mark.parametrize(
    ("interlock", "beating", "why"),
    [
        (Interlock(False, True), True, "doors are open"),
        (Interlock(True, False), True, "emergency stop is pressed"),
        (Interlock(None, True), True, "channels of the doors disagree"),
        (Interlock(True, None), True, "channels of the emergency stop disagree"),
        (CLOSED, False, "watchdog"),
    ],
)
def test_what_is_open_or_in_doubt_keeps_the_bench_off_and_takes_it_off(
    interlock: Interlock, beating: bool, why: str
) -> None:
    before, after = armed(), energised()

    assert why in (before.energise(DIGEST, NOW, interlock, beating) or "")
    assert before.state is State.DISCHARGING
    assert after.supervise(NOW, interlock, beating, live=True) is State.DISCHARGING


def test_a_digest_that_changed_after_arming_energises_nothing() -> None:
    gate = armed()

    assert "not what is to be run" in (gate.energise("d2", NOW, CLOSED, beating=True) or "")
    assert gate.state is State.SAFE


def test_an_armed_gate_disarms_itself() -> None:
    gate = armed()

    assert gate.supervise(NOW + FRESH_NS, CLOSED, beating=True, live=False) is State.ARMED
    assert gate.supervise(NOW + FRESH_NS + 1, CLOSED, beating=True, live=False) is State.SAFE


def test_rebound_in_safe_is_discharged_again() -> None:
    assert Gate(button=True).supervise(NOW, CLOSED, beating=True, live=True) is State.DISCHARGING


def test_a_statement_wants_two_readings_below_the_limit() -> None:
    gate = energised()
    gate.trouble()
    gate.judged(proved=False)

    assert gate.state is State.NOT_PROVEN_DEAD
    for looks in (("61 V", None), (None, "61 V"), ("61 V", "61 V")):
        assert gate.stated_dead(*looks) == "61 V"
        assert gate.state is State.NOT_PROVEN_DEAD
    assert gate.stated_dead(None, None) is None
    assert gate.state is State.SAFE


# The whole reachable product: every confirmation, interlock, heartbeat, voltage and outcome in every state

CONFIRMATIONS: dict[str, Confirmation | None] = {
    "none": None,
    "fresh": confirmed(),
    "stale": confirmed(age_ns=FRESH_NS + 1),
    "wrong": confirmed(digest="d2"),
    "held": confirmed(released=None),
}
INTERLOCKS = [Interlock(*pair) for pair in itertools.product((True, False, None), repeat=2)]
Move = tuple[str, Callable[[Gate], object]]


def moves() -> Iterator[Move]:
    for name, confirmation in CONFIRMATIONS.items():
        if confirmation is not None:
            yield f"confirm {name}", lambda gate, c=confirmation: gate.confirm(c, DIGEST, NOW)  # type: ignore[misc]
    for interlock, beating, digest in itertools.product(INTERLOCKS, (True, False), (DIGEST, "d2")):
        good = "good" if interlock == CLOSED and beating and digest == DIGEST else "bad"
        yield f"energise {good}", lambda g, i=interlock, b=beating, d=digest: g.energise(d, NOW, i, b)  # type: ignore[misc]
    for interlock, beating, live, later in itertools.product(
        INTERLOCKS, (True, False), (True, False), (0, FRESH_NS + 1)
    ):
        good = "good" if interlock == CLOSED and beating else "bad"
        look = lambda g, i=interlock, b=beating, v=live, t=later: g.supervise(NOW + t, i, b, v)  # type: ignore[misc]  # noqa: E731
        yield f"supervise {good}", look
    yield "trouble", lambda gate: gate.trouble()
    yield "finished", lambda gate: gate.finished()
    yield "judged dead", lambda gate: gate.judged(True)
    yield "judged live", lambda gate: gate.judged(False)
    yield "stated dead", lambda gate: gate.stated_dead(None, None)
    yield "stated live", lambda gate: gate.stated_dead(None, "700 V")


def reachable() -> list[tuple[Gate, str, Gate]]:
    """Every situation that can come about, with every move out of it."""
    start = Gate(button=True)
    seen, edges, rest = {key(start)}, [], [start]
    while rest:
        gate = rest.pop()
        for name, move in moves():
            after = copy.copy(gate)
            move(after)
            edges.append((gate, name, after))
            if key(after) not in seen:
                seen.add(key(after))
                rest.append(after)
    return edges


def key(gate: Gate) -> tuple[State, Confirmation | None]:
    return gate.state, gate._confirmation


EDGES = reachable()


def test_every_state_is_reachable() -> None:
    assert {after.state for _, _, after in EDGES} == set(State)


def test_nothing_but_a_good_energise_with_a_fresh_confirmation_energises() -> None:
    ways = {(before.state, name) for before, name, after in EDGES if _became(before, after, State.ENERGISED)}

    assert ways == {(State.ARMED, "energise good")}
    assert {key(before)[1] for before, _, after in EDGES if _became(before, after, State.ENERGISED)} == {confirmed()}


def test_only_a_fresh_confirmation_of_this_digest_with_a_fresh_press_arms() -> None:
    assert {name for before, name, after in EDGES if _became(before, after, State.ARMED)} == {"confirm fresh"}


def test_whatever_goes_wrong_while_energised_ends_it_at_once() -> None:
    bad = [
        after
        for before, name, after in EDGES
        if before.state is State.ENERGISED and name in ("supervise bad", "trouble")
    ]

    assert bad
    assert {after.state for after in bad} == {State.DISCHARGING}


def test_from_everywhere_three_moves_lead_to_safe_or_not_proven_dead() -> None:
    for before, _, _ in EDGES:
        for proved in (True, False):
            gate = copy.copy(before)
            gate.trouble()
            gate.finished()
            if gate.state is State.DISCHARGING:
                gate.judged(proved)
            assert gate.state in (State.SAFE, State.NOT_PROVEN_DEAD)


def _became(before: Gate, after: Gate, state: State) -> bool:
    return before.state is not state and after.state is state
