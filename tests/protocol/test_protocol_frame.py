from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from protocol_vectors import load

from protocol.frame import (
    ChecksumModel,
    bit_ns,
    bits_ns,
    checksum,
    checksum_model,
    frame_id_of,
    frame_max_ns,
    header_max_ns,
    header_ns,
    protected_id,
    response_max_ns,
    response_ns,
)

FRAMES = load("frames.yaml")
MODELS = {"classic": ChecksumModel.CLASSIC, "enhanced": ChecksumModel.ENHANCED}
PIDS = bytes.fromhex(FRAMES["protected_ids"])


def test_protected_ids():
    assert bytes(protected_id(frame_id) for frame_id in range(64)) == PIDS


def test_frame_ids():
    assert [frame_id_of(pid) for pid in PIDS] == list(range(64))


def test_every_other_byte_has_wrong_parity():
    refused = set()
    for pid in range(256):
        try:
            frame_id_of(pid)
        except ValueError:
            refused.add(pid)

    assert refused == set(range(256)) - set(PIDS)


@pytest.mark.parametrize("frame_id", [-1, 0x40, 0x100])
def test_no_such_frame_id(frame_id):
    with pytest.raises(ValueError, match="is not in 0 to 0x3F"):
        protected_id(frame_id)


@pytest.mark.parametrize("vector", FRAMES["checksums"], ids=lambda v: f"{v['model']} {v['payload']}")
def test_checksum(vector):
    payload = bytes.fromhex(vector["payload"])

    assert checksum(vector["id"], payload, MODELS[vector["model"]]) == int(vector["checksum"], 16)


def test_diagnostic_frames_alone_are_classic():
    # LIN 2.1 §2.3.1.5
    assert [n for n in range(64) if checksum_model(n) is ChecksumModel.CLASSIC] == [0x3C, 0x3D]


@given(st.integers(0, 63), st.binary(min_size=1, max_size=8))
def test_receiver_sum_is_ff(frame_id, payload):
    # LIN 2.1 §2.8.3: the sum with carry over all bytes, the checksum too, is FF. Added here byte by byte.
    covered = [checksum(frame_id, payload), *payload]
    if frame_id not in (0x3C, 0x3D):
        covered.append(protected_id(frame_id))
    total = 0
    for byte in covered:
        total += byte
        total = (total & 0xFF) + (total >> 8)

    assert total == 0xFF


@pytest.mark.parametrize("vector", FRAMES["times"], ids=lambda v: str(v["bit_rate"]))
def test_times(vector):
    rate = vector["bit_rate"]

    assert float(bit_ns(rate)) / 1e3 == pytest.approx(vector["bit"], abs=0.0005)
    assert [header_ns(rate) / 1e6, header_max_ns(rate) / 1e6] == pytest.approx(vector["header"], abs=0.0005)
    for length, expected in vector["frames"].items():
        nominal = header_ns(rate) + response_ns(rate, length)
        longest = header_max_ns(rate) + response_max_ns(rate, length)
        assert [nominal / 1e6, longest / 1e6] == pytest.approx(expected, abs=0.00051)
        assert frame_max_ns(rate, length) == longest


def test_bits_are_rounded_to_the_nearest_ns():
    # 1e9 / 19200 = 52083.33; 3e9 / 19200 = 156250; 1e9 / 16 = 62500000; 1e9 / 3 = 333333333.3; 2e9 / 3 = 666666666.7
    assert [bits_ns(1, 19200), bits_ns(3, 19200), bits_ns(1, 16), bits_ns(1, 3), bits_ns(2, 3)] == [
        52083,
        156250,
        62500000,
        333333333,
        666666667,
    ]
