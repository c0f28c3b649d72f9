"""Signal bytes and node configuration requests against ldfparser, an independent implementation."""

from __future__ import annotations

import ldfparser
import pytest
from hypothesis import given
from hypothesis import strategies as st
from protocol_vectors import VECTORS

from protocol import nodeconfig
from protocol.signals import FrameLayout, Signal, pack, unpack
from protocol.transport import segment

# Unused bits recessive, as LIN has them; the library's default is 0.
LDFS = {
    path.name: ldfparser.parse_ldf(str(path), pad_with_zero=False)
    for path in (VECTORS / "fan.ldf", VECTORS.parent.parent / "testplans" / "devices" / "heater.ldf")
}
FRAMES = {frame.name: frame for ldf in LDFS.values() for frame in ldf.get_unconditional_frames()}
BYTE = st.integers(0, 255)
WORD = st.integers(0, 0xFFFF)


def whole(value: int | list[int]) -> int:
    """A raw value of the library as ours: a byte array is the integer with its first item lowest."""
    return int.from_bytes(bytes(value), "little") if isinstance(value, list | tuple) else value


def layout(frame) -> FrameLayout:
    signals = tuple(
        Signal(signal.name, offset, signal.width, whole(signal.init_value)) for offset, signal in frame.signal_map
    )
    return FrameLayout(frame.name, frame.frame_id, frame.length, frame.publisher.name, signals)


def test_frames_are_there():
    assert set(FRAMES) == {"FanCmd", "FanStatus", "FanInfo", "HeaterCommand", "HeaterStatus", "HeaterInfo"}


@pytest.mark.parametrize("name", FRAMES)
@given(data=st.data())
def test_signals(name, data):
    frame = FRAMES[name]
    ours = layout(frame)
    values = {
        signal.name: data.draw(st.integers(0, signal.mask), label=signal.name)
        for signal in ours.signals
        if data.draw(st.booleans(), label=f"give {signal.name}")
    }
    arrays = {signal.name for _, signal in frame.signal_map if signal.is_array()}
    theirs = {
        key: list(value.to_bytes(ours.signal(key).width // 8, "little")) if key in arrays else value
        for key, value in values.items()
    }

    assert pack(ours, values) == frame.encode_raw(theirs)


@pytest.mark.parametrize("name", FRAMES)
@given(data=st.data())
def test_payloads(name, data):
    frame = FRAMES[name]
    payload = data.draw(st.binary(min_size=frame.length, max_size=frame.length))

    assert unpack(layout(frame), payload) == {key: whole(value) for key, value in frame.decode_raw(payload).items()}


MASTER_REQUEST = LDFS["fan.ldf"].master_request_frame


def sent(nad: int, request: nodeconfig.ConfigRequest) -> bytes:
    (pdu,) = segment(nad, request.encode())
    return pdu


@given(BYTE.filter(bool), WORD, WORD, BYTE)
def test_assign_nad(nad, supplier, function, new):
    theirs = MASTER_REQUEST.encode_assign_nad(nad, supplier, function, new)

    assert sent(nad, nodeconfig.AssignNad(supplier, function, new)) == theirs


@given(BYTE.filter(bool), BYTE, WORD, WORD)
def test_read_by_id(nad, identifier, supplier, function):
    theirs = MASTER_REQUEST.encode_read_by_id(nad, identifier, supplier, function)

    assert sent(nad, nodeconfig.ReadById(identifier, supplier, function)) == theirs


@given(BYTE.filter(bool), BYTE, BYTE, BYTE, BYTE, BYTE)
def test_conditional_change_nad(nad, identifier, number, mask, invert, new):
    theirs = MASTER_REQUEST.encode_conditional_change_nad(nad, identifier, number, mask, invert, new)

    assert sent(nad, nodeconfig.ConditionalChangeNad(identifier, number, mask, invert, new)) == theirs


@given(BYTE.filter(bool), st.binary(min_size=5, max_size=5))
def test_data_dump(nad, data):
    assert sent(nad, nodeconfig.DataDump(data)) == MASTER_REQUEST.encode_data_dump(nad, list(data))


@given(BYTE.filter(bool))
def test_save_configuration(nad):
    assert sent(nad, nodeconfig.SaveConfiguration()) == MASTER_REQUEST.encode_save_configuration(nad)


@given(BYTE.filter(bool), BYTE, st.tuples(BYTE, BYTE, BYTE, BYTE))
def test_assign_frame_id_range(nad, start, pids):
    theirs = MASTER_REQUEST.encode_assign_frame_id_range(nad, start, list(pids))

    assert sent(nad, nodeconfig.AssignFrameIdRange(start, pids)) == theirs
