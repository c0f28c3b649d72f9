"""What is taken off a drawing library's SVG changes nothing that is seen."""

from __future__ import annotations

import math
import random
import re
from itertools import pairwise
from xml.etree import ElementTree

import pytest

from harness.record.result import Exchange
from harness.report.page import repeated
from harness.report.slim import NEAR, bends, classed, unwrapped
from harness.report.waveform import placed


def test_groups_that_say_nothing_go_and_others_stay_whole() -> None:
    svg = '<svg><g><g id="a"><g><path/></g><g class="b"><g><text>1</text></g></g></g></g><g><use/></g></svg>'
    found = unwrapped(svg)
    assert found == '<svg><g id="a"><path/><g class="b"><text>1</text></g></g><use/></svg>'
    ElementTree.fromstring(found)


def test_a_style_is_said_once() -> None:
    page = '<style>p{}</style><path style="fill: none"/><path style="fill: none"/><use style="stroke: #000"/>'
    assert classed(page) == (
        '<style>p{}.d0{fill: none}.d1{stroke: #000}</style><path class="d0"/><path class="d0"/><use class="d1"/>'
    )


def corners(path: str) -> list[tuple[float, float]]:
    numbers = [float(number) for number in re.findall(r"-?[\d.]+", path)]
    return list(zip(numbers[::2], numbers[1::2], strict=True))


@pytest.mark.parametrize("end", ["", "z \n"])
def test_corners_in_one_place_go_and_no_other(end: str) -> None:
    row = [(0.01 * k, 10.0) for k in range(500)]
    row[250] = (2.5, 90.0)  # a spike
    path = " \nL ".join(f"{x:.4f} {y:.4f}" for x, y in row)
    found = placed(f'<svg><path d="M {path} \n{end}"/></svg>', "p")
    kept = corners(found[found.index('d="') : found.index('"/>')].replace("z", ""))
    assert kept[0] == row[0]
    assert kept[-1] == (4.99, 10.0)
    assert (2.5, 90.0) in kept
    assert len(kept) < 60
    if not end:  # an area is thinned by its bends
        assert all(max(abs(b[0] - a[0]), abs(b[1] - a[1])) >= 0.2 for a, b in pairwise(kept[:-1]))
    assert ("z" in found) is bool(end)


def test_exchanges_in_a_row_are_told_once_with_their_number() -> None:
    def exchange(at_ns: int, request: str, answer: str) -> Exchange:
        return Exchange(at_ns, bytes.fromhex(request), bytes.fromhex(answer), "")

    row = [exchange(1, "22", "62"), exchange(2, "22", "62"), exchange(3, "22", "63"), exchange(4, "22", "62")]
    assert repeated(row) == [(row[0], 2), (row[2], 1), (row[3], 1)]


def test_corners_of_an_area_that_make_no_bend_change_nothing_that_shows() -> None:
    random.seed(1)
    row = [(x / 7, 50 + 40 * math.sin(x / 60) + random.uniform(-0.01, 0.01)) for x in range(900)]
    kept = bends(row)

    assert (kept[0], kept[-1]) == (0, 899)
    assert len(kept) < 200
    for first, end in pairwise(kept):
        (x, y), (to_x, to_y) = row[first], row[end]
        for each_x, each_y in row[first + 1 : end]:
            across = abs((to_x - x) * (each_y - y) - (to_y - y) * (each_x - x)) / math.hypot(to_x - x, to_y - y)
            assert across <= NEAR


def test_a_turn_back_on_the_same_line_is_kept() -> None:
    assert bends([(0.0, 0.0), (10.0, 0.0), (5.0, 0.0)]) == [0, 1, 2]


def test_ids_that_stand_for_content_are_numbered() -> None:
    svg = '<svg><clipPath id="p0123456789"/><use href="#m0123456789"/><g clip-path="url(#p0123456789)"/></svg>'

    assert placed(svg, "w") == '<svg><clipPath id="w-p0"/><use href="#m1"/><g clip-path="url(#w-p0)"/></svg>'
