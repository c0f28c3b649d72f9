"""The in-band link, against bytes written down by hand from its own description; no outside source exists for it."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from protocol import wirelink
from protocol.wirelink import Kind, LinkError, Message, Unpacker

CASES = [
    (wirelink.HELLO, "48 01 01"),
    (Message(Kind.DATA, b"\x55\xe2"), "44 02 55 e2"),
    (wirelink.BREAK_ON, "42 00"),
    (wirelink.BREAK_OFF, "62 00"),
    (wirelink.bit_rate(19200), "53 04 00 4b 00 00"),
    (wirelink.refused("taken"), "52 05 74 61 6b 65 6e"),
]


@pytest.mark.parametrize(("message", "wire"), CASES, ids=[message.kind.name for message, _ in CASES])
def test_each_message_has_its_bytes_in_both_directions(message: Message, wire: str) -> None:
    assert message.encode() == bytes.fromhex(wire)
    assert Unpacker().feed(bytes.fromhex(wire)) == [message]


@given(st.lists(st.sampled_from([message for message, _ in CASES])), st.lists(st.integers(0, 40)))
def test_cuts_change_nothing(messages: list[Message], cuts: list[int]) -> None:
    stream = b"".join(message.encode() for message in messages)
    places = [0, *sorted(cut for cut in cuts if cut < len(stream)), len(stream)]
    unpacker = Unpacker()
    got = [m for start, end in pairwise(places) for m in unpacker.feed(stream[start:end])]
    assert got == messages


def test_long_data_is_split_and_comes_out_whole() -> None:
    content = bytes(range(256)) * 3
    messages = Unpacker().feed(wirelink.data(content))
    assert [len(message.payload) for message in messages] == [255, 255, 255, 3]
    assert b"".join(message.payload for message in messages) == content
    assert wirelink.data(b"") == b""


def test_the_values_inside() -> None:
    assert wirelink.bit_rate(10417).bit_rate == 10417
    assert wirelink.refused("é" * 200).payload[:4] == b"\xc3\xa9\xc3\xa9"
    assert wirelink.refused("somebody").text == "somebody"
    assert Message(Kind.REFUSED, b"\xff").text == "\\xff"


@pytest.mark.parametrize("wire", ["47 45", "42 01", "44 00", "53 03", "48 02 01 01", "48 00"])
def test_what_is_no_link_is_refused_at_once(wire: str) -> None:
    with pytest.raises(LinkError, match=wire[:5]):
        Unpacker().feed(bytes.fromhex(wire))


def test_messages_that_cannot_be_are_not_built() -> None:
    with pytest.raises(LinkError):
        Message(Kind.DATA, bytes(256)).encode()
    for rate in (0, -1, 1 << 32):
        with pytest.raises(LinkError):
            wirelink.bit_rate(rate)
