from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.files.profile import load_device, shipped_device
from protocol.device import Field
from protocol.layout import LayoutError
from protocol.records import (
    decode_field,
    decode_group,
    decode_snapshot,
    decode_snapshots,
    encode_field,
    encode_group,
    encode_snapshot,
    group_size,
)

TYPES = ["u8", "u16", "u24", "u32", "s8", "s16", "s32"]


def field(type_: str, scale: str = "1", offset: str = "0", order: str = "big") -> Field:
    return Field("x", type_, Fraction(scale), Fraction(offset), "1", order)


# By hand: two's complement; ISO 14229-1 leaves the byte order of records to the maker
FIELDS = [
    (field("u8", "1/200"), "1/2", "64"),  # 100
    (field("u16", "1/100"), "27.5", "0A BE"),  # 2750
    (field("u16", "1/10", "-40"), "60", "03 E8"),  # 1000
    (field("u24"), "66051", "01 02 03"),
    (field("u32", "1/1000"), "4294967.295", "FF FF FF FF"),
    (field("s8"), "-1", "FF"),
    (field("s16", "1/100"), "-5", "FE 0C"),  # -500
    (field("s32"), "-2147483648", "80 00 00 00"),
    (field("u16", "1/20", order="little"), "66", "28 05"),  # 1320 = 0x0528
    (field("u24", order="little"), "66051", "03 02 01"),
    (field("s16", "1/10", order="little"), "-50", "0C FE"),  # -500
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


HEATER = load_device(shipped_device("heater"))
PUMP = load_device(shipped_device("pump"))
# By hand from heater.yaml: record 01, ten entries, identifiers 0301 to 030A, most significant byte first; 40.00 A is
# 4000 steps; 100.02 % in steps of 0.01 % = 10002; 13.5 V = 13500 mV; 38.2 s = 38200 ms; 1 h = 3600000 ms; 3 trips;
# 61.5 degC = 615; 97 degC; 702.5 V = 7025; 18 V = 1800.
HEATER_SNAPSHOT = bytes.fromhex(
    "01 0A 0301 0FA0 0302 2712 0303 34BC 0304 00009538 0305 0036EE80 0306 0003 0307 0267 0308 61 0309 1B71 030A 0708"
)
HEATER_VALUES = {
    "current": Fraction(40),
    "heat": Fraction("1.0002"),
    "supply_voltage": Fraction("13.5"),
    "operate_time": Fraction("38.2"),
    "uptime": Fraction(3600),
    "trip_count": Fraction(3),
    "heat_sink_temperature": Fraction("61.5"),
    "junction_temperature": Fraction(97),
    "bus_voltage": Fraction("702.5"),
    "gate_rail_voltage": Fraction(18),
}
# By hand from pump.yaml: records 10 and 11, six entries, least significant byte first; 120 A = 1200 = 0x04B0; 100 %;
# 12.34 s = 1234 = 0x04D2; 45 degC stands as 85; mode 2; 7 trips.
PUMP_ENTRIES = "06 2201 B004 2202 64 2203 D204 2204 55 2205 02 2206 07"
PUMP_VALUES = {
    "current": Fraction(120),
    "heat": Fraction(1),
    "operate_time": Fraction("12.34"),
    "heat_sink_temperature": Fraction(45),
    "mode": Fraction(2),
    "trip_count": Fraction(7),
}


def test_snapshot():
    assert encode_snapshot(HEATER, HEATER_VALUES) == HEATER_SNAPSHOT
    assert decode_snapshot(HEATER, HEATER_SNAPSHOT) == HEATER_VALUES
    assert decode_snapshots(HEATER, HEATER_SNAPSHOT) == {0x01: HEATER_VALUES}


def test_first_and_latest_snapshot():
    first, latest = bytes.fromhex(f"10 {PUMP_ENTRIES}"), bytes.fromhex(f"11 {PUMP_ENTRIES}")[:-1] + b"\x09"
    later = PUMP_VALUES | {"trip_count": Fraction(9)}

    assert encode_snapshot(PUMP, PUMP_VALUES, 0x10) == first
    assert encode_snapshot(PUMP, later) == latest
    assert decode_snapshot(PUMP, first, 0x10) == PUMP_VALUES
    assert decode_snapshots(PUMP, first + latest) == {0x10: PUMP_VALUES, 0x11: later}


@pytest.mark.parametrize("wrong", [f"10 {PUMP_ENTRIES}", f"11 {PUMP_ENTRIES} 10 {PUMP_ENTRIES}", "10"])
def test_answer_without_both_snapshots_in_order(wrong):
    with pytest.raises(LayoutError, match="snapshot"):
        decode_snapshots(PUMP, bytes.fromhex(wrong))


def test_no_snapshot():
    assert decode_snapshot(HEATER, b"") == {}
    assert decode_snapshots(PUMP, b"") == {}


def test_snapshot_cut_short_or_too_long():
    whole = HEATER_SNAPSHOT
    for wrong in [whole[:n] for n in range(1, len(whole))] + [whole + b"\xff"]:
        with pytest.raises(LayoutError, match="snapshot"):
            decode_snapshot(HEATER, wrong)


@pytest.mark.parametrize("at", [0, 1, 2, 3, 6, 7])
def test_snapshot_with_another_record_count_or_identifier(at):
    wrong = bytearray(HEATER_SNAPSHOT)
    wrong[at] ^= 0x40
    with pytest.raises(LayoutError, match="snapshot"):
        decode_snapshot(HEATER, bytes(wrong))


# Record 2001 of pump.yaml by hand: 66 A = 1320 = 0x0528, 22 A = 440 = 0x01B8, 100 %
GROUP = {
    "overload_pickup_drive": Fraction(66),
    "overload_pickup_charge": Fraction(22),
    "overload_multiplier": Fraction(1),
}
GROUP_DATA = bytes.fromhex("28 05 B8 01 64")


def test_group():
    assert group_size(PUMP, 0x2001) == 5
    assert encode_group(PUMP, 0x2001, GROUP) == GROUP_DATA
    assert decode_group(PUMP, 0x2001, GROUP_DATA) == GROUP


def test_group_of_one():
    assert encode_group(HEATER, 0x0101, {"overload_pickup": Fraction("27.5")}) == bytes.fromhex("0A BE")
    assert decode_group(HEATER, 0x0101, bytes.fromhex("0A BE")) == {"overload_pickup": Fraction("27.5")}


def test_group_of_another_length_or_with_a_value_missing():
    for wrong in (GROUP_DATA[:-1], GROUP_DATA + b"\x00"):
        with pytest.raises(LayoutError, match="record 0x2001"):
            decode_group(PUMP, 0x2001, wrong)
    with pytest.raises(LayoutError, match="overload_multiplier"):
        encode_group(PUMP, 0x2001, {name: GROUP[name] for name in list(GROUP)[:2]})


def test_snapshot_with_a_value_missing():
    with pytest.raises(LayoutError, match="heat"):
        encode_snapshot(HEATER, {name: number for name, number in HEATER_VALUES.items() if name != "heat"})
