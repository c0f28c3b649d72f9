"""``breakerbench check``: what is wrong with plans, profiles and bench files; what a run would take. Sends nothing."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import click

from harness.bench.spec import load_bench, shipped_bench
from harness.check import PlanCost, Prediction, predict
from harness.check.coordination_rules import check_defaults
from harness.cli.work import load_work
from harness.files.build import load_build
from harness.files.marks import FileError, FileErrors, MapNode, compose
from harness.files.profile import load_device
from harness.quantity import show
from harness.record.wear import UnitWear, WearError, path_of, read
from harness.run.wear import WORDS
from protocol.device import Device


@click.command()
@click.argument("files", nargs=-1, type=click.Path(path_type=Path), required=True)
@click.option(
    "--bench", "bench_file", type=click.Path(path_type=Path), help="Bench file; without it, the simulated one."
)
@click.option("--unit", "serial", help="Serial number: what it has been through counts against its budgets.")
@click.option(
    "--runs",
    type=click.Path(path_type=Path),
    default=Path("runs"),
    help="Folder of the run records; the unit's wear is kept in it.",
)
def check(files: tuple[Path, ...], bench_file: Path | None, serial: str | None, runs: Path) -> None:
    """Check FILES: plans, folders of plans, device profiles, bench files, build descriptions.

    One line a fault, as file:line:column, and exit code 2; without a fault, what a run of the plans would take.
    """
    errors: list[FileError] = []
    plans: list[Path] = []
    profiles: dict[Path, Device] = {}
    for path in [found for named in files for found in (named, *_beside_plans(named))]:
        loader = _loader(path)
        if loader is None:
            plans.append(path)
            continue
        try:
            loaded = loader(path)
            if isinstance(loaded, Device):
                profiles[path] = loaded
        except FileErrors as found:
            errors += found.errors
    predictions: list[Prediction] = []
    try:
        spec = load_bench(bench_file or shipped_bench("simulated"))
        errors += [fault for path, device in profiles.items() for fault in check_defaults(path, device, spec)]
        work = load_work(plans, spec) if plans else []
        predictions = [predict(its, device, spec) for device, its in work]
    except FileErrors as found:
        errors += found.errors
    if errors:
        click.echo(str(FileErrors(list(dict.fromkeys(errors)))), err=True)
        sys.exit(2)
    for cost in (cost for prediction in predictions for cost in prediction.plans):
        click.echo(_line(cost))
    beyond = [
        line
        for (device, _), prediction in zip(work if predictions else [], predictions, strict=True)
        for line in _wear(device, prediction, serial, runs)
    ]
    if predictions:
        click.echo(_total(predictions))
    if beyond:
        click.echo("\n".join(beyond), err=True)
        sys.exit(2)


def _wear(device: Device, prediction: Prediction, serial: str | None, runs: Path) -> list[str]:
    """Say what the plans use a unit up by; returns what goes beyond a budget, a line each."""
    if device.budgets is None:
        return []
    try:
        before = read(path_of(runs, serial)) if serial is not None else UnitWear()
    except WearError as error:
        return [str(error)]
    whose = "a new unit" if serial is None else f"unit {serial}"
    said, beyond = [], []
    for kind, amount in prediction.wear.items():
        words, unit = WORDS[kind]
        left = device.budgets.of(kind) - before.spent.get(kind, 0.0)
        said.append(f"{amount:.6g}{unit} of {left:.6g}{unit} {words}")
        if amount > left:
            beyond.append(
                f"{device.name}: the plans take {amount:.6g}{unit} of {words}, and {whose} has {max(left, 0):.6g}{unit}"
                " left: run fewer of them, or another unit"
            )
    click.echo(f"{device.name}, {whose}: takes {', '.join(said)}")
    if before.quarantine is not None:
        beyond.append(f"{device.name}, {whose}: quarantined: {before.quarantine}")
    return beyond


def _beside_plans(folder: Path) -> list[Path]:
    """Profiles, bench files, builds and the plans that need one, below a folder of plans."""
    return sorted(path for name in ("devices", "benches", "firmware") for path in folder.glob(f"**/{name}/*.yaml"))


def _loader(path: Path) -> Callable[[Path], object] | None:
    """How to load a file that is no plan; None for plans, folders, and whatever the plan loader should complain of."""
    if path.is_dir():
        return None
    try:
        root = compose(path).root
    except FileErrors:
        return None
    keys = root.items.keys() if isinstance(root, MapNode) else set()
    loaders: dict[str, Callable[[Path], object]]
    loaders = {"roles": load_bench, "ldf": load_device, "sha256": load_build}
    return next((loader for key, loader in loaders.items() if key in keys), None)


def _line(cost: PlanCost) -> str:
    parts = [f"{show(cost.bench_s, 's')} of bench time", f"{cost.writes} non-volatile writes", cost.hazard.value]
    parts += [f"{show(cost.energy_j, 'J')} out of the source"] if cost.energy_j else []
    parts += [f"bench has no {role}" for role in cost.missing]
    parts += [cost.gate] if cost.gate else []
    return f"{cost.name}: {', '.join(parts)}"


def _total(predictions: list[Prediction]) -> str:
    whole = Prediction(tuple(cost for prediction in predictions for cost in prediction.plans))
    cooling = f"{whole.cooling_share:.0%} of it cooling down"
    return f"in all {show(whole.bench_s, 's')} of bench time, {cooling}; {whole.writes} non-volatile writes"
