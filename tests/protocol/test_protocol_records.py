from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.files.profile import load_device, shipped_device
from protocol.device import Field
from protocol.layout import LayoutError
from protocol.records import decode_field, decode_snapshot, encode_field, encode_snapshot

TYPES = ["u8", "u16", "u24", "u32", "s8", "s16", "s32"]


def field(type_: str, scale: str = "1", offset: str = "0") -> Field:
    return Field("x", type_, Fraction(scale), Fraction(offset), "1")


# By hand: two's complement, most significant byte first (ISO 14229-1 leaves records to the maker; ours are big-endian)
FIELDS = [
    (field("u8", "1/200"), "1/2", "64"),  # 100
    (field("u16", "1/100"), "27.5", "0A BE"),  # 2750
    (field("u16", "1/10", "-40"), "60", "03 E8"),  # 1000
    (field("u24"), "66051", "01 02 03"),
    (field("u32", "1/1000"), "4294967.295", "FF FF FF FF"),
    (field("s8"), "-1", "FF"),
    (field("s16", "1/100"), "-5", "FE 0C"),  # -500
    (field("s32"), "-2147483648", "80 00 00 00"),
]


@pytest.mark.parametrize(("layout", "physical", "data"), FIELDS, ids=lambda item: getattr(item, "type", str(item)))
def test_fields(layout, physical, data):
    data = bytes.fromhex(data)

    assert encode_field(layout, Fraction(physical)) == data
    assert decode_field(layout, data) == Fraction(physical)
    for wrong in (data[:-1], data + b"\xff"):
        with pytest.raises(LayoutError, match="x: "):
            decode_field(layout, wrong)


@pytest.mark.parametrize("type_", TYPES)
def test_values_beyond_the_type(type_):
    layout = field(type_, "1/2")
    low, high = layout.raw_range

    assert decode_field(layout, encode_field(layout, Fraction(low, 2))) == Fraction(low, 2)
    assert decode_field(layout, encode_field(layout, Fraction(high, 2))) == Fraction(high, 2)
    for raw in (low - 1, high + 1):
        with pytest.raises(LayoutError, match="x: "):
            encode_field(layout, Fraction(raw, 2))


def test_nearest_raw_value_half_to_even():
    assert [encode_field(field("u8"), Fraction(n, 2))[0] for n in (1, 3, 5)] == [0, 2, 2]
    assert encode_field(field("u8"), Fraction(249, 100)) == b"\x02"


@given(st.sampled_from(TYPES), st.data())
def test_every_byte_string_of_the_size_comes_back(type_, data):
    layout = field(type_, "7/30", "-11/7")
    raw = data.draw(st.binary(min_size=layout.size, max_size=layout.size))

    assert encode_field(layout, decode_field(layout, raw)) == raw


DEVICE = load_device(shipped_device("heater"))
# Snapshot of the heater profile, by hand from heater.yaml: record 01, six entries, identifiers 0301 to 0306;
# 40.00 A = 4000; 100.02 % in steps of 0.01 % = 10002; 13.5 V = 13500 mV; 38.2 s = 38200 ms; 1 h = 3600000 ms; 3 trips.
SNAPSHOT = bytes.fromhex("01 06 0301 0FA0 0302 2712 0303 34BC 0304 00009538 0305 0036EE80 0306 0003")
VALUES = {
    "current": Fraction(40),
    "heat": Fraction("1.0002"),
    "supply_voltage": Fraction("13.5"),
    "operate_time": Fraction("38.2"),
    "uptime": Fraction(3600),
    "trip_count": Fraction(3),
}


def test_snapshot():
    assert encode_snapshot(DEVICE, VALUES) == SNAPSHOT
    assert decode_snapshot(DEVICE, SNAPSHOT) == VALUES


def test_no_snapshot():
    assert decode_snapshot(DEVICE, b"") == {}


def test_snapshot_cut_short_or_too_long():
    for wrong in [SNAPSHOT[:n] for n in range(1, len(SNAPSHOT))] + [SNAPSHOT + b"\xff"]:
        with pytest.raises(LayoutError, match="snapshot"):
            decode_snapshot(DEVICE, wrong)


@pytest.mark.parametrize("at", [0, 1, 2, 3, 6, 7])
def test_snapshot_with_another_record_count_or_identifier(at):
    wrong = bytearray(SNAPSHOT)
    wrong[at] ^= 0x40
    with pytest.raises(LayoutError, match="snapshot"):
        decode_snapshot(DEVICE, bytes(wrong))


def test_snapshot_with_a_value_missing():
    with pytest.raises(LayoutError, match="heat"):
        encode_snapshot(DEVICE, {name: number for name, number in VALUES.items() if name != "heat"})
