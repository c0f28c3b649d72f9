"""One measured value over all the records of a folder: its course from run to run, as numbers and as a picture.

Runs on a simulated bench and on a real one never stand in one history, and each unit has a series of its own.
"""

from __future__ import annotations

import io
import math
from collections.abc import Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from itertools import pairwise
from pathlib import Path
from statistics import fmean, stdev
from typing import Any

from harness.quantity import show
from harness.record.reader import Record, RecordError
from harness.record.result import Measurement

PICTURES = ("svg", "png")
"""What draw() can make, by the name that is also the file's suffix."""
_MARKERS = "osD^vP*X"
_INK, _BLUE, _GREY = "#1a1a1a", "#0b4f8a", "#6b6b6b"


class HistoryError(Exception):
    """No such value, or no record to follow it in."""


@dataclass(frozen=True)
class Point:
    """The value in one run."""

    folder: str
    started: str
    version: str  # of the application
    unit: str  # serial number of the breaker
    measurement: Measurement


@dataclass(frozen=True)
class History:
    """A value over the runs that have it, by when they started."""

    step: str
    name: str
    mark: str  # the simulated-bench mark, '' where the runs were on real benches
    points: tuple[Point, ...]
    left_out: tuple[str, ...]  # in words: records that could not be read, and runs of the other kind of bench

    @property
    def values(self) -> list[float]:
        """The values that came, in order."""
        return [point.measurement.value for point in self.points if point.measurement.value is not None]

    @property
    def trend(self) -> float | None:
        """Slope of a straight line through the values, per run, in widths of the last band; None: too few, no band."""
        values, width = self.values, _width(self.points[-1].measurement)
        if len(values) < 3 or width is None:
            return None
        middle, mean = (len(values) - 1) / 2, fmean(values)
        over = sum((k - middle) * (value - mean) for k, value in enumerate(values))
        return over / sum((k - middle) ** 2 for k in range(len(values))) / width


def follow(folder: Path, value: str) -> History:
    """The history of ``value`` over the records in ``folder``. Raises HistoryError.

    ``value`` is `plan/step: measurement`, or `plan/step` where that has one only.
    """
    step, _, name = value.partition(": ")
    found: list[tuple[str, Point]] = []  # with the mark
    left_out: list[str] = []
    for record_folder in _records(folder):
        try:
            record = Record(record_folder)
        except RecordError as error:
            left_out.append(str(error))
            continue
        try:
            found += _points(record, record_folder, step, name)
        except RecordError as error:
            left_out.append(f"{record_folder}: {error}")
        finally:
            record.close()
    if not found:
        raise HistoryError(_unknown(folder, value, left_out))
    found.sort(key=lambda each: (each[1].started, each[1].folder))
    mark = found[-1][0]
    points = tuple(point for its, point in found if bool(its) == bool(mark))
    if others := len(found) - len(points):
        left_out.append(f"{others} runs on a {'real' if mark else 'simulated'} bench: the two are never mixed")
    return History(step, points[0].measurement.name, mark, points, tuple(left_out))


def values_of(folder: Path) -> list[str]:
    """Every value of the newest readable record in ``folder``, as follow() takes it. Raises HistoryError."""
    for record_folder in reversed(_records(folder)):
        try:
            record = Record(record_folder)
        except RecordError:
            continue
        try:
            return [f"{step}: {name}" for step, name in record.measured()]
        except RecordError:
            continue
        finally:
            record.close()
    raise HistoryError(f"{folder}: no readable run record in here")


def _records(folder: Path) -> list[Path]:
    return sorted(path.parent for path in folder.glob("*/journal.sqlite"))


def _points(record: Record, folder: Path, step: str, name: str) -> list[tuple[str, Point]]:
    matching = [each for each in record.measurements(step) if not name or each.name == name]
    if not matching:
        return []
    if len({each.name for each in matching}) > 1:
        raise HistoryError(f"{step} has several values; want one of {', '.join(f'{step}: {m.name}' for m in matching)}")
    about, identity = record.about(), _identity(record, step)
    started = about.get("started", folder.name)
    serial = next((text for key, text in identity.items() if "serial" in key), "")
    point = Point(folder.name, started, identity.get("application_version", ""), serial, matching[0])
    return [(about.get("mark", ""), point)]


def _identity(record: Record, step: str) -> dict[str, str]:
    """As read at the start by the device that the step's plan is for."""
    readings = record.identities()
    plan = step.partition("/")[0]
    device = next((note.device for note in record.plans() if note.name == plan), "")
    mine = [reading for reading in readings if reading.device == device] or readings
    return dict(mine[0].values) if mine else {}


def _unknown(folder: Path, value: str, left_out: Sequence[str]) -> str:
    if not _records(folder):
        return f"{folder}: no run records in here"
    if left_out:
        return f"{folder}: no readable record has {value!r}; {left_out[0]}"
    known = values_of(folder)
    near = get_close_matches(value, [*known, *dict.fromkeys(each.partition(": ")[0] for each in known)], 3)
    return f"{folder}: no record has {value!r}" + (f"; did you mean {' or '.join(near)}?" if near else "")


def text(history: History) -> str:
    """The history as plain lines: how it lies, and the last runs."""
    last, values = history.points[-1].measurement, history.values
    lines = [history.mark] if history.mark else []
    lines += [f"{history.step}: {history.name}, {len(history.points)} runs"]
    if values:
        scatter = f", standard deviation {show(stdev(values), last.unit)}" if len(values) > 1 else ""
        lines.append(
            f"mean {show(fmean(values), last.unit)}{scatter}, from {show(min(values), last.unit)}"
            f" to {show(max(values), last.unit)}"
        )
    if history.trend is not None:
        lines.append(f"trend {history.trend:+.4f} of the band a run")
    for point in history.points[-10:]:
        its = point.measurement
        shown = "did not come" if its.value is None else show(its.value, its.unit)
        low, high = (_limit(limit, its.unit) for limit in (its.low, its.high))
        lines.append(f"  {point.started}  {point.version or '-'}  unit {point.unit or '-'}  {shown}  ({low} to {high})")
    return "\n".join([*lines, *(f"left out: {words}" for words in history.left_out)]) + "\n"


def draw(history: History, kind: str) -> bytes:
    """The history as a picture, a file of ``kind``, one of PICTURES: band, values by unit, where the build changed."""
    import matplotlib as mpl
    from matplotlib.figure import Figure

    style: Any = {"svg.hashsalt": "breakerbench", "svg.fonttype": "none", "font.size": 9, "text.parse_math": False}
    with mpl.rc_context(style):
        figure = Figure(figsize=(8.0, 4.0), dpi=120, layout="constrained")
        _plot(figure.subplots(), history)
        file = io.BytesIO()
        metadata: dict[str, Any] = {
            "svg": {"Date": None, "Creator": "breakerbench"},
            "png": {"Software": "breakerbench"},
        }
        figure.savefig(file, format=kind, metadata=metadata[kind])
    return file.getvalue()


def _plot(axes: Any, history: History) -> None:
    points, unit = history.points, history.points[-1].measurement.unit
    runs = range(1, len(points) + 1)
    for limit, words in (("low", "lower limit"), ("high", "upper limit")):
        edge = [getattr(point.measurement, limit) for point in points]
        if any(map(_bound, edge)):
            drawn = [value if _bound(value) else math.nan for value in edge]
            axes.plot(runs, drawn, color=_GREY, linewidth=1, linestyle="--" if limit == "low" else "-.", label=words)
    for number, serial in enumerate(dict.fromkeys(point.unit for point in points)):
        its = [(run, point.measurement.value) for run, point in zip(runs, points, strict=True) if point.unit == serial]
        heights = [math.nan if value is None else value for _, value in its]
        size = 5 if len(its) <= 60 else 2.5
        axes.plot(
            [run for run, _ in its],
            heights,
            linestyle="none",
            marker=_MARKERS[number % len(_MARKERS)],
            markersize=size,
            color=_BLUE if number % 2 == 0 else _INK,
            label=f"unit {serial or 'not noted'}",
        )
    changes = [run for run, (old, new) in enumerate(pairwise(points), 2) if old.version != new.version]
    for count, run in enumerate(changes):
        axes.axvline(run - 0.5, color=_INK, linewidth=0.8, linestyle=":", label="" if count else "another build")
        axes.annotate(
            points[run - 1].version or "?", (run - 0.5, 1), xycoords=("data", "axes fraction"), ha="left", va="bottom"
        )
    axes.set_xlabel("run")
    axes.set_ylabel(f"{history.name}{'' if unit == '1' else f' in {unit}'}")
    axes.set_title(f"{history.step}\n{history.mark}" if history.mark else history.step, fontsize=9, loc="left", pad=16)
    axes.grid(True, color="#dddddd", linewidth=0.5)
    axes.legend(fontsize=8, loc="best")


def _limit(limit: float | None, unit: str) -> str:
    return "-" if limit is None or not math.isfinite(limit) else show(limit, unit)


def _bound(limit: float | None) -> bool:
    return limit is not None and math.isfinite(limit)


def _width(measurement: Measurement) -> float | None:
    low, high = measurement.low, measurement.high
    if low is None or high is None or not (math.isfinite(low) and math.isfinite(high)) or high <= low:
        return None
    return high - low
