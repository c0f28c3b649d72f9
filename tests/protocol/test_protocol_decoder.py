from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from protocol_vectors import load

from protocol.decoder import BAD_STOP, BREAK, Decoder, FaultKind, FrameReceived, NoResponse, WireFault
from protocol.frame import bits_ns, checksum, protected_id

RATE = 10_000  # bit/s: a bit takes 100 us, so that no time is rounded
BIT = 100_000  # ns
LENGTHS = {0x10: 2, 0x11: 4, 0x12: 4, 0x22: 8}
T = 1_000_000_000

FRAMES = [
    (vector["id"], *(bytes.fromhex(part) for part in vector["bytes"].split("|")))
    for vector in load("frames.yaml")["frames"]
]


def bits(symbol: int) -> int:
    return 14 if symbol == BREAK else 10  # LIN 2.1 §2.3.1: break 13 + delimiter 1; byte field 10


def header(frame_id: int) -> list[int]:
    return [BREAK, 0x55, protected_id(frame_id)]


def frame(frame_id: int, payload: bytes) -> list[int]:
    return [*header(frame_id), *payload, checksum(frame_id, payload)]


def feed_whole(decoder: Decoder, symbols: list[int], end_ns: int, rate: int = RATE) -> list:
    return decoder.feed(symbols, end_ns)


def feed_singly(decoder: Decoder, symbols: list[int], end_ns: int, rate: int = RATE) -> list:
    events = []
    left = sum(map(bits, symbols))
    for symbol in symbols:
        left -= bits(symbol)
        events += decoder.feed([symbol], end_ns - bits_ns(left, rate))
    return events


FEEDS = pytest.mark.parametrize("feed", [feed_whole, feed_singly])


@FEEDS
@pytest.mark.parametrize(("frame_id", "payload", "check"), FRAMES, ids=lambda value: getattr(value, "hex", str)())
def test_vectors(feed, frame_id, payload, check):
    symbols = [*header(frame_id), *payload, *check]
    start = T - (34 + 10 * len(payload) + 10) * BIT

    assert frame(frame_id, payload) == symbols
    assert feed(Decoder(LENGTHS, RATE), symbols, T) == [FrameReceived(frame_id, payload, start, T)]


@FEEDS
@pytest.mark.parametrize(("frame_id", "payload", "check"), FRAMES, ids=lambda value: getattr(value, "hex", str)())
def test_vectors_with_bytes_behind(feed, frame_id, payload, check):
    decoder = Decoder(LENGTHS, RATE)
    symbols = [*header(frame_id), *payload, *check]
    end = T - 20 * BIT
    start = end - (34 + 10 * len(payload) + 10) * BIT
    events = feed(decoder, [*symbols, 0x12, 0x34], T)
    events += decoder.expire(decoder.deadline_ns)

    assert events == [
        FrameReceived(frame_id, payload, start, end),
        WireFault(FaultKind.SURPLUS, None, b"\x12\x34", end, T),
    ]


@FEEDS
@pytest.mark.parametrize("part", [3, 4, 7, 11])
def test_header_and_response_in_two_pieces(feed, part):
    payload = bytes(range(8))
    symbols = frame(0x22, payload)
    decoder = Decoder(LENGTHS, RATE)
    start = T - (34 + 90) * BIT
    split = T - 10 * (12 - part) * BIT

    assert feed(decoder, symbols[:part], split) == []
    assert feed(decoder, symbols[part:], T) == [FrameReceived(0x22, payload, start, T)]
    assert decoder.deadline_ns is None


PID = protected_id(0x10)
FAULTS = {
    # what is heard: kind, frame id, raw
    "bad sync": ([BREAK, 0x54, PID], FaultKind.SYNC, None, bytes((0x54, PID))),
    "sync without stop bit": ([BREAK, BAD_STOP | 0x55, PID], FaultKind.FRAMING, None, bytes((0x55, PID))),
    "parity P0": ([BREAK, 0x55, PID ^ 0x40], FaultKind.PARITY, None, bytes((0x55, PID ^ 0x40))),
    "parity P1": ([BREAK, 0x55, PID ^ 0x80], FaultKind.PARITY, None, bytes((0x55, PID ^ 0x80))),
    "parity both": ([BREAK, 0x55, PID ^ 0xC0], FaultKind.PARITY, None, bytes((0x55, PID ^ 0xC0))),
    "identifier without stop bit": ([BREAK, 0x55, BAD_STOP | PID], FaultKind.FRAMING, None, bytes((0x55, PID))),
    "checksum": ([*header(0x10), 0x64, 0x02, 0x48], FaultKind.CHECKSUM, 0x10, bytes((PID, 0x64, 0x02, 0x48))),
    "classic in place of enhanced": (
        [*header(0x10), 0x64, 0x02, 0x99],
        FaultKind.CHECKSUM,
        0x10,
        bytes((PID, 0x64, 0x02, 0x99)),
    ),
    "data without stop bit": (
        [*header(0x10), BAD_STOP | 0x64, 0x02, 0x49],
        FaultKind.FRAMING,
        0x10,
        bytes((PID, 0x64, 0x02, 0x49)),
    ),
}


@FEEDS
@pytest.mark.parametrize("case", FAULTS)
def test_faults(feed, case):
    symbols, kind, frame_id, raw = FAULTS[case]
    decoder = Decoder(LENGTHS, RATE)
    start = T - sum(map(bits, symbols)) * BIT

    assert feed(decoder, symbols, T) == [WireFault(kind, frame_id, raw, start, T)]
    assert decoder.deadline_ns is None


UNFINISHED = {
    # what is heard before silence or the next break: the event's type and what it says
    "break alone": ([BREAK], FaultKind.HEADER, None, b""),
    "break and sync": ([BREAK, 0x55], FaultKind.HEADER, None, b"\x55"),
    "one byte missing": ([*header(0x10), 0x64, 0x02], FaultKind.SHORT, 0x10, bytes((PID, 0x64, 0x02))),
    "one byte": ([*header(0x10), 0x64], FaultKind.SHORT, 0x10, bytes((PID, 0x64))),
    "one byte for an unknown id": ([*header(0x30), 0x64], FaultKind.SHORT, 0x30, b"\xf0\x64"),
    "unknown id, checksum": ([*header(0x30), 0x64, 0x02], FaultKind.CHECKSUM, 0x30, b"\xf0\x64\x02"),
    "stop bit missing, then nothing": ([*header(0x10), BAD_STOP | 0x64], FaultKind.FRAMING, 0x10, bytes((PID, 0x64))),
    "bytes before any break": ([0x12, BAD_STOP | 0x34], FaultKind.SURPLUS, None, b"\x12\x34"),
}


@FEEDS
@pytest.mark.parametrize("next_break", [False, True])
@pytest.mark.parametrize("case", UNFINISHED)
def test_unfinished(feed, next_break, case):
    symbols, kind, frame_id, raw = UNFINISHED[case]
    decoder = Decoder(LENGTHS, RATE)
    start = T - sum(map(bits, symbols)) * BIT
    assert feed(decoder, symbols, T) == []
    events = decoder.feed([BREAK], T + 14 * BIT) if next_break else decoder.expire(decoder.deadline_ns)

    assert events == [WireFault(kind, frame_id, raw, start, T)]


@FEEDS
@pytest.mark.parametrize("next_break", [False, True])
def test_no_response(feed, next_break):
    decoder = Decoder(LENGTHS, RATE)
    assert feed(decoder, header(0x22), T) == []
    events = decoder.feed([BREAK], T + 14 * BIT) if next_break else decoder.expire(decoder.deadline_ns)

    assert events == [NoResponse(0x22, T - 34 * BIT, T)]


@FEEDS
@pytest.mark.parametrize("length", range(1, 8))
def test_length_of_an_unknown_id_is_found_when_it_ends(feed, length):
    decoder = Decoder(LENGTHS, RATE)
    payload = bytes(range(length))
    start = T - (34 + 10 * length + 10) * BIT
    assert feed(decoder, frame(0x30, payload), T) == []

    assert decoder.expire(decoder.deadline_ns) == [FrameReceived(0x30, payload, start, T)]


@FEEDS
def test_unknown_id_of_eight_bytes_needs_no_wait(feed):
    payload = bytes(range(8))
    start = T - (34 + 90) * BIT

    assert feed(Decoder({}, RATE), frame(0x30, payload), T) == [FrameReceived(0x30, payload, start, T)]


def test_deadlines():
    # LIN 2.1 §2.3.2: header 47.6 bit times from the start of the break, response 14 * (length + 1) from the end of the
    # header. What ends exactly there is in time, so the deadline is 1 ns later.
    decoder = Decoder(LENGTHS, RATE)
    assert decoder.deadline_ns is None

    decoder.feed([BREAK], T)
    assert decoder.deadline_ns == T - 14 * BIT + 476 * BIT // 10 + 1

    decoder.feed([0x55], T + 10 * BIT)
    decoder.feed([PID], T + 20 * BIT)
    assert decoder.deadline_ns == T + 20 * BIT + 42 * BIT + 1

    assert decoder.expire(decoder.deadline_ns - 1) == []
    assert decoder.expire(decoder.deadline_ns) == [NoResponse(0x10, T - 14 * BIT, T + 20 * BIT)]


def test_latency_moves_deadlines():
    early, late = Decoder(LENGTHS, RATE), Decoder(LENGTHS, RATE, latency_ns=5_000_000)
    for symbols in ([BREAK], [0x55, PID], [1, 2, 3], [4]):
        early.feed(symbols, T)
        late.feed(symbols, T)

        if early.deadline_ns is None:
            assert late.deadline_ns is None
        else:
            assert late.deadline_ns == early.deadline_ns + 5_000_000


@FEEDS
def test_longest_response_is_in_time_and_one_ns_more_is_not(feed):
    response = frame(0x10, b"\x64\x02")[3:]
    limit = T + 42 * BIT  # 1.4 * 10 * (2 + 1) bit times
    for end, in_time in ((limit, True), (limit + 1, False)):
        decoder = Decoder(LENGTHS, RATE)
        decoder.feed(header(0x10), T)
        events = feed(decoder, response, end)

        expected = (
            FrameReceived(0x10, b"\x64\x02", T - 34 * BIT, end)
            if in_time
            else WireFault(FaultKind.SHORT, 0x10, bytes((PID, 0x64, 0x02)), T - 34 * BIT, end - 10 * BIT)
        )
        assert events == [expected]


def test_frame_cut_off_by_the_next():
    decoder = Decoder(LENGTHS, RATE)
    decoder.feed([*header(0x22), 1, 2, 3], T)
    whole = frame(0x10, b"\x64\x02")
    end = T + (34 + 30) * BIT

    assert decoder.feed(whole, end) == [
        WireFault(FaultKind.SHORT, 0x22, b"\xe2\x01\x02\x03", T - 64 * BIT, T),
        FrameReceived(0x10, b"\x64\x02", T, end),
    ]


def test_babbling_comes_out_in_pieces():
    decoder = Decoder(LENGTHS, RATE)
    events = []
    for n in range(100):
        events += decoder.feed([n], T + 10 * n * BIT)
    events += decoder.expire(decoder.deadline_ns)

    assert len(events) > 3
    assert b"".join(event.raw for event in events) == bytes(range(100))
    assert {event.kind for event in events} == {FaultKind.SURPLUS}


def test_reset_forgets():
    decoder = Decoder(LENGTHS, RATE)
    decoder.feed([*header(0x22), 1, 2, BAD_STOP | 3], T)
    decoder.reset()
    assert decoder.deadline_ns is None

    assert len(decoder.feed(frame(0x22, bytes(8)), 2 * T)) == 1


# Any chunking of what is heard gives the same events

byte = st.integers(0, 255)
symbol = st.one_of(
    st.just(BREAK), st.just(0x55), st.sampled_from([protected_id(n) for n in range(64)]), byte
) | st.builds(lambda value: BAD_STOP | value, byte)
good = st.sampled_from([0x10, 0x11, 0x22, 0x30, 0x3C]).flatmap(
    lambda n: st.binary(min_size=LENGTHS.get(n, 8 if n == 0x3C else 1), max_size=LENGTHS.get(n, 8)).map(
        lambda payload: frame(n, payload)
    )
)
bad = good.flatmap(
    lambda whole: st.tuples(st.integers(0, len(whole) - 1), symbol).map(
        lambda change: [*whole[: change[0]], change[1], *whole[change[0] + 1 :]]
    )
)
cut = good.flatmap(lambda whole: st.integers(1, len(whole)).map(lambda count: whole[:count]))
run = st.lists(st.one_of(good, good, bad, cut, st.lists(symbol, max_size=4)), min_size=1, max_size=4).map(
    lambda parts: [item for part in parts for item in part]
)
runs = st.lists(st.tuples(run, st.sampled_from([0, 1, 10, 13, 40, 70, 126, 127, 300])), min_size=1, max_size=4)


def timed(heard: list[tuple[list[int], int]], rate: int) -> list[tuple[list[int], int]]:
    """Runs of symbols without a gap, each with the end of its last symbol; between them silence of so many bits."""
    now, out = T, []
    for symbols, silence in heard:
        if symbols:
            now += bits_ns(sum(map(bits, symbols)), rate)
            out.append((symbols, now))
        now += bits_ns(silence, rate)
    return out


@given(runs, st.sampled_from([9_600, 10_417, 19_200]))
def test_fed_whole_as_fed_singly(heard, rate):
    whole, single = Decoder(LENGTHS, rate), Decoder(LENGTHS, rate)
    for symbols, end in timed(heard, rate):
        assert feed_whole(whole, symbols, end) == feed_singly(single, symbols, end, rate)
        assert whole.deadline_ns == single.deadline_ns


@given(runs, st.data())
def test_fed_whole_as_fed_in_any_chunks(heard, data):
    whole, chunked = [], []
    one, other = Decoder(LENGTHS, RATE), Decoder(LENGTHS, RATE)
    for symbols, end in timed(heard, RATE):
        whole += one.feed(symbols, end)
        cuts = data.draw(st.sets(st.integers(1, len(symbols))), label="cuts") | {len(symbols)}
        at = 0
        for stop in sorted(cuts):
            chunked += other.feed(symbols[at:stop], end - sum(map(bits, symbols[stop:])) * BIT)
            at = stop

    assert chunked == whole


@given(runs)
def test_calling_expire_in_time_changes_nothing(heard):
    lazy, keen = [], []
    one, other = Decoder(LENGTHS, RATE), Decoder(LENGTHS, RATE)
    for symbols, end in timed(heard, RATE):
        lazy += one.feed(symbols, end)
        left = sum(map(bits, symbols))
        for item in symbols:
            left -= bits(item)
            now = end - left * BIT
            while other.deadline_ns is not None and other.deadline_ns <= now:
                keen += other.expire(other.deadline_ns)
            keen += other.feed([item], now)
    for decoder, events in ((one, lazy), (other, keen)):
        if decoder.deadline_ns is not None:
            events += decoder.expire(decoder.deadline_ns)

    assert keen == lazy


@given(runs)
def test_every_byte_comes_out_once(heard):
    decoder = Decoder(LENGTHS, RATE)
    events = []
    for symbols, end in timed(heard, RATE):
        events += decoder.feed(symbols, end)
    if decoder.deadline_ns is not None:
        events += decoder.expire(decoder.deadline_ns)
    out = []
    for event in events:
        match event:
            case FrameReceived(frame_id, payload):
                out += [0x55, protected_id(frame_id), *payload, checksum(frame_id, payload)]
            case NoResponse(frame_id):
                out += [0x55, protected_id(frame_id)]
            case WireFault(_, frame_id, raw):
                out += [0x55, *raw] if frame_id is not None else raw

    assert out == [item & 0xFF for symbols, _ in heard for item in symbols if item != BREAK]
