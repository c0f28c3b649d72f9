"""``breakerbench curve``: the time-current characteristic of a device with its tolerance band."""

from __future__ import annotations

import json
import math
import textwrap
from collections.abc import Sequence
from pathlib import Path

import click
import numpy as np

from harness.files.marks import FileErrors
from harness.files.profile import load_device, shipped_device
from harness.quantity import parse, show
from harness.trip.characteristic import Characteristic, CurvePoints
from harness.trip.coordination import judge, lines, undeclared
from harness.trip.picture import FORMATS, conditions, draw
from harness.trip.trace import FloatArray
from protocol.device import Device

_BAR = 30  # characters of the time bar
_MOST_POINTS = 100_000


class _Refusal(click.ClickException):
    """A wrong value on the command line or a file that cannot be used: one line a cause, exit code 2."""

    exit_code = 2


@click.command()
@click.argument("device", default="heater")
@click.option("--set", "asked", multiple=True, metavar="NAME=VALUE", help="A set-point, e.g. overload_pickup=20A.")
@click.option("--from", "lowest", metavar="CURRENT", help="Lowest current; 0.8 times pickup if absent.")
@click.option("--to", "highest", metavar="CURRENT", help="Highest current; the end of the measuring range if absent.")
@click.option("--points", type=click.IntRange(2, _MOST_POINTS), default=16, show_default=True, help="Currents to list.")
@click.option("--start", "level", default="cold", show_default=True, help="cold, or the thermal level, e.g. 50%.")
@click.option("--mode", help="Operating mode, for a device whose set-points depend on it.")
@click.option("--json", "as_json", is_flag=True, help="JSON Lines on stdout: one current a line, the summary last.")
@click.option("--bench", "bench_file", type=click.Path(path_type=Path), help="Bench file: its backup is drawn too.")
@click.option("--picture", type=click.Path(path_type=Path), help="Draw it as well: a file .svg, .png or .pdf.")
def curve(
    device: str,
    asked: tuple[str, ...],
    lowest: str | None,
    highest: str | None,
    points: int,
    level: str,
    mode: str | None,
    as_json: bool,
    bench_file: Path | None,
    picture: Path | None,
) -> None:
    """Show when DEVICE operates: earliest, nominal and latest time over the current.

    DEVICE is the name of a shipped profile or the path of one. Times follow from the set-points and the declared
    accuracies of the device alone; nothing is measured and no bench is used.
    """
    try:
        loaded = _load(device)
        characteristic = Characteristic(loaded, _set_points(loaded, asked), _start(level), _mode(loaded, mode))
        if not characteristic.functions:
            raise ValueError(f"{loaded.name}: no function watches the current of the closed switch")
        ends = _ends(characteristic, lowest, highest)
        kind = _kind(picture)
        backup = None if bench_file is None else _backup(bench_file)
        beside = lines(loaded, backup, ends[1])
        if picture is not None:
            picture.write_bytes(draw(characteristic, *ends, kind, beside))
    except ValueError as error:
        raise _Refusal(str(error)) from error
    except FileErrors as errors:
        raise _Refusal(str(errors)) from errors
    except OSError as error:
        raise _Refusal(f"{error.filename}: {error.strerror}") from error
    found = characteristic.at(_currents(*ends, points))
    if as_json:
        _print_json(characteristic, found)
    else:
        _print_table(characteristic, found)
        for words in [*(judge(characteristic, line)[1] for line in beside), *undeclared(loaded, backup, ends[1])]:
            click.echo(textwrap.fill(words, 80, subsequent_indent="  "))
    if picture is not None:
        click.echo(f"picture: {picture}", err=True)


# What was asked for


def _load(device: str) -> Device:
    if Path(device).suffix or len(Path(device).parts) > 1:
        return load_device(device)
    try:
        return load_device(shipped_device(device))
    except KeyError as error:
        raise ValueError(f"{error.args[0]}, or give the path of a profile (.yaml)") from error


def _backup(bench_file: Path) -> tuple[tuple[float, float], ...] | None:
    from harness.bench.spec import load_bench

    backup = load_bench(bench_file).backup
    return None if backup is None else backup.curve


def _set_points(device: Device, asked: Sequence[str]) -> dict[str, float]:
    """Defaults, and what was asked for instead. Raises ValueError for what the device cannot hold."""
    values, named = device.defaults(), set[str]()
    for text in asked:
        name, equals, value = text.partition("=")
        if not equals or name not in device.set_points:
            known = ", ".join(device.set_points)
            raise ValueError(f"--set {text}: want NAME=VALUE, with a NAME out of {known}")
        if name in named:
            raise ValueError(f"--set {text}: {name} is set twice")
        named.add(name)
        point = device.set_points[name]
        unit = point.field.unit
        try:
            exact = parse(value, unit).exact
        except ValueError as error:
            raise ValueError(f"--set {name}: {error}") from error
        if not point.minimum <= exact <= point.maximum:
            limits = f"{show(float(point.minimum), unit)} to {show(float(point.maximum), unit)}"
            raise ValueError(f"--set {text}: outside the set-point's limits, {limits}")
        if point.field.to_physical(point.field.to_raw(exact)) != exact:
            raise ValueError(f"--set {text}: not a whole step of {show(float(point.field.scale), unit)}")
        values[name] = float(exact)
    return values


def _mode(device: Device, mode: str | None) -> str | None:
    """The mode asked for; the first one where none is. Raises ValueError for one that the device does not have."""
    modes = device.command.modes
    if mode is None:
        return next(iter(modes), None)
    if mode not in modes:
        raise ValueError(f"--mode {mode}: " + (f"want one of {', '.join(modes)}" if modes else "this device has none"))
    return mode


def _start(level: str) -> tuple[float, float]:
    if level == "cold":
        return 0.0, 0.0
    try:
        share = parse(level, "1").si
    except ValueError as error:
        raise ValueError(f"--start {level}: want cold or a thermal level, e.g. 50%") from error
    if not 0 <= share < 1:
        raise ValueError(f"--start {level}: want a thermal level from 0% to below 100%, which is the trip level")
    return share, share


def _ends(characteristic: Characteristic, lowest: str | None, highest: str | None) -> tuple[float, float]:
    full_scale = characteristic.device.sensing.full_scale
    low = _current("--from", lowest, float(f"{0.8 * characteristic.pickup_zone.pickup:.2g}"))
    high = _current("--to", highest, full_scale)
    if high > full_scale:
        raise ValueError(f"--to {highest}: above the measuring range of {show(full_scale, 'A')}; no curve holds there")
    if not 0 < low < high:
        raise ValueError(f"from {show(low, 'A')} to {show(high, 'A')}: want two currents above 0 A, lower one first")
    return low, high


def _current(option: str, text: str | None, default: float) -> float:
    try:
        return default if text is None else parse(text, "A").si
    except ValueError as error:
        raise ValueError(f"{option}: {error}") from error


def _kind(picture: Path | None) -> str:
    kind = picture.suffix[1:].lower() if picture is not None else FORMATS[0]
    if kind not in FORMATS:
        raise ValueError(f"--picture {picture}: want a file that ends in .{', .'.join(FORMATS)}")
    return kind


def _currents(lowest: float, highest: float, points: int) -> FloatArray:
    """Even steps of the logarithm, rounded to what the table shows, so that a row can be recomputed."""
    even = [lowest, *(float(f"{current:.4g}") for current in np.geomspace(lowest, highest, points)[1:-1]), highest]
    return np.unique(np.clip(even, lowest, highest))


# What comes out


def _print_json(characteristic: Characteristic, found: CurvePoints) -> None:
    rows = zip(found.currents, found.duties, found.functions, found.early, found.nominal, found.late, strict=True)
    for number, (current, duty, function, early, nominal, late) in enumerate(rows):
        times = {"early_s": early, "nominal_s": nominal, "late_s": late}
        line: dict[str, object] = {"current_a": float(current), "duty": duty, "function": function}
        line |= {name: _or_none(time) for name, time in times.items()}
        line["nominal_by_function_s"] = {name: _or_none(row[number]) for name, row in found.each.items()}
        click.echo(json.dumps(line, allow_nan=False))
    zones = {name: [zone.low, zone.pickup, zone.high] for name, zone in characteristic.zones.items()}
    summary = {
        "summary": {
            "device": characteristic.device.name,
            "digest": characteristic.device.digest,
            "set_points": dict(characteristic.set_points),
            "start": list(characteristic.start),
            "mode": characteristic.mode,
            "runaway_a": {name: _or_none(current) for name, current in characteristic.runaway.items()},
            "pickup_zones_a": zones,
            "basis": "computed from set-points and declared accuracies",
        }
    }
    click.echo(json.dumps(summary, allow_nan=False))


def _or_none(time: float) -> float | None:
    return float(time) if time < math.inf else None


def _print_table(characteristic: Characteristic, found: CurvePoints) -> None:
    from rich.box import SIMPLE_HEAD
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    console = Console(highlight=False, markup=False)
    table = Table(box=SIMPLE_HEAD, pad_edge=False)
    for heading in ("Current", "Earliest", "Nominal", "Latest"):
        table.add_column(heading, justify="right", no_wrap=True)
    several = len(characteristic.zones) > 1
    if several:
        table.add_column("Function", no_wrap=True)
    scale = _scale(found)
    bar_width = _BAR - 2 - max(map(len, characteristic.functions)) if several else _BAR
    table.add_column(_axis(*scale, bar_width), no_wrap=True)
    for current, early, nominal, late, function, duty in zip(
        found.currents, found.early, found.nominal, found.late, found.functions, found.duties, strict=True
    ):
        named = [function or "-"] if several else []
        bar = duty if duty == "must not operate" else _bar(early, nominal, late, scale, bar_width)
        table.add_row(show(current, "A"), _time(early), _time(nominal), _time(late), *named, bar)
    set_points, start, accuracies = conditions(characteristic)
    zone, runaway = characteristic.pickup_zone, characteristic.runaway
    console.print(Text(characteristic.device.title, "bold"), soft_wrap=True)
    console.print(f"Set-points: {set_points}", soft_wrap=True)
    console.print(f"Start: {start}", soft_wrap=True)
    console.print(f"May or may not operate from {show(zone.low, 'A')} to {show(zone.high, 'A')}.", soft_wrap=True)
    for name, its in characteristic.zones.items() if several else ():
        steady = f", no steady temperature from {show(runaway[name], 'A')}" if name in runaway else ""
        console.print(f"  {name}: pickup {show(its.pickup, 'A')}{steady}", soft_wrap=True)
    console.print(table)
    console.print("= from earliest to latest, | nominal, > without a latest time", soft_wrap=True)
    console.print("Computed from set-points and declared accuracies; no measurement.", soft_wrap=True)
    console.print("Accuracies:" if several else f"Accuracies: {accuracies}.", soft_wrap=True)
    for line in accuracies.split("; ") if several else ():
        console.print(f"  {line}", soft_wrap=True)


def _time(seconds: float) -> str:
    return show(seconds, "s") if seconds < math.inf else "-"


def _scale(found: CurvePoints) -> tuple[int, int]:
    """Whole decades (powers of ten of a second) that hold every time."""
    times = np.concatenate([found.early, found.nominal, found.late])
    known = times[(times > 0) & (times < math.inf)]
    if not known.size:
        return 0, 1
    low = math.floor(math.log10(known.min()))
    return low, max(math.ceil(math.log10(known.max())), low + 1)


def _axis(low: int, high: int, width: int) -> str:
    """Heading of the bars: the decades at both ends."""
    left, right = (f"{10.0**power:,.10g} s" if power >= -3 else show(10.0**power, "s") for power in (low, high))
    return left + right.rjust(width - len(left))


def _bar(early: float, nominal: float, late: float, scale: tuple[int, int], width: int) -> str:
    """A row of the picture: ``=`` from earliest to latest, ``|`` nominal, ``>`` where there is no latest."""

    low, high = scale

    def place(time: float) -> int:
        share = (math.log10(time) - low) / (high - low) if time > 0 else 0.0
        return min(max(round(share * (width - 1)), 0), width - 1)

    cells = [" "] * width
    last = place(late) if late < math.inf else width - 1
    cells[place(early) : last + 1] = "=" * (last + 1 - place(early))
    if late == math.inf:
        cells[-1] = ">"
    if nominal < math.inf:
        cells[place(nominal)] = "|"
    return "".join(cells).rstrip()
