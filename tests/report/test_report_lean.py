"""A page made smaller says and shows the same."""

from __future__ import annotations

import math
import random
import re
from itertools import pairwise

from harness.record.result import Exchange
from harness.report.lean import NEAR, bends, lean, ungrouped
from harness.report.page import repeats
from harness.report.waveform import placed

PAGE = "<style>p{}</style></head><body>{}</body>"


def test_a_style_that_stands_often_becomes_a_class_and_a_rare_one_stays() -> None:
    often, rare = '<path style="fill: none; stroke: #000000"/>', '<path style="fill: red"/>'
    text = lean(PAGE.replace("{}", 4 * often + rare, 2).replace(4 * often + rare, "p{}", 1))

    [name] = set(re.findall(r'<path class="(\w+)"/>', text))
    assert text.count(f'<path class="{name}"/>') == 4
    assert f".{name}{{fill:none;stroke:#000000}}</style></head>" in text
    assert rare in text


def test_what_somebody_wrote_about_a_style_stays_as_it_is() -> None:
    told = " style=&#34;fill: none&#34;" * 5

    assert told in lean(PAGE.replace("{}", told))


def test_groups_without_attributes_go_and_others_keep_their_ends() -> None:
    assert ungrouped('<g><g id="a"><g><path/></g></g><g><use/></g></g>') == '<g id="a"><path/></g><use/>'


def test_corners_left_out_change_nothing_that_shows() -> None:
    random.seed(1)
    corners = [(x / 7, 50 + 40 * math.sin(x / 60) + random.uniform(-0.01, 0.01)) for x in range(900)]
    kept = bends(corners)

    assert kept[0] == 0
    assert kept[-1] == 899
    assert len(kept) < 200
    for first, end in pairwise(kept):
        (x, y), (to_x, to_y) = corners[first], corners[end]
        for each_x, each_y in corners[first + 1 : end]:
            across = abs((to_x - x) * (each_y - y) - (to_y - y) * (each_x - x)) / math.hypot(to_x - x, to_y - y)
            assert across <= NEAR


def test_a_turn_back_on_the_same_line_is_kept() -> None:
    assert bends([(0.0, 0.0), (10.0, 0.0), (5.0, 0.0)]) == [0, 1, 2]


def test_paths_keep_their_corners() -> None:
    svg = '<svg><path d="M 0 388.8 \nL 576 388.8 \nL 576 0 \nL 0 0 \nz\n"/><path d="M 1.234567 2 \nL 3 4 \n"/></svg>'

    assert placed(svg, "p") == '<svg><path d="M0 388.8 576 388.8 576 0 0 0z"/><path d="M1.23 2 3 4"/></svg>'


def test_curves_are_left_as_they_are() -> None:
    svg = '<svg><path d="M 0 1 \nQ 2 3 4 5 \nz\n"/></svg>'

    assert placed(svg, "p") == svg


def test_exchanges_in_a_row_are_counted_and_others_are_not() -> None:
    one, other = Exchange(0, b"\x22", b"\x62", ""), Exchange(5, b"\x22", None, "")
    same = [one, Exchange(9, b"\x22", b"\x62", ""), other, one]

    assert repeats(same) == [(one, 2), (other, 1), (one, 1)]
