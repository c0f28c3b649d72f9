from __future__ import annotations

from fractions import Fraction

import pytest

from protocol.signals import FrameLayout, PhysicalRange, Signal, SignalEncoding, pack, unpack

# The fan of tests/vectors/fan.ldf
STATUS = FrameLayout(
    "FanStatus",
    0x11,
    4,
    "DemoFan",
    (
        Signal("FanActSpeed", 0, 8, 0),
        Signal("FanTemp", 8, 10, 0x3FF),
        Signal("FanState", 18, 3, 0),
        Signal("FanRespErr", 31, 1, 0),
    ),
)
VALUES = {"FanActSpeed": 100, "FanTemp": 0x123, "FanState": 5, "FanRespErr": 1}


def test_vector():
    # ldfparser 0.26.0 with pad_with_zero=False; LIN 2.1 §2.2.3
    assert pack(STATUS, VALUES) == bytes.fromhex("64 23 F5 FF")
    assert unpack(STATUS, bytes.fromhex("64 23 F5 FF")) == VALUES
    assert unpack(STATUS, bytes.fromhex("64 23 15 80")) == VALUES  # unused bits 0


def test_initial_values_and_unused_bits():
    # ldfparser 0.26.0 with pad_with_zero=False
    assert pack(STATUS, {}) == bytes.fromhex("00 FF E3 7F")


@pytest.mark.parametrize("values", [{"FanTemp": 1024}, {"FanTemp": -1}, {"FanRespErr": 2}, {"Nope": 1}])
def test_what_does_not_fit(values):
    with pytest.raises(ValueError, match=next(iter(values))):
        pack(STATUS, values)


@pytest.mark.parametrize("size", [0, 3, 5])
def test_payload_of_another_length(size):
    with pytest.raises(ValueError, match=f"{size} bytes"):
        unpack(STATUS, bytes(size))


def test_signal_by_name():
    assert STATUS.signal("FanState").offset == 18
    with pytest.raises(KeyError):
        STATUS.signal("Nope")


def test_meaning():
    coding = SignalEncoding(
        (PhysicalRange(0, 1000, Fraction(1, 10), Fraction(-40), "degC"),), {0x3FF: "invalid", 5: "five"}
    )

    assert [coding.meaning(raw) for raw in (0, 291, 1000)] == [-40, Fraction("-10.9"), 60]
    assert [coding.meaning(raw) for raw in (5, 0x3FF, 1001)] == ["five", "invalid", None]
