"""Recorded channels of one step as a picture: one panel a channel over one time axis, as SVG to stand in a page."""

from __future__ import annotations

import html
import io
import re
from collections.abc import Sequence
from functools import cache
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from harness.record.result import Waveform
from harness.report.slim import bends, unwrapped

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

COLUMNS = 200
"""Points in time a picture resolves; each shows the lowest and the highest sample that fall to it."""

_STYLE: Any = {
    "svg.hashsalt": "breakerbench",  # the same record gives the same bytes
    "svg.fonttype": "none",  # text stays text, so that it can be searched and read aloud
    "font.size": 8,
    "text.parse_math": False,  # a $ in a channel's name is a $
}


_NUMBERS = re.compile(r'\b(?:d|x|y|points|transform)="[^"]*"')
_LONG_NUMBER = re.compile(r"(?<=\.\d\d)\d+")  # a hundredth of a point is below what a printer resolves
_CORNERS = re.compile(r"(?<=M )-?[\d.]+ -?[\d.]+(?: -?[\d.]+ -?[\d.]+)+")
_ONE_PLACE = 0.2  # points
_IDLE = re.compile(
    r"\s*<metadata>.*?</metadata>|(?<=<g) id=\"[\w.]+_\d+\"|(?<=0\") style=\"stroke: #000000; stroke-width: 0.8\"(?=/>)"
    r"| transform=\"rotate\(-0 [^\"]*\"|(?<=font-size: \dpx); font-family: [^;\"]*|\n\s*(?=<)|(?<=>)\n\s*",
    re.DOTALL,
)
"""What the drawing library writes and nobody looks at: its name, numbered ids, inherited styles, indents."""
_HASHED = re.compile(r"\b[hmp][0-9a-f]{10}\b")
"""Ids that the library makes of what they name."""
_REFERENCE = re.compile(r'((?<=[\s"])id="|xlink:href="#|url\(#)')


def outline(wave: Waveform) -> tuple[list[float], list[float]]:
    """Times (s) and values of ``wave``, thinned to its extremes in each of COLUMNS, so that no spike is lost."""
    values = np.frombuffer(wave.samples, dtype=">f4").astype(float)
    times = wave.start_s + wave.interval_s * np.arange(values.size)
    if values.size <= 2 * COLUMNS:
        return times.tolist(), values.tolist()
    kept: set[int] = {0, values.size - 1}
    edges = np.linspace(0, values.size, COLUMNS + 1).astype(int)
    for first, end in pairwise(edges):
        part = values[first:end]
        kept |= {int(first + part.argmin()), int(first + part.argmax())}
    order = sorted(kept)
    return times[order].tolist(), values[order].tolist()


def draw(waves: Sequence[Waveform], title: str, place: str) -> str:
    """The picture of ``waves`` (one or more) as an SVG element. ``title`` is its name for who cannot see it;
    ``place`` (letters and digits) tells its element ids from those of other pictures on the page.
    """
    import matplotlib as mpl

    with mpl.rc_context(_STYLE):
        figure, panels = _frame(len(waves))
        for axes, wave in zip(panels, waves, strict=True):
            _fill(axes, wave)
        file = io.StringIO()
        figure.savefig(file, format="svg", metadata={"Date": None, "Creator": None, "Title": title})
        rooms = "".join(_room(figure, axes, wave) for axes, wave in zip(panels, waves, strict=True))
    return re.sub(r"</svg>\s*$", f"{rooms}</svg>", placed(file.getvalue(), place))


def placed(svg: str, place: str) -> str:
    """A drawing library's SVG file as an element of a page: ids set apart by ``place``, numbers cut to what shows."""
    short = _NUMBERS.sub(_shorter, _IDLE.sub("", svg[svg.index("<svg") :]))
    numbers: dict[str, str] = {}
    short = _HASHED.sub(lambda found: numbers.setdefault(found[0], f"{found[0][0]}{len(numbers)}"), short)
    return unwrapped(_REFERENCE.sub(rf"\g<1>{place}-", short)).replace("xlink:href", "href")


def _shorter(numbers: re.Match[str]) -> str:
    """Fewer digits; of a path of straight lines, fewer corners and no letter before each (SVG 2, 9.3.3 allows that)."""
    short = _LONG_NUMBER.sub("", numbers[0])
    return short if "C" in short or "Q" in short else _CORNERS.sub(_apart, short.replace(" \nL ", " "))


def _apart(row: re.Match[str]) -> str:
    """A row of corners without those that lie on the one before, as print and screen show them; ends stay."""
    numbers = row[0].split()
    if "z" in row.string[row.end() : row.end() + 4]:
        return _outline(numbers)
    kept, at = numbers[:2], (float(numbers[0]), float(numbers[1]))
    for x, y in zip(numbers[2:-2:2], numbers[3:-2:2], strict=True):
        here = float(x), float(y)
        if max(abs(here[0] - at[0]), abs(here[1] - at[1])) >= _ONE_PLACE:
            kept += (x, y)
            at = here
    return " ".join(kept + numbers[max(len(numbers) - 2, 2) :])


def _outline(numbers: list[str]) -> str:
    """The corners of an area without those on the way between two others."""
    kept = bends([(float(x), float(y)) for x, y in zip(numbers[::2], numbers[1::2], strict=True)])
    return " ".join(f"{numbers[2 * index]} {numbers[2 * index + 1]}" for index in kept)


def _room(figure: Figure, axes: Axes, wave: Waveform) -> str:
    """An unseen rectangle over a panel that tells a script what its edges mean."""
    box = axes.get_window_extent()
    scale = 72 / figure.dpi
    x, y = box.x0 * scale, (figure.bbox.height - box.y1) * scale
    edges = " ".join(f"{edge:.7g}" for edge in (*axes.get_xlim(), *axes.get_ylim()))
    name, unit = html.escape(wave.channel), html.escape(wave.unit)
    return (
        f'<rect class="room" x="{x:.1f}" y="{y:.1f}" width="{box.width * scale:.1f}" '
        f'height="{box.height * scale:.1f}" fill="none" data-edges="{edges}" '
        f'data-name="{name}" data-unit="{unit}"/>'
    )


@cache
def _frame(count: int) -> tuple[Figure, list[Axes]]:
    """A figure of ``count`` panels, used again for every picture: making axes and ticks costs more than drawing."""
    from matplotlib.figure import Figure

    height = 0.5 + 1.1 * count
    figure = Figure(figsize=(7.0, height))
    figure.subplots_adjust(left=0.11, right=0.98, top=0.97, bottom=0.42 / height, hspace=0.15)
    panels = list(figure.subplots(count, 1, sharex=True, squeeze=False)[:, 0])
    for axes in panels:
        axes.plot([], [], color="#1a1a1a", linewidth=0.9, gid="curve")
        axes.axvline(0, color="#6b6b6b", linewidth=0.7, linestyle=":")
        axes.locator_params(axis="y", nbins=4)
        axes.yaxis.set_label_coords(-0.085, 0.5)  # else each picture's tick labels are measured twice
    panels[-1].set_xlabel("time from the trigger (s)")
    panels[-1].xaxis.set_label_coords(0.5, -0.24)
    return figure, panels


def _fill(axes: Axes, wave: Waveform) -> None:
    times, values = outline(wave)
    axes.lines[0].set_data(times, values)
    low, high = min(values, default=0.0), max(values, default=0.0)
    room = 0.06 * (high - low) or 1.0
    axes.set_ylim(low - room, high + room)
    if len(times) > 1:
        axes.set_xlim(times[0], times[-1])
    axes.set_ylabel(f"{wave.channel} ({wave.unit})")
