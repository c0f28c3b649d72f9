"""Cable, switch and backup beside the characteristic: closed forms, published values, and what is said of them."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from harness.files.profile import load_device, shipped_device
from harness.trip.characteristic import Characteristic
from harness.trip.coordination import (
    ADIABATIC_S,
    Line,
    adiabatic_constant,
    cable_time,
    judge,
    latest,
    least_cross_section,
    lines,
    reach,
    sentences,
)
from protocol.device import Device
from protocol.surroundings import Cable, Insulation, Metal, Withstand

BACKUP = ((320.0, 60.0), (800.0, 1.0), (1600.0, 0.01))


@cache
def heater() -> Device:
    return load_device(shipped_device("heater"))


def characteristic(device: Device | None = None, **set_points: float) -> Characteristic:
    device = device or heater()
    return Characteristic(device, device.defaults() | set_points)


@pytest.mark.parametrize(
    ("metal", "insulation", "cross_section", "k"),
    [
        # k as printed in BS 7671 and IEC 60364-5-54, tables A.54.4 and 54.3, rounded there to whole numbers
        ("copper", "pvc_70", 4, 115),
        ("copper", "pvc_70", 400, 103),
        ("aluminium", "pvc_70", 4, 76),
        ("aluminium", "pvc_70", 400, 68),
        ("steel", "pvc_70", 4, 42),
        ("copper", "pvc_90", 4, 100),
        ("copper", "pvc_90", 400, 86),
        ("copper", "xlpe", 400, 143),
        ("aluminium", "xlpe", 4, 94),
        ("steel", "xlpe", 4, 52),
        ("copper", "rubber_60", 4, 141),
        ("aluminium", "rubber_60", 4, 93),
        ("copper", "rubber_85", 4, 134),
        ("steel", "rubber_85", 4, 48),
        ("copper", "silicone", 4, 132),
        ("aluminium", "silicone", 4, 87),
        ("steel", "silicone", 4, 47),
    ],
)
def test_k_is_that_of_the_tables(metal: Metal, insulation: Insulation, cross_section: float, k: float) -> None:
    assert adiabatic_constant(Cable(metal, insulation, cross_section)) == pytest.approx(k, abs=0.51)


@pytest.mark.parametrize(
    ("current", "time", "k", "published"),
    [
        # worked values published with the formula S = I sqrt(t) / k, to the digits that were printed
        (1200, 0.4, 115, 6.60),
        (12000, 0.2, 143, 37.5),
        (12000, 0.02, 143, 11.9),
    ],
)
def test_least_cross_section(current: float, time: float, k: float, published: float) -> None:
    least = least_cross_section(k, current, time)

    assert least == pytest.approx(published, abs=0.05)
    assert cable_time(k, least, current) == pytest.approx(time)


def test_worked_values_to_all_digits() -> None:
    # computed by hand from the same formula: 1200 * sqrt(0.4) / 115, and (k * 50 / 12000)**2 with k = 143.0844
    assert least_cross_section(115, 1200, 0.4) == pytest.approx(6.5995, abs=5e-5)
    assert cable_time(adiabatic_constant(Cable("copper", "xlpe", 50)), 50, 12000) == pytest.approx(0.355432, abs=1e-6)


def test_above_five_seconds_there_is_no_adiabatic_time() -> None:
    # IEC 60364-5-54:2011, 543.1.2: for disconnection times not exceeding 5 s; 115 * 10 / sqrt(5) = 514.3 A
    assert cable_time(115, 10, 514.4) == pytest.approx(5, rel=1e-3)
    assert cable_time(115, 10, 514.2) is None


def test_the_cables_line_is_the_closed_form_and_says_nothing_above_five_seconds() -> None:
    [line] = [each for each in lines(heater()) if each.kind == "cable"]
    k = adiabatic_constant(Cable("copper", "xlpe", 4))
    first = k * 4 / math.sqrt(ADIABATIC_S)
    currents = np.array([0.999 * first, first * 1.0001, 400.0, 5000.0])
    times = line.times(currents)

    assert np.isnan(times[0])
    assert times[1:] == pytest.approx([(k * 4 / current) ** 2 for current in currents[1:]])


def test_between_points_a_line_is_straight_on_logarithmic_axes() -> None:
    line = Line("backup", "backup fuse", BACKUP)
    middle = math.sqrt(320 * 800), math.sqrt(800 * 1600)
    times = line.times(np.array([319.0, 320.0, middle[0], 800.0, middle[1], 1600.0, 1601.0]))

    assert np.isnan(times[[0, -1]]).all()
    assert times[1:-1] == pytest.approx([60, math.sqrt(60 * 1), 1, math.sqrt(1 * 0.01), 0.01])


def test_the_first_current_at_which_the_order_is_lost_is_where_two_closed_forms_meet() -> None:
    """A definite-time function of late edge T against a cable: k²S²/I² = T at I = kS/sqrt(T)."""
    function = heater().functions["overcurrent"]
    wide = replace(heater(), functions={"overcurrent": function}, sensing=replace(heater().sensing, full_scale=2000.0))
    thin = replace(wide, cable=Cable("copper", "xlpe", 2), withstand=None)
    [line] = lines(thin)
    its = characteristic(thin)
    late = latest(its, 500.0)
    # delay and timer error and latency, as the profile declares them: 100 ms * 1.01 + 1.5 ms
    meeting = 2 * adiabatic_constant(Cable("copper", "xlpe", 2)) / math.sqrt(late)

    assert late == pytest.approx(0.1025, rel=1e-3)
    assert judge(its, line, 2000.0).lost == pytest.approx(meeting, rel=2e-4)
    assert judge(its, line, 0.99 * meeting).lost is None


def test_a_current_at_which_it_need_not_operate_is_lost() -> None:
    # 0.1 mm² stands 6.4 A for 5 s; the breaker's pickup is 27.5 A
    thin = replace(heater(), cable=Cable("copper", "xlpe", 0.1))
    judgement = judge(characteristic(thin), lines(thin)[0], 100.0)

    assert judgement.lost == pytest.approx(judgement.low)


def test_above_the_measuring_range_the_breaker_measures_its_end() -> None:
    sampled = replace(heater(), functions={"overload": heater().functions["overload"]})

    assert latest(characteristic(sampled), 5000.0) == latest(characteristic(sampled), 200.0)


def test_a_line_that_begins_beyond_the_currents_is_not_compared() -> None:
    judgement = judge(characteristic(), Line("backup", "backup", BACKUP), 300.0)

    assert not judgement.compared
    assert judgement.lost is None


@pytest.mark.parametrize("name", ["heater", "pump"])
def test_the_shipped_devices_are_coordinated_at_their_defaults(name: str) -> None:
    device = load_device(shipped_device(name))
    for mode in device.command.modes or [None]:
        its = Characteristic(device, device.defaults(), mode=mode)
        judgements = [judge(its, line, 1000.0) for line in lines(device, BACKUP)]

        assert [each.line.kind for each in judgements] == ["cable", "switch", "backup"]
        assert all(each.compared for each in judgements)
        assert [each.lost for each in judgements] == [None, None, None]


def test_what_is_said_when_all_is_well() -> None:
    its = characteristic()
    said = sentences(its, lines(heater(), BACKUP, "backup fuse 160 A"), 420.0)

    assert said == [
        "Protects the cable: the latest operate time lies below cable 4 mm² copper, XLPE from 256 A to 420 A; "
        "above 5 s the adiabatic formula does not hold, so no line is drawn.",
        "Protects its switch: the latest operate time lies below switch withstand from 50 A to 420 A.",
        "Selective: the latest operate time lies below backup fuse 160 A from 320 A to 420 A.",
        "The cable's 36 A carries the 27.88 A up to which the breaker need not operate.",
    ]


def test_what_is_said_when_it_is_not_or_nothing_is_declared() -> None:
    weak = replace(
        heater(), cable=Cable("copper", "pvc_70", 4, 25.0), withstand=Withstand(((50.0, 10.0), (600.0, 1e-5)))
    )
    switch = sentences(characteristic(weak), lines(weak), 200.0)
    bare = replace(heater(), cable=None, withstand=None)

    assert switch[0].startswith("Nothing to compare with cable 4 mm² copper, PVC 70 degC up to 200 A")
    assert switch[1].startswith("Does NOT protect its switch: the latest operate time reaches switch withstand at 50 A")
    assert switch[-1] == "The cable's 25 A does NOT carry the 27.88 A up to which the breaker need not operate."
    assert [each.split(":")[0] for each in sentences(characteristic(bare), (), 200.0)] == [
        "No cable line",
        "No withstand line",
        "No backup line",
    ]


def test_a_backup_that_is_faster_is_not_selective() -> None:
    fast = Line("backup", "backup fuse 10 A", ((20.0, 1.0), (600.0, 1e-3)))
    slow = characteristic(overcurrent_delay=2.0)

    assert judge(slow, fast, 180.0).lost == 20.0


def test_a_picture_reaches_as_far_as_its_lines_begin_within_reason() -> None:
    drawn = lines(heater(), BACKUP)

    assert reach(heater(), drawn, 200.0) == pytest.approx(1.6 * 320)
    assert reach(heater(), drawn, 700.0) == 700.0
    assert reach(heater(), (), 200.0) == 200.0
    assert reach(heater(), [Line("backup", "far", ((1e5, 1.0), (1e6, 0.1)))], 200.0) == 1000.0
