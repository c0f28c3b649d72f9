"""The time-current characteristic of a run: the computed band, and on it what was measured, by verdict.

The band is that of a cold start at the set-points asked for. A point's own limits, which know its start level and the
current that was recorded, stand as a bar through it; the verdict comes from those.
"""

from __future__ import annotations

import html
import io
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from harness.quantity import show
from harness.record.result import Measurement, Result, Verdict
from harness.report.waveform import placed
from harness.trip.characteristic import Characteristic
from harness.trip.coordination import judge, lines, undeclared
from harness.trip.picture import STYLE, conditions, plot
from protocol.device import Device

if TYPE_CHECKING:
    from matplotlib.axes import Axes

MOST = 6
"""Pictures in one report; a run along more combinations of set-points says how many it does not show."""
_SHORTEST_S = 0.01
"""The time axis begins here, or below the shortest time that was measured."""
_NEAR = 0.5
"""What held below this share of the lowest pickup says nothing about the characteristic."""
_MARKS: Mapping[Verdict, tuple[str, str]] = {
    Verdict.PASS: ("#00507a", "M-4.2 0a4.2 4.2 0 1 0 8.4 0a4.2 4.2 0 1 0-8.4 0z"),
    Verdict.FAIL: ("#8a2c00", "M-5-3.2-3.2-5 0-1.8 3.2-5 5-3.2 1.8 0 5 3.2 3.2 5 0 1.8-3.2 5-5 3.2-1.8 0z"),
    Verdict.ERROR: ("#8a2c00", "M0-5.6 5.4 4.4-5.4 4.4z"),
    Verdict.INCONCLUSIVE: ("#1a1a1a", "M0-5.8 5.8 0 0 5.8-5.8 0z"),
}
"""Colour and outline of each verdict's mark: the same shapes as in the page's text."""
_HELD = "M-4.5 1h9M0 1v-7m-2.6 2.8L0-6l2.6 2.8"
"""Held without operating: an arrow, since it would have operated later or never."""


@dataclass(frozen=True)
class Point:
    """One result on the characteristic: current in A, time in s, its limits (s) where it has any."""

    id: str
    current: float
    time: float
    low: float | None
    high: float | None
    verdict: Verdict
    words: str
    operated: bool
    cold: bool


@dataclass(frozen=True)
class Picture:
    """One characteristic with its points: ``conditions`` in words, ``svg`` with escaped names."""

    device: str
    conditions: str
    accuracies: str
    svg: str
    points: tuple[Point, ...]
    coordination: tuple[str, ...]


def point_of(result: Result) -> Point | None:
    """Where ``result`` lies on the characteristic, None for one that has no place there."""
    stimulus = result.stimulus
    if stimulus is None or stimulus.quantity not in ("inject", "draw") or result.verdict not in _MARKS:
        return None
    recorded = (result.facts or {}).get("plateau")
    current = abs(float(recorded)) if isinstance(recorded, int | float) else abs(stimulus.value or 0.0)
    time = next((each for each in result.measurements if each.name == "operate time"), None)
    if result.kind == "expect_no_trip":
        lasted = (result.end_ns - result.start_ns) / 1e9
        words = f"{result.id}: {result.verdict.value}; {show(current, 'A')}, must not operate; the step lasted "
        return Point(result.id, current, lasted, None, None, result.verdict, words + show(lasted, "s"), False, True)
    if time is None or time.value is None or current <= 0 or time.value <= 0:
        return None
    cold = stimulus.start == "cold"
    return Point(
        result.id, current, time.value, time.low, time.high, result.verdict, _say(result, time, current), True, cold
    )


def _say(result: Result, time: Measurement, current: float) -> str:
    limits = " to ".join("-" if edge is None else show(edge, "s") for edge in (time.low, time.high))
    function = "" if result.function is None else f", {result.function}"
    start = "cold" if result.stimulus is not None and result.stimulus.start == "cold" else "warm"
    assert time.value is not None
    operated = f"{show(current, 'A')} in {show(time.value, 's')} (limits {limits})"
    return f"{result.id}: {result.verdict.value}{function}, {operated}, {start} start"


def pictures(
    results: Iterable[Result], devices: Mapping[str, Device], backup: Sequence[tuple[float, float]] | None = None
) -> tuple[list[Picture], list[str]]:
    """The characteristics of a run, those with most points first; and in words, what is not drawn.

    ``backup`` is the curve of the bench's, as (A, s).
    """
    groups: dict[tuple[object, ...], tuple[Characteristic, list[Point]]] = {}
    unknown = 0
    for result in results:
        point, device = point_of(result), devices.get(result.device)
        if point is None:
            continue
        modes = {} if device is None else device.command.modes
        mode = (result.facts or {}).get("mode")
        if device is None or result.set_points is None or (modes and mode not in modes):
            unknown += 1
            continue
        characteristic = Characteristic(device, result.set_points, mode=str(mode) if modes else None)
        if _belongs(result, point, characteristic):
            key = (device.name, *conditions(characteristic))
            groups.setdefault(key, (characteristic, []))[1].append(point)
    ranked = sorted(groups.values(), key=lambda group: -len(group[1]))
    notes = []
    if len(ranked) > MOST:
        rest = sum(len(points) for _, points in ranked[MOST:])
        notes.append(
            f"{len(ranked) - MOST} further combinations of set-points, with {rest} points together, are not drawn; "
            "their values stand with their steps."
        )
    if unknown:
        notes.append(
            f"{unknown} points are not drawn: the record does not say at which set-points or in which mode of a device "
            "that can be rebuilt from it."
        )
    shown = enumerate(ranked[:MOST], start=1)
    return [_picture(characteristic, points, f"t{number}", backup) for number, (characteristic, points) in shown], notes


def _belongs(result: Result, point: Point, characteristic: Characteristic) -> bool:
    """Whether it is about the closed switch's current: not of a stuck switch, not far below every pickup."""
    if not characteristic.functions:
        return False
    if point.operated:
        return result.function in characteristic.functions
    return point.current >= _NEAR * characteristic.pickup_zone.low


def _picture(
    characteristic: Characteristic, points: list[Point], place: str, backup: Sequence[tuple[float, float]] | None
) -> Picture:
    import matplotlib as mpl
    from matplotlib.figure import Figure

    currents = [point.current for point in points]
    times = [edge for point in points for edge in (point.time, point.low, point.high) if edge]
    lowest = min(0.8 * characteristic.pickup_zone.pickup, 0.9 * min(currents))
    highest = max(1.15 * max(currents), characteristic.device.sensing.full_scale)
    device = characteristic.device
    beside = lines(device, backup, highest)
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(8.0, 5.4), dpi=72)  # laid out by hand: a layout engine takes as long as the drawing
        figure.subplots_adjust(left=0.09, right=0.98, top=0.9, bottom=0.19)
        ends = min(*times, _SHORTEST_S), max(times)
        axes = plot(figure, characteristic, lowest, highest, ends, titled=False, lines=beside)
        figure.legend(loc="lower center", ncols=3, edgecolor="#6b6b6b", fontsize=8, handlelength=3.2)
        file = io.StringIO()
        title = f"Time-current characteristic of {characteristic.device.title}"
        figure.savefig(file, format="svg", metadata={"Date": None, "Creator": None, "Title": title})
    set_points, start, accuracies = conditions(characteristic)
    ranks = {verdict: rank for rank, verdict in enumerate(Verdict)}  # of two in one place, the worse lies on top
    order = sorted(points, key=lambda point: (ranks[point.verdict], point.current, point.time))
    marks = "".join(_mark(point, axes) for point in order)
    svg = re.sub(r"</svg>\s*$", f'<g class="points">{marks}</g></svg>', placed(file.getvalue(), place))
    said = [judge(characteristic, line)[1] for line in beside] + undeclared(device, backup, highest)
    return Picture(device.name, f"{set_points}; band for a {start} start", accuracies, svg, tuple(points), tuple(said))


def _mark(point: Point, axes: Axes) -> str:
    """A mark that says what it is without a script, and can be reached by keyboard."""
    colour, outline = _MARKS[point.verdict]
    x, y = _place(axes, point.current, point.time)
    bar = ""
    if point.low is not None and point.high is not None and point.low > 0:
        top, bottom = (_place(axes, point.current, edge)[1] - y for edge in (point.high, point.low))
        bar = f'<path d="M0 {top:.1f}V{bottom:.1f}M-3 {top:.1f}h6M-3 {bottom:.1f}h6" stroke="#1a1a1a" fill="none"/>'
    shape = outline if point.operated else _HELD
    fill = colour if point.operated and point.cold else "#fff"
    say = html.escape(point.words)
    return (
        f'<g class="point" tabindex="0" role="img" aria-label="{say}" '
        f'transform="translate({x:.1f} {y:.1f})"><title>{say}</title>{bar}'
        f'<path d="{shape}" fill="{fill}" stroke="{colour}" stroke-width="1.6"/></g>'
    )


def _place(axes: Axes, current: float, time: float) -> tuple[float, float]:
    """Where a value lies in the SVG, whose y axis points down."""
    x, y = axes.transData.transform((current, time))
    height = axes.figure.bbox.height if axes.figure is not None else 0.0
    return float(x), float(height - y)
