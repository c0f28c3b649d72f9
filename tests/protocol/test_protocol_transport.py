from __future__ import annotations

from itertools import product

import pytest
from hypothesis import given
from hypothesis import strategies as st
from protocol_vectors import load

from protocol.transport import (
    ACTIONS,
    MAX_MESSAGE,
    Kind,
    Message,
    Reassembler,
    State,
    TransportFault,
    TransportFaultKind,
    segment,
)

VECTORS = load("transport.yaml")
N_CR = 1_000_000_000
NAD = 0x0A
TEXT = bytes(n * 167 % 251 for n in range(MAX_MESSAGE))  # no two PDUs of it are the same


def deliver(reassembler: Reassembler, pdus: list[bytes], now_ns: int = 0) -> list:
    return [reassembler.receive(pdu, now_ns) for pdu in pdus]


def test_table_is_total():
    assert ACTIONS.keys() == set(product(State, Kind))


@pytest.mark.parametrize("vector", VECTORS["messages"], ids=lambda v: v["payload"])
def test_vectors(vector):
    payload = bytes.fromhex(vector["payload"])
    pdus = [bytes.fromhex(pdu) for pdu in vector["pdus"]]
    silent = [None] * (len(pdus) - 1)

    assert segment(vector["nad"], payload) == pdus
    for nad in (None, NAD):
        reassembler = Reassembler(nad, N_CR)
        assert deliver(reassembler, pdus) == [*silent, Message(vector["nad"], payload)]
        # Twice the same, and a stray PDU behind: nothing is left over.
        assert deliver(reassembler, pdus) == [*silent, Message(vector["nad"], payload)]
        stray = bytes.fromhex("0A 21 00 00 00 00 00 00")
        assert deliver(reassembler, [stray]) == [TransportFault(TransportFaultKind.UNEXPECTED, NAD, stray)]


@pytest.mark.parametrize(("length", "count"), VECTORS["pdu_counts"].items())
def test_count_of_pdus(length, count):
    assert len(segment(NAD, bytes(length))) == count


def test_round_trip_of_every_length():
    reassembler = Reassembler(NAD, N_CR)
    for length in range(1, MAX_MESSAGE + 1):
        payload = TEXT[:length]
        *parts, last = segment(NAD, payload)
        assert not any(reassembler.receive(pdu, 0) for pdu in parts)
        assert reassembler.receive(last, 0) == Message(NAD, payload)


def test_sequence_numbers_wrap_to_zero():
    # LIN 2.1 §3.2.1.3: 1 .. 15, 0, 1 ..
    numbers = [pdu[1] for pdu in segment(NAD, bytes(5 + 6 * 33))[1:]]

    assert numbers == [0x20 | n for n in [*range(1, 16), *range(16), 0, 1]]


@pytest.mark.parametrize("length", [0, 4096])
def test_message_of_no_such_length(length):
    with pytest.raises(ValueError, match=f"{length} bytes"):
        segment(NAD, bytes(length))


@pytest.mark.parametrize("nad", [0x01, 0xFF])
def test_first_and_last_node_address(nad):
    assert segment(nad, b"\x3e\x00") == [bytes([nad, 2, 0x3E, 0x00, 255, 255, 255, 255])]


@pytest.mark.parametrize("nad", [0, 0x100])
def test_no_such_node_address(nad):
    with pytest.raises(ValueError, match="node address"):
        segment(nad, b"\x3e\x00")


def test_functional_messages_are_single_frames():
    # LIN 2.1 §4.2.3.2
    with pytest.raises(ValueError, match="0x7e"):
        segment(0x7E, bytes(7))


@pytest.mark.parametrize("size", [0, 7, 9])
def test_a_pdu_has_eight_bytes(size):
    with pytest.raises(ValueError, match="8 bytes"):
        Reassembler(NAD, N_CR).receive(bytes(size), 0)


ADDRESSES = {  # who takes a single frame to which address
    0x0A: {"own": True, "any": True},
    0x0B: {"own": False, "any": True},
    0x7E: {"own": True, "any": True},
    0x7F: {"own": True, "any": True},
    0x00: {"own": False, "any": False},  # go to sleep
}


@pytest.mark.parametrize("nad", ADDRESSES)
def test_addresses(nad):
    pdu = bytes([nad, 2, 0x3E, 0x00, 255, 255, 255, 255])
    message = Message(nad, b"\x3e\x00")

    assert Reassembler(NAD, N_CR).receive(pdu, 0) == (message if ADDRESSES[nad]["own"] else None)
    assert Reassembler(None, N_CR).receive(pdu, 0) == (message if ADDRESSES[nad]["any"] else None)


def test_long_message_to_every_node():
    payload = bytes(range(40))

    assert deliver(Reassembler(NAD, N_CR), segment(0x7F, payload))[-1] == Message(0x7F, payload)


MALFORMED = {
    "0A 00 3E 00 FF FF FF FF": TransportFaultKind.SINGLE_LENGTH,
    "0A 07 3E 00 FF FF FF FF": TransportFaultKind.SINGLE_LENGTH,
    "0A 0F 3E 00 FF FF FF FF": TransportFaultKind.SINGLE_LENGTH,
    "0A 10 00 3E 00 FF FF FF": TransportFaultKind.FIRST_LENGTH,
    "0A 10 06 3E 00 FF FF FF": TransportFaultKind.FIRST_LENGTH,
    "7E 10 07 3E 00 FF FF FF": TransportFaultKind.FUNCTIONAL,
    "0A 30 00 00 FF FF FF FF": TransportFaultKind.TYPE,
    "0A F0 00 00 FF FF FF FF": TransportFaultKind.TYPE,
    "7E 21 00 00 FF FF FF FF": TransportFaultKind.UNEXPECTED,
}


@pytest.mark.parametrize("text", MALFORMED)
def test_malformed_pdu_is_reported_and_changes_nothing(text):
    pdu = bytes.fromhex(text)
    fault = TransportFault(MALFORMED[text], pdu[0], pdu)
    message = Message(NAD, TEXT[:20])
    first, *rest = segment(NAD, TEXT[:20])
    reassembler = Reassembler(NAD, N_CR)

    assert reassembler.receive(pdu, 0) == fault
    assert reassembler.receive(first, 0) is None
    assert reassembler.receive(pdu, 0) == fault
    assert deliver(reassembler, rest)[-1] == message


def test_pdus_of_others_change_nothing():
    first, *rest = segment(NAD, TEXT[:20])
    reassembler = Reassembler(NAD, N_CR)
    reassembler.receive(first, 0)

    assert deliver(reassembler, segment(0x0B, TEXT[:20])) == [None] * 4
    assert deliver(reassembler, rest)[-1] == Message(NAD, TEXT[:20])


@pytest.mark.parametrize("number", [0, 1, 3, 15])
def test_wrong_sequence_number_ends_the_message(number):
    pdus = segment(NAD, TEXT[:30])
    wrong = bytes([NAD, 0x20 | number]) + pdus[2][2:]
    reassembler = Reassembler(NAD, N_CR)

    assert deliver(reassembler, pdus[:2]) == [None, None]
    assert reassembler.receive(wrong, 0) == TransportFault(TransportFaultKind.SEQUENCE, NAD, wrong)
    assert reassembler.deadline_ns is None
    assert reassembler.receive(pdus[2], 0) == TransportFault(TransportFaultKind.UNEXPECTED, NAD, pdus[2])


@pytest.mark.parametrize("begun", [1, 2, 3])
@pytest.mark.parametrize("payload", [TEXT[:3], TEXT[100:150]], ids=["single", "first"])
def test_new_message_wins(begun, payload):
    reassembler = Reassembler(NAD, N_CR)
    deliver(reassembler, segment(NAD, TEXT[:30])[:begun])

    assert deliver(reassembler, segment(NAD, payload))[-1] == Message(NAD, payload)


def test_functional_message_wins():
    reassembler = Reassembler(NAD, N_CR)
    first, second, *_ = segment(NAD, TEXT[:30])
    deliver(reassembler, [first])

    assert deliver(reassembler, segment(0x7E, b"\x3e\x80")) == [Message(0x7E, b"\x3e\x80")]
    assert reassembler.receive(second, 0) == TransportFault(TransportFaultKind.UNEXPECTED, NAD, second)


def test_deadline_is_renewed_by_each_pdu():
    first, second, third, *_ = segment(NAD, TEXT[:30])
    reassembler = Reassembler(NAD, N_CR)
    assert reassembler.deadline_ns is None

    reassembler.receive(first, 500)
    assert reassembler.deadline_ns == 500 + N_CR

    reassembler.receive(second, 800)
    assert reassembler.deadline_ns == 800 + N_CR

    assert reassembler.expire(799 + N_CR) is None
    assert reassembler.receive(third, 799 + N_CR) is None


TIMEOUT = TransportFault(TransportFaultKind.TIMEOUT, NAD, b"")


def test_timeout_is_told_once():
    first, second, *_ = segment(NAD, TEXT[:30])
    reassembler = Reassembler(NAD, N_CR)
    reassembler.receive(first, 0)

    assert reassembler.expire(N_CR) == TIMEOUT
    assert reassembler.expire(N_CR) is None
    assert reassembler.deadline_ns is None
    assert reassembler.receive(second, N_CR) == TransportFault(TransportFaultKind.UNEXPECTED, NAD, second)


def test_late_consecutive_frame_is_a_timeout_without_expire():
    first, second, *_ = segment(NAD, TEXT[:30])
    reassembler = Reassembler(NAD, N_CR)
    reassembler.receive(first, 0)

    assert reassembler.receive(second, N_CR) == TIMEOUT


def test_new_message_after_the_deadline_is_delivered():
    first, *_ = segment(NAD, TEXT[:30])
    reassembler = Reassembler(NAD, N_CR)
    reassembler.receive(first, 0)

    assert reassembler.receive(segment(NAD, b"\x3e\x00")[0], 2 * N_CR) == Message(NAD, b"\x3e\x00")


@given(st.lists(st.binary(min_size=8, max_size=8), max_size=30))
def test_no_pdu_breaks_it_and_a_good_message_always_gets_through(pdus):
    reassembler = Reassembler(NAD, N_CR)
    for pdu in pdus:
        got = reassembler.receive(pdu, 0)
        assert got is None or got.nad in (NAD, 0x7E, 0x7F)

    assert deliver(reassembler, segment(NAD, TEXT[:25]))[-1] == Message(NAD, TEXT[:25])
