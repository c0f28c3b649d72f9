"""Cable, switch and backup beside the band, against tabulated factors and worked examples of the standards."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from harness.files.profile import load_device, shipped_device
from harness.trip.characteristic import Characteristic
from harness.trip.coordination import (
    ADIABATIC_S,
    Line,
    cable_i2t,
    cable_line,
    judge,
    k_factor,
    latest,
    lines,
    reach,
    undeclared,
)
from protocol.branch import Cable, Withstand

HEATER = load_device(shipped_device("heater"))
FUSE = ((320.0, 60.0), (800.0, 1.0), (1600.0, 0.01))


# IEC 60364-5-54:2011, Annex A, as printed in BS 7671: k in A s^0.5 / mm2, rounded to whole numbers.
@pytest.mark.parametrize(
    ("insulation", "area", "copper", "aluminium", "steel"),
    [
        ("pvc_70", 35.0, 115, 76, 42),
        ("pvc_70", 400.0, 103, 68, 37),
        ("pvc_90", 35.0, 100, 66, 36),
        ("pvc_90", 400.0, 86, 57, 31),
        ("xlpe_90", 35.0, 143, 94, 52),
        ("xlpe_90", 400.0, 143, 94, 52),
        ("rubber_60", 35.0, 141, 93, 51),
        ("rubber_85", 35.0, 134, 89, 48),
        ("silicone_180", 35.0, 132, 87, 47),
    ],
)
def test_printed_factors(insulation: Any, area: float, copper: int, aluminium: int, steel: int) -> None:
    found = [round(k_factor(Cable(metal, insulation, area))) for metal in ("copper", "aluminium", "steel")]
    assert found == [copper, aluminium, steel]


# Published worked values: 1200 A for 0.4 s at k 115 want 6.60 mm2; 12 kA for 0.2 s and 0.02 s at k 143, 37.5 and 11.9.
@pytest.mark.parametrize(
    ("insulation", "current", "seconds", "area"),
    [("pvc_70", 1200.0, 0.4, 6.60), ("xlpe_90", 12e3, 0.2, 37.5), ("xlpe_90", 12e3, 0.02, 11.9)],
)
def test_published_sections(insulation: Any, current: float, seconds: float, area: float) -> None:
    smallest = current * math.sqrt(seconds) / k_factor(Cable("copper", insulation, area))
    assert smallest == pytest.approx(area, rel=4e-3)
    line = cable_line(Cable("copper", insulation, smallest), 2 * current)
    assert line is not None
    assert line.times(np.array([current]))[0] == pytest.approx(seconds)


def test_no_line_beyond_five_seconds() -> None:
    cable = Cable("copper", "xlpe_90", 2.5)
    begin = math.sqrt(cable_i2t(cable) / ADIABATIC_S)
    assert cable_line(cable, begin) is None
    line = cable_line(cable, 1000.0)
    assert line is not None
    times = line.times(np.array([begin * 0.999, begin * 1.001, 999.0, 1001.0]))
    assert np.isnan(times).tolist() == [True, False, False, True]
    assert times[1] == pytest.approx(ADIABATIC_S, rel=3e-3)


def test_a_line_is_straight_on_logarithmic_axes() -> None:
    assert Line("", FUSE, "", "").times(np.array([320.0, math.sqrt(320 * 800), 1600.0])) == pytest.approx(
        [60.0, math.sqrt(60.0), 0.01]
    )


@pytest.mark.parametrize("name", ["heater", "pump"])
def test_shipped_devices_are_coordinated(name: str) -> None:
    device = load_device(shipped_device(name))
    characteristic = Characteristic(device, device.defaults(), mode=next(iter(device.command.modes), None))
    found = lines(device, FUSE, device.sensing.full_scale)
    assert [line.name.split(",")[0] for line in found] == ["cable", "switch", "backup of the bench"]
    assert all(judge(characteristic, line)[0] for line in found)
    assert not undeclared(device, FUSE, device.sensing.full_scale)


def test_a_band_that_crosses_a_line_is_said_where() -> None:
    slow = Characteristic(HEATER, HEATER.defaults() | {"overcurrent_pickup": 160.0, "overcurrent_delay": 2.0})
    line = Line("switch", ((100.0, 3.0), (150.0, 0.01)), "saved", "not saved")
    holds, words = judge(slow, line)
    assert not holds
    assert words.startswith("switch: not saved: at ")
    assert "it may take" in words
    never = judge(slow, Line("fuse", ((20.0, 10.0), (26.0, 5.0)), "first", "not first"))
    assert never == (False, "fuse: not first: at 20 A it need not operate, and the line is at 10 s")


def test_what_is_not_declared_is_said() -> None:
    bare = dataclasses.replace(HEATER, cable=None, withstand=None)
    assert lines(bare, None, 200.0) == []
    assert reach(bare, None, 200.0) == 200.0
    assert [each.split(":")[0] for each in undeclared(bare, None, 200.0)] == [
        "No cable line", "No line of the switch", "No line of an upstream fuse",
    ]  # fmt: skip
    thick = dataclasses.replace(HEATER, cable=Cable("copper", "xlpe_90", 50.0), withstand=Withstand(FUSE, 1.0))
    assert undeclared(thick, FUSE, 200.0) == ["No cable line: up to 3199 A the cable stands 5 s and more."]


@pytest.mark.parametrize(
    ("current", "time", "k", "published"),
    [
        # worked values published with S = I sqrt(t) / k (IEC 60364-5-54, 543.1.2), to the digits that were printed
        (1200.0, 0.4, 115, 6.60),
        (12000.0, 0.2, 143, 37.5),
        (12000.0, 0.02, 143, 11.9),
    ],
)
def test_published_cross_sections_stand_their_current_for_their_time(
    current: float, time: float, k: int, published: float
) -> None:
    cable = Cable("copper", "pvc_70" if k == 115 else "xlpe_90", published)
    line = cable_line(cable, 2e5)

    assert line is not None
    assert line.times(np.array([current]))[0] == pytest.approx(time, rel=0.01)


def test_a_step_of_the_band_between_two_currents_is_seen() -> None:
    """The latest edge is at its worst where the comparator is not yet certain: 180 A * 1.02 + 1 A, 184.7 A."""
    device = load_device(shipped_device("heater"))
    its = Characteristic(device, device.defaults())
    worst = its.zones["short_circuit"].high
    late = float(latest(its, np.array([worst]))[0])
    narrow = Line(
        "switch, withstand", ((worst * 0.9999, late * 1.01), (worst * 1.0001, late * 0.999)), "kept", "broken"
    )
    far = Line("switch, withstand", ((100.0, 1.0), (worst, late * 1.01), (300.0, late)), "kept", "broken")

    assert not judge(its, replace(narrow, points=((100.0, 1.0), (worst, late * 0.999), (300.0, late * 0.99))))[0]
    assert judge(its, far)[0]


def test_above_its_measuring_range_a_breaker_measures_the_end_of_it() -> None:
    device = load_device(shipped_device("heater"))
    sampled = replace(device, functions={"overload": device.functions["overload"]})
    its = Characteristic(sampled, device.defaults())

    assert latest(its, np.array([5000.0])) == latest(its, np.array([device.sensing.full_scale]))


def test_a_line_beyond_the_currents_of_a_bench_is_not_compared() -> None:
    device = load_device(shipped_device("heater"))
    saved, words = judge(
        Characteristic(device, device.defaults()), Line("backup", ((320.0, 1e-9), (800.0, 1e-9)), "", ""), 300.0
    )

    assert saved
    assert words == "backup: nothing to compare up to 300 A, it begins at 320 A"
