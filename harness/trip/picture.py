"""The time-current characteristic as a log-log picture: SVG, PNG or PDF, the same bytes each time.

What matters is told by line style, hatching and words; colour (blue and grey) only repeats it.
"""

from __future__ import annotations

import io
import re
import textwrap
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike

from harness.quantity import show
from harness.trip.characteristic import Characteristic, CurvePoints
from harness.trip.coordination import Line
from harness.trip.corner import PickupZone
from harness.trip.trace import FloatArray
from protocol.protection import Declared, Parameter

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

FORMATS = ("svg", "png", "pdf")
"""What draw() can make, by the name that is also the file's suffix."""

_METADATA: dict[str, dict[str, Any]] = {
    # No date and no program version: the same input gives the same bytes.
    "svg": {"Date": None, "Creator": "breakerbench"},
    "png": {"Software": "breakerbench"},
    "pdf": {"CreationDate": None, "ModDate": None, "Creator": "breakerbench", "Producer": "breakerbench"},
}
STYLE: Any = {
    "svg.hashsalt": "breakerbench",
    "svg.fonttype": "none",  # text stays text, so that it can be searched and read aloud
    "pdf.fonttype": 42,
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans"],
    "font.size": 9,
    "hatch.linewidth": 0.8,
    "text.parse_math": False,  # a $ in a title is a $
}
"""Settings of the drawing library under which ``plot`` is to be called."""
_LINE_DASHES: Any = ((0, (9, 2)), (0, (7, 1.5, 1, 1.5, 1, 1.5)), (0, (1, 1)))
_INK, _BLUE, _PALE, _GREY = "#1a1a1a", "#0b4f8a", "#a9cdea", "#6b6b6b"


def draw(characteristic: Characteristic, lowest: float, highest: float, kind: str, lines: Sequence[Line] = ()) -> bytes:
    """The picture of ``characteristic`` from ``lowest`` to ``highest`` A as a file of ``kind``, one of FORMATS.

    ``lines`` are drawn beside it: what it is to be coordinated with.
    """
    import matplotlib as mpl
    from matplotlib.figure import Figure

    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(8.0, 6.0), dpi=150, layout="constrained")
        plot(figure, characteristic, lowest, highest, lines=lines)
        file = io.BytesIO()
        title = f"Time-current characteristic: {_printable(characteristic.device.title)}"
        figure.savefig(file, format=kind, metadata={"Title": title, **_METADATA[kind]})
    return file.getvalue()


def conditions(characteristic: Characteristic) -> tuple[str, str, str]:
    """What the characteristic was computed from, in words: set-points, start, declared accuracies of each function."""
    points = characteristic.device.set_points
    used = {
        name
        for function in characteristic.functions.values()
        for value in vars(function).values()
        if isinstance(value, Parameter)
        for name in value.names
    }
    low, high = characteristic.start
    mode = [] if characteristic.mode is None else [f"mode {characteristic.mode}"]
    values = [
        f"{name} {show(characteristic.set_points[name], points[name].field.unit)}" for name in points if name in used
    ]
    return (
        ", ".join(mode + values),
        "cold" if high == 0 else f"thermal level {low:.4g}" + (f" to {high:.4g}" if high > low else ""),
        "; ".join(_accuracies(characteristic)),
    )


def _accuracies(characteristic: Characteristic) -> list[str]:
    """Declared limits of error, functions that share them together; without names where all do."""
    sharing: dict[Declared, list[str]] = {}
    for name, function in characteristic.functions.items():
        sharing.setdefault(function.declared, []).append(name)
    return [
        (f"{', '.join(names)}: " if len(sharing) > 1 else "")
        + f"current ±{100 * of.gain:.3g} % ±{show(of.offset, 'A')}, timer ±{100 * of.timer:.3g} %, "
        f"latency {show(of.latency[0], 's')} to {show(of.latency[1], 's')}"
        for of, names in sharing.items()
    ]


def plot(
    figure: Figure,
    characteristic: Characteristic,
    lowest: float,
    highest: float,
    times: tuple[float, float] | None = None,
    titled: bool = True,
    lines: Sequence[Line] = (),
) -> Axes:
    """Draw ``characteristic`` from ``lowest`` to ``highest`` A and say on which axes.

    ``times`` (s): the time axis begins at the decade below the first and holds the second, whatever operates faster.
    Without ``titled``, no headings and no legend. The axis of currents goes on to the second point of a line.
    """
    axes = figure.add_subplot()
    grid = _grid(list(characteristic.zones.values()), lowest, highest)
    points = characteristic.at(grid)
    bottom, top = _time_range(points)
    if times is not None:
        bottom = float(10.0 ** np.floor(np.log10(times[0])))
        top = max(top, float(10.0 ** np.ceil(np.log10(times[1]))))
    _scales(axes, (lowest, max([highest, *(line.points[1][0] for line in lines)])), (bottom, top))
    _curves(axes, points, characteristic.pickup_zone, top)
    _regions(axes, points, lines)
    _coordination(axes, lines)
    _multiples(axes, characteristic.pickup_zone.pickup)
    if titled:
        _head(figure, axes, characteristic)
        figure.legend(loc="outside lower center", ncols=3, edgecolor=_GREY, fontsize=8, handlelength=3.2)
    return axes


def _head(figure: Figure, axes: Axes, characteristic: Characteristic) -> None:
    set_points, start, accuracies = conditions(characteristic)
    figure.suptitle(_wrapped(characteristic.device.title, 70), fontsize=11, fontweight="bold")
    note = f"Computed from set-points and declared accuracies, no measurement: {accuracies}"
    axes.set_title(f"{_wrapped(f'{set_points}; start {start}', 115)}\n{_wrapped(note, 115)}", fontsize=8, pad=8)


def _curves(axes: Axes, points: CurvePoints, zone: PickupZone, top: float) -> None:
    x, ceiling = points.currents, top * 10
    early, nominal, late = (np.minimum(row, ceiling) for row in (points.early, points.nominal, points.late))
    inside, above = (x >= zone.low) & (x <= zone.high), x > zone.high
    axes.fill_between(x[above], early[above], late[above], color=_PALE, lw=0, label="tolerance band", gid="band")
    for gid, row, shown, line, color, width in (
        ("earliest", early, early < ceiling, "--", _BLUE, 0.9),
        ("nominal", nominal, points.nominal < np.inf, "-", _INK, 1.2),
        ("latest", late, above, "-.", _BLUE, 0.9),
    ):
        axes.plot(x[shown], row[shown], line, color=color, lw=width, label=gid, gid=gid)
    for name, times in points.each.items() if len(points.each) > 1 else ():
        operates = times < np.inf
        axes.plot(x[operates], times[operates], ":", color=_GREY, lw=0.9, gid=f"function-{name}")
        if operates.any():
            axes.annotate(
                name, (x[operates][-1], times[operates][-1]), ha="right", va="bottom", fontsize=7, color=_GREY
            )
    axes.fill_between(
        x[inside],
        early[inside],
        ceiling,
        facecolor="none",
        edgecolor=_GREY,
        hatch="////",
        lw=0.6,
        label=f"{show(zone.low, 'A')} to {show(zone.high, 'A')}: may or may not operate",
        gid="pickup-zone",
    )


def _coordination(axes: Axes, lines: Sequence[Line]) -> None:
    """Lines thicker than the band's, told apart by their dashes and by their names; marks are those of verdicts."""
    (left, right), (_, top) = axes.get_xlim(), axes.get_ylim()
    for number, (line, dashes) in enumerate(zip(lines, _LINE_DASHES, strict=False)):
        x, y = zip(*line.points, strict=True)
        axes.plot(x, y, linestyle=dashes, color=_INK, lw=1.7, label=line.name, gid=f"line-{number}")
        seen = np.geomspace(max(left, x[0]), max(min(right, x[-1]), x[0] * 1.001), 200)
        low = np.flatnonzero(line.times(seen) < top / 4)  # room for the name above it
        if low.size and seen[low[0]] < right:
            place = float(seen[low[0]]), float(line.times(seen)[low[0]])
            name = re.split(r"[, ]", line.name)[0]
            axes.annotate(name, place, (4, 2), textcoords="offset points", fontsize=8, fontweight="bold")


def _regions(axes: Axes, points: CurvePoints, lines: Sequence[Line]) -> None:
    """Say on both sides of the band what it means, halfway along it; on the far side beyond every one of ``lines``."""
    bottom, top = axes.get_ylim()
    certain = np.flatnonzero(points.late < top)
    if not certain.size:
        if np.isinf(points.early).all():
            axes.text(0.5, 0.5, "must not operate", ha="center", style="italic", color=_GREY, transform=axes.transAxes)
        return
    left, right = points.currents[certain[0]], points.currents[-1]
    middle = min(int(np.searchsorted(points.currents, np.sqrt(left * right))), len(points.currents) - 1)
    late = np.minimum(points.late, top)
    above = late * (top / late) ** (0.7 if lines else 0.3)
    taken = np.nanmax([np.zeros_like(above), *(line.times(points.currents) for line in lines)], axis=0)
    free = np.flatnonzero(above[middle:] > 2.5 * taken[middle:])
    far = middle + int(free[0]) if free.size else middle
    style: Any = {"va": "center", "style": "italic", "color": _GREY}
    side = "left" if lines else "center"
    axes.text(float(points.currents[far]), float(above[far]), "must have operated", ha=side, **style)
    early = points.early[middle]
    below = float(early * (bottom / early) ** 0.4)
    axes.text(float(points.currents[middle]), below, "must not operate", ha="center", **style)


def _grid(zones: list[PickupZone], lowest: float, highest: float) -> FloatArray:
    """Currents to compute: even on the log axis, and closing in on every asymptote from its right."""
    near = 1 + np.geomspace(1e-12, 0.3, 120)
    edges = [edge * near for zone in zones for edge in (zone.low, zone.pickup, zone.high)]
    every = np.concatenate([np.geomspace(lowest, highest, 400), *edges, [zone.high for zone in zones]])
    return np.unique(every[(every >= lowest) & (every <= highest)])


def _time_range(points: CurvePoints) -> tuple[float, float]:
    """Whole decades: from below the earliest operation to above what the band reaches 3 % past its asymptote."""
    known = points.early[(points.early > 0) & (points.early < np.inf)]
    if not known.size:
        return 1.0, 1000.0
    late = points.late[points.late < np.inf]
    start = points.currents[points.late < np.inf][:1]
    tall = points.late[points.currents >= 1.03 * start[0]] if late.size else known
    most = float(tall.max()) if tall.size else float(late.min())
    bottom, top = np.floor(np.log10(known.min() / 1.2)), np.ceil(np.log10(most))
    return float(10.0**bottom), float(10.0 ** max(top, bottom + 2))


def _scales(axes: Axes, currents: tuple[float, float], times: tuple[float, float]) -> None:
    from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

    axes.set(xscale="log", yscale="log", xlim=currents, ylim=times, xlabel="Current / A", ylabel="Operate time / s")
    plain = FuncFormatter(lambda value, _: f"{value:,.10g}")
    axes.yaxis.set_major_locator(LogLocator(10, subs=(1.0,), numticks=20))
    axes.yaxis.set_minor_locator(LogLocator(10, subs=range(2, 10), numticks=200))
    axes.xaxis.set_major_locator(LogLocator(10, subs=(1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0), numticks=50))
    axes.yaxis.set_major_formatter(plain)
    axes.xaxis.set_major_formatter(plain)
    axes.yaxis.set_minor_formatter(NullFormatter())
    axes.xaxis.set_minor_formatter(NullFormatter())
    axes.grid(True, which="major", color="#d0d0d0", lw=0.6)
    axes.grid(True, which="minor", color="#ebebeb", lw=0.4)
    axes.set_axisbelow(True)


def _multiples(axes: Axes, pickup: float) -> None:
    from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

    top = axes.secondary_xaxis("top", functions=(_times(1 / pickup), _times(pickup)))
    top.set_xlabel(f"Multiple of the pickup current {show(pickup, 'A')}")
    top.xaxis.set_major_locator(LogLocator(10, subs=(1.0, 1.5, 2.0, 3.0, 5.0, 7.0), numticks=50))
    top.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:,.10g}"))
    top.xaxis.set_minor_formatter(NullFormatter())


def _times(factor: float) -> Callable[[ArrayLike], ArrayLike]:
    return lambda values: np.asarray(values) * factor


def _printable(text: str) -> str:
    return "".join(c if c.isprintable() else "?" for c in text)


def _wrapped(text: str, width: int) -> str:
    """Lines of at most ``width`` characters, broken after commas and semicolons only where there are any."""
    text = _printable(text)
    if "," in text:
        text = re.sub(r"(?<![,;:]) ", "\N{NO-BREAK SPACE}", text)
    return textwrap.fill(text, width, break_on_hyphens=False)
