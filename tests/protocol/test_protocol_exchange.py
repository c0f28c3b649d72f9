from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from protocol.answers import NegativeResponse
from protocol.device import Timing
from protocol.exchange import (
    TRANSITIONS,
    Answer,
    Event,
    Exchange,
    Finished,
    Poll,
    Refused,
    Send,
    State,
    Unanswered,
)
from protocol.transport import segment

MS = 1_000_000
P2, P2_STAR, N_AS, N_CR = 50 * MS, 2000 * MS, 700 * MS, 1000 * MS
TIMING = Timing(p2_ns=P2, p2_star_ns=P2_STAR, st_min_ns=3 * MS, n_as_ns=N_AS, n_cr_ns=N_CR, s3_ns=5000 * MS)
NAD = 0x0A
SLOT = 10 * MS
READ = bytes.fromhex("22 F1 90")
TEXT = bytes.fromhex("62 F1 90") + b"DEMOVIN0123456789"
PENDING = bytes.fromhex("7F 22 78")


class Node:
    """Answers each poll with the next of what it was given: a PDU, or None for silence; then silence for good."""

    def __init__(self, *answers: bytes | None, nad: int = NAD) -> None:
        self.pdus: list[bytes | None] = []
        for answer in answers:
            self.pdus += [None] if answer is None else segment(nad, answer)
        self.heard: list[bytes] = []
        self.polls = 0

    def serve(self, exchange: Exchange, slot_ns: int = SLOT) -> tuple[int, object]:
        """Run the exchange in slots of equal length; when it was over, and its outcome."""
        now = 0
        while not isinstance(slot := exchange.next_slot(), Finished):
            now += slot_ns
            if isinstance(slot, Send):
                self.heard.append(slot.pdu)
                exchange.sent(now)
                continue
            assert slot == Poll()
            self.polls += 1
            pdu = self.pdus.pop(0) if self.pdus else None
            if pdu is None:
                exchange.silent(now)
            else:
                exchange.received(pdu, now)
        return now, slot.outcome


def run(node: Node, payload: bytes = READ, nad: int = NAD, slot_ns: int = SLOT) -> tuple[int, object]:
    return node.serve(Exchange(nad, payload, TIMING, 0), slot_ns)


def test_every_state_has_a_row_and_every_event_a_place():
    assert TRANSITIONS.keys() == set(State)
    assert {event for row in TRANSITIONS.values() for event in row} == set(Event)
    assert {state for row in TRANSITIONS.values() for state in row.values()} == set(State)


def test_answer_of_one_pdu():
    node = Node(b"\x62\xf1\x90a")

    assert run(node) == (2 * SLOT, Answer(b"\x62\xf1\x90a"))
    assert node.heard == [bytes.fromhex("0A 03 22 F1 90 FF FF FF")]


def test_long_request_and_long_answer():
    request = bytes.fromhex("2E F1 90") + bytes(range(20))
    node = Node(bytes.fromhex("6E F1 90"))

    assert run(node, request) == ((4 + 1) * SLOT, Answer(bytes.fromhex("6E F1 90")))
    assert node.heard == segment(NAD, request)
    assert run(Node(None, TEXT)) == ((1 + 1 + 4) * SLOT, Answer(TEXT))


def test_refusal():
    assert run(Node(b"\x7f\x22\x31")) == (2 * SLOT, Refused(NegativeResponse(0x22, 0x31)))


def test_silence():
    # Sent at 10 ms, so P2 is over at 60 ms; the first header after that is the one of the slot from 60 to 70 ms.
    node = Node()

    assert run(node) == (70 * MS, Unanswered("no answer (P2)"))
    assert node.polls == 6


def test_a_slow_schedule_still_polls_once_after_p2():
    node = Node()

    assert run(node, slot_ns=250 * MS)[0] == 750 * MS
    assert node.polls == 2
    assert run(Node(None, TEXT), slot_ns=250 * MS)[1] == Answer(TEXT)


def test_response_pending_restarts_with_p2_star():
    late = [None] * 199  # 10 ms each: just within P2* of 2 s

    assert run(Node(PENDING, *late, TEXT))[1] == Answer(TEXT)
    assert run(Node(PENDING, *late, PENDING, *late, TEXT))[1] == Answer(TEXT)
    assert run(Node(PENDING)) == ((2 + 200 + 1) * SLOT, Unanswered("no answer after 'response pending' (P2*)"))
    assert run(Node(PENDING, None, b"\x7f\x22\x31"))[1] == Refused(NegativeResponse(0x22, 0x31))


def test_unwanted_positive_answer():
    present = bytes.fromhex("3E 80")

    assert run(Node(), present) == (70 * MS, Answer(b""))
    assert run(Node(b"\x7f\x3e\x13"), present)[1] == Refused(NegativeResponse(0x3E, 0x13))
    assert run(Node(b"\x7e\x00"), present)[1] == Answer(b"\x7e\x00")


def test_response_pending_makes_an_unwanted_answer_due():
    # ISO 14229-1 §8.2.2 (from memory): after NRC 78 the final answer is sent in any case.
    reset = bytes.fromhex("11 81")

    assert run(Node(b"\x7f\x11\x78", None, b"\x51\x01"), reset)[1] == Answer(b"\x51\x01")
    assert run(Node(b"\x7f\x11\x78"), reset)[1] == Unanswered("no answer after 'response pending' (P2*)")


def test_functional_request_is_over_when_sent():
    node = Node()

    assert run(node, bytes.fromhex("3E 80"), nad=0x7E) == (SLOT, Answer(b""))
    assert node.polls == 0


def test_broadcast_is_answered_from_any_address():
    assert run(Node(TEXT, nad=0x0B), nad=0x7F)[1] == Answer(TEXT)


def test_other_nodes_count_as_silence():
    node = Node(*[b"\x62\xf1\x90a"] * 20, nad=0x0B)

    assert run(node) == (70 * MS, Unanswered("no answer (P2)"))


def test_answer_to_something_else():
    heard = b"\x62\xf1\x91a"
    _, outcome = run(Node(heard))

    assert outcome == Unanswered("want an answer that begins with 62 f1 90", heard)


def test_stray_pdu_counts_as_silence():
    stray = bytes.fromhex("0A 23 37 38 39 FF FF FF")
    node = Node(None)
    node.pdus = [stray, *segment(NAD, TEXT)]

    assert run(node) == ((1 + 1 + 4) * SLOT, Answer(TEXT))
    node.pdus = [stray] * 20
    assert run(node) == (70 * MS, Unanswered("no answer (P2)"))


def test_answer_with_a_pdu_missing():
    first, _, third, *_ = segment(NAD, TEXT)
    node = Node()
    node.pdus = [first, third]

    assert run(node)[1] == Unanswered("answer broken off: wrong sequence number", third)


def test_answer_that_stops():
    node = Node()
    node.pdus = list(segment(NAD, TEXT)[:2])

    # First header after N_Cr: PDUs at 20 and 30 ms, so from 1030 to 1040 ms.
    assert run(node) == (1040 * MS, Unanswered("answer broken off (N_Cr)"))


def test_gaps_in_an_answer_may_be_longer_than_p2():
    gap = [None] * 90
    node = Node()
    node.pdus = [pdu for part in segment(NAD, TEXT) for pdu in (*gap[: 90 if part[1] & 0xF0 == 0x20 else 0], part)]

    assert run(node)[1] == Answer(TEXT)


def test_answer_after_n_cr():
    first, second, *_ = segment(NAD, TEXT)
    exchange = Exchange(NAD, READ, TIMING, 0)
    exchange.sent(SLOT)
    exchange.received(first, 2 * SLOT)
    exchange.received(second, 2 * SLOT + N_CR)

    slot = exchange.next_slot()
    assert slot == Finished(Unanswered("answer broken off: next consecutive frame did not come in time (N_Cr)"))


def test_request_that_is_not_sent_in_time():
    exchange = Exchange(NAD, READ, TIMING, 0)
    exchange.sent(N_AS + 1)

    assert exchange.next_slot() == Finished(Unanswered("a request PDU was not sent in time (N_As)"))


def test_n_as_counts_for_each_pdu():
    start = 10_000 * MS
    exchange = Exchange(NAD, bytes(20), TIMING, start)
    for n in range(4):
        assert isinstance(exchange.next_slot(), Send)
        exchange.sent(start + (n + 1) * N_AS)

    assert exchange.next_slot() == Poll()


def test_earliest_next_slot_keeps_st_min():
    exchange = Exchange(NAD, READ, TIMING, 0)
    assert exchange.earliest_ns == 0

    exchange.sent(SLOT)
    assert exchange.earliest_ns == SLOT + 3 * MS

    exchange.silent(2 * SLOT)
    assert exchange.earliest_ns == SLOT + 3 * MS

    exchange.received(segment(NAD, TEXT)[0], 3 * SLOT)
    assert exchange.earliest_ns == 3 * SLOT + 3 * MS


def test_calls_out_of_turn():
    exchange = Exchange(NAD, READ, TIMING, 0)
    with pytest.raises(RuntimeError, match="request PDUs are left to send"):
        exchange.received(segment(NAD, TEXT)[0], 0)

    exchange = Exchange(NAD, READ, TIMING, 0)
    exchange.sent(SLOT)
    with pytest.raises(RuntimeError, match="request sent"):
        exchange.sent(2 * SLOT)


@pytest.mark.parametrize(("nad", "size"), [(NAD, 0), (NAD, 4096), (0x7E, 7), (0, 1)])
def test_message_that_cannot_be_carried(nad, size):
    with pytest.raises(ValueError):
        Exchange(nad, bytes(size), TIMING, 0)


@given(st.lists(st.none() | st.binary(min_size=6, max_size=6).map(lambda tail: bytes((NAD, tail[0] % 0x34)) + tail)))
def test_every_exchange_ends(pdus):
    node = Node()
    node.pdus = pdus
    _, outcome = run(node)

    assert isinstance(outcome, Answer | Refused | Unanswered)
