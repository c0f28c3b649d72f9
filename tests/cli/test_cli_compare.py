"""Two runs from the command line, and what compare makes of them."""

from __future__ import annotations

from pathlib import Path

from click.testing import CliRunner

from harness.cli import main
from harness.record.reader import Record

PLAN = """
format: 1
name: short
title: A live value and a trip
device: heater
steps:
  - power_cycle: {duration: 1 s}
  - read_live: {values: {current: [-1 A, 1 A]}}
  - close
  - expect_trip: {bus: 900 V, function: bus_high}
  - open
"""


def invoke(*arguments: object) -> tuple[int, str]:
    result = CliRunner().invoke(main, [str(argument) for argument in arguments])
    return result.exit_code, result.stdout


def run(folder: Path, *options: object) -> Path:
    plan = folder.parent / "plan.yaml"
    plan.write_text(PLAN)
    code, shown = invoke("run", plan, "--runs", folder, *options)
    assert code == 0, shown
    (record,) = folder.iterdir()
    return record


def test_two_runs_of_one_unit_are_comparable_and_two_units_are_not(tmp_path: Path) -> None:
    first, again, other = (
        run(tmp_path / name, *options)
        for name, options in (
            ("first", ("--noise-seed", 1)),
            ("again", ("--noise-seed", 2)),
            ("other", ("--seed", 2)),
        )
    )
    code, shown = invoke("compare", first, again)

    assert (code, shown.splitlines()[-1]) == (0, "no regression")
    assert "3 values tested" in shown
    code, shown = invoke("compare", first, other)
    assert (code, shown.splitlines()[-1]) == (3, "not comparable")
    assert "heater: serial_number is " in shown


def test_a_run_notes_its_seeds_and_the_ambient_it_began_at(tmp_path: Path) -> None:
    record = Record(run(tmp_path / "run", "--seed", 3, "--noise-seed", 7))
    about, ambient = record.about(), [event.detail for event in record.events() if event.kind == "ambient"]
    record.close()

    assert (about["seed"], about["noise_seed"]) == ("3", "7")
    (detail,) = ambient
    assert detail["device"] == "heater"
    assert 23 <= float(str(detail["value"])) <= 27  # the heat sink rests at 25 degC, and the thermistor is good to 2 K
