"""``breakerbench demo``: the main job, start to end, with nothing but this machine."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from harness.bench.spec import shipped_bench
from harness.cli.run import RUNS, run_plans
from harness.files.profile import shipped_plans


@click.command()
@click.option(
    "--runs", type=click.Path(path_type=Path), default=RUNS, show_default=True, help="Folder for run records."
)
def demo(runs: Path) -> None:
    """Run the first shipped plans, for the heater branch, on the simulated bench.

    The breaker, the machine and every number are invented.
    """
    plans = [shipped_plans() / folder for folder in ("low_voltage", "high_voltage")]
    sys.exit(run_plans(plans, shipped_bench("simulated"), False, runs))
