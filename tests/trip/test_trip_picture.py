"""The picture as a reader or a program finds it: SVG text, curves at the right places, the same bytes each time."""

import hashlib
import os
import re
import subprocess
import sys
from dataclasses import replace
from functools import cache
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest

from harness.files.profile import load_device, shipped_device
from harness.trip.characteristic import Characteristic
from harness.trip.coordination import lines
from harness.trip.picture import FORMATS, conditions, draw

SVG = "{http://www.w3.org/2000/svg}"


def characteristic(title: str = "25 A heater branch") -> Characteristic:
    whole = load_device(shipped_device("heater"))
    device = replace(whole, title=title, functions={"overload": whole.functions["overload"]})
    return Characteristic(device, device.defaults() | {"overload_pickup": 20.0}, (0.25, 0.25))


@cache
def file(kind: str) -> bytes:
    return draw(characteristic(), 10.0, 200.0, kind)


def picture() -> ElementTree.Element:
    return ElementTree.fromstring(file("svg"))


def words(svg: ElementTree.Element) -> str:
    """What the picture shows as text; its metadata is not shown."""
    return " ".join(element.text or "" for element in svg.iter(f"{SVG}text")).replace("\N{NO-BREAK SPACE}", " ")


def points(svg: ElementTree.Element, gid: str) -> np.ndarray:
    """Corners of the path with ``gid``, in the picture's own units."""
    group = next(element for element in svg.iter(f"{SVG}g") if element.get("id") == gid)
    path = next(element for element in group.iter(f"{SVG}path"))
    return np.array([[float(x), float(y)] for x, y in re.findall(r"[ML] ([\d.-]+) ([\d.-]+)", path.get("d", ""))])


def test_it_says_what_it_shows() -> None:
    text = words(picture())

    for part in (
        "25 A heater branch",
        "overload_pickup 20 A",
        "overload_time_constant 60 s",
        "start thermal level 0.25",
        "Computed from set-points and declared accuracies, no measurement",
        "current ±1 % ±0.1 A",
        "Current / A",
        "Operate time / s",
        "19.7 A to 20.3 A: may or may not operate",
        "must have operated",
        "must not operate",
    ):
        assert part in text


def test_decades_have_readable_marks() -> None:
    marks = {element.text for element in picture().iter(f"{SVG}text")}

    assert {"0.1", "1", "10", "100"} <= marks
    assert {"20", "50", "100", "200"} <= marks


@pytest.mark.parametrize(("gid", "row"), [("earliest", "early"), ("nominal", "nominal"), ("latest", "late")])
def test_curves_are_where_the_numbers_are(gid: str, row: str) -> None:
    frame = points(picture(), "patch_2")
    (left, top), (right, bottom) = frame.min(axis=0), frame.max(axis=0)
    drawn = points(picture(), gid)
    # Corners on the frame's edges are where the drawing cuts a line off.
    inside = (drawn[:, 1] > top + 1) & (drawn[:, 1] < bottom - 1) & (drawn[:, 0] < right - 1)
    x, y = drawn[inside].T
    currents = 10.0 * (200.0 / 10.0) ** ((x - left) / (right - left))
    times = 0.1 * (1000.0 / 0.1) ** ((bottom - y) / (bottom - top))
    far = currents > 1.1 * characteristic().pickup_zone.high
    expected = getattr(characteristic().at(currents[far]), row)

    assert far.sum() > 15
    assert times[far] == pytest.approx(expected, rel=5e-3)


def test_lines_differ_by_their_dashes_and_the_zone_is_hatched() -> None:
    numbers = []
    for gid in ("earliest", "nominal", "latest"):
        group = next(element for element in picture().iter(f"{SVG}g") if element.get("id") == gid)
        style = next(element for element in group.iter(f"{SVG}path")).get("style", "")
        numbers.append(len(re.findall(r"[\d.]+", "".join(re.findall(r"stroke-dasharray: ([\d., ]+)", style)))))
    zone = next(element for element in picture().iter(f"{SVG}g") if element.get("id") == "pickup-zone")

    assert numbers == [2, 0, 4]  # dashed, solid, dash-dotted
    assert any("url(#" in use.get("style", "") for use in zone.iter())
    assert next(picture().iter(f"{SVG}pattern")) is not None


def test_it_carries_no_script_and_loads_nothing() -> None:
    for element in picture().iter():
        assert element.tag.rpartition("}")[2] not in {"script", "image", "foreignObject", "a"}
        for name, value in element.attrib.items():
            assert not name.startswith("on")
            if name.endswith("href"):
                assert value.startswith("#")


def test_a_title_is_shown_as_it_is_written() -> None:
    svg = ElementTree.fromstring(draw(characteristic("<b>$\\frac{1}{2}$ & so on\x07"), 10.0, 200.0, "svg"))

    assert "<b>$\\frac{1}{2}$ & so on?" in words(svg)


def digests() -> list[str]:
    return [hashlib.sha256(file(kind)).hexdigest() for kind in FORMATS]


def test_the_same_input_gives_the_same_bytes_in_another_process() -> None:
    code = "import sys; sys.path.insert(0, sys.argv[1]); import test_trip_picture as t; print(*t.digests())"
    other = subprocess.run(
        [sys.executable, "-c", code, str(Path(__file__).parent)],
        capture_output=True,
        text=True,
        check=True,
        env=os.environ | {"PYTHONHASHSEED": "1", "SOURCE_DATE_EPOCH": "1000000000"},
    )

    assert other.stdout.split() == digests()


@pytest.mark.parametrize(("kind", "magic"), [("svg", b"<?xml"), ("png", b"\x89PNG\r\n"), ("pdf", b"%PDF-")])
def test_formats(kind: str, magic: bytes) -> None:
    assert file(kind).startswith(magic)


def test_a_range_without_any_operation_says_so() -> None:
    text = words(ElementTree.fromstring(draw(characteristic(), 1.0, 15.0, "svg")))

    assert "must not operate" in text
    assert "must have operated" not in text


def test_conditions_name_start_intervals() -> None:
    unsure = replace(characteristic(), start=(0.1, 0.25))
    cold = replace(characteristic(), start=(0.0, 0.0))

    assert conditions(unsure)[1] == "thermal level 0.1 to 0.25"
    assert conditions(cold)[1] == "cold"


def test_each_of_several_functions_has_a_line_and_its_name() -> None:
    device = load_device(shipped_device("heater"))
    drawn = ElementTree.fromstring(draw(Characteristic(device, device.defaults()), 10.0, 200.0, "svg"))
    lines = {element.get("id") for element in drawn.iter(f"{SVG}g")}

    for name in ("short_circuit", "overcurrent", "junction", "overload"):
        assert f"function-{name}" in lines
        assert name in words(drawn)
    assert "function-switch_stuck" not in lines
    assert not any((element.get("id") or "").startswith("function-") for element in picture().iter(f"{SVG}g"))


def test_matplotlib_is_not_imported_before_it_draws() -> None:
    code = "import sys, harness.trip.picture, harness.cli.curve; print('matplotlib' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)

    assert done.stdout == "False\n"


def test_lines_of_cable_switch_and_backup_are_told_apart_by_dashes_and_names() -> None:
    device = load_device(shipped_device("heater"))
    beside = lines(device, ((320.0, 60.0), (800.0, 1.0), (1600.0, 0.01)), 200.0)
    drawn = ElementTree.fromstring(draw(Characteristic(device, device.defaults()), 22.0, 200.0, "svg", beside))
    frame = points(drawn, "patch_2")
    (left, _), (right, _) = frame.min(axis=0), frame.max(axis=0)
    dashes = set()
    for number, line in enumerate(beside):
        group = next(element for element in drawn.iter(f"{SVG}g") if element.get("id") == f"line-{number}")
        style = next(group.iter(f"{SVG}path")).get("style", "")
        dashes.add("".join(re.findall(r"stroke-dasharray: ([\d., ]+)", style)))
        x = points(drawn, f"line-{number}")[0, 0]

        assert 22.0 * (800.0 / 22.0) ** ((x - left) / (right - left)) == pytest.approx(line.points[0][0], rel=1e-3)
    assert len(dashes) == 3
    assert "" not in dashes
    names = [element.text for element in drawn.iter(f"{SVG}text")]
    assert [names.count(name) for name in ("cable", "switch", "backup")] == [1, 1, 1]
