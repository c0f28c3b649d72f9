"""A unit's wear on the command line: shown, checked against budgets, released by a person only."""

from __future__ import annotations

import os
import pty
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from harness.cli import main
from harness.files.profile import shipped_plans
from harness.record.wear import append, path_of, read

PLAN = str(shipped_plans() / "low_voltage" / "03_overload.yaml")


def invoke(*words: str) -> tuple[int, str]:
    done = CliRunner().invoke(main, list(words))
    return done.exit_code, done.output


def quarantined(runs: Path) -> Path:
    path = path_of(runs, "0042")
    append(path, "0042", "spent", kind="clamp_energy", amount=12.5, run="a")
    append(path, "0042", "quarantined", reason="overload did not operate by the cut-off", run="a")
    return path


def test_it_shows_what_is_known(tmp_path: Path) -> None:
    assert invoke("unit", "0042", "--runs", str(tmp_path)) == (0, f"unit 0042: nothing is known of it in {tmp_path}\n")
    quarantined(tmp_path)
    code, said = invoke("unit", "0042", "--runs", str(tmp_path))
    assert code == 0
    assert said.splitlines()[0] == "clamp energy: 12.5 J"
    assert said.splitlines()[-1].startswith("unit 0042: QUARANTINED: overload did not operate by the cut-off (a, ")


@pytest.mark.parametrize("typed", ["0042", "0043"])
def test_a_person_at_a_terminal_releases_it(tmp_path: Path, typed: str) -> None:
    path = quarantined(tmp_path)
    master, slave = pty.openpty()
    command = [sys.executable, "-m", "harness", "unit", "0042", "--runs", str(tmp_path), "--release", "looked at"]
    process = subprocess.Popen(command, stdin=slave, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
    os.write(master, f"{typed}\n".encode())
    said, _ = process.communicate(timeout=30)
    os.close(master)
    os.close(slave)
    if typed == "0042":
        assert process.returncode == 0, said
        assert "released by " in said
        assert said.rstrip().endswith("unit 0042: free")
        assert read(path).quarantine is None
    else:
        assert process.returncode == 2
        assert "another serial number: nothing was changed" in said
        assert read(path).quarantine is not None


def test_nobody_but_a_person_does(tmp_path: Path) -> None:
    path = quarantined(tmp_path)
    code, said = invoke("unit", "0042", "--runs", str(tmp_path), "--release", "because")
    assert code == 2
    assert "wants a person at a terminal" in said
    assert read(path).quarantine is not None
    assert invoke("unit", "0042", "--runs", str(tmp_path), "--release", " ")[0] == 2
    assert "is not quarantined" in invoke("unit", "1", "--runs", str(tmp_path), "--release", "x")[1]


def test_check_says_what_is_spent_and_refuses_beyond(tmp_path: Path) -> None:
    code, said = invoke("check", PLAN)
    assert code == 0
    assert "heater, a new unit: takes 0 of 500 short-circuit shots" in said
    path = path_of(tmp_path, "0042")
    append(path, "0042", "spent", kind="non_volatile_writes", amount=7995)
    code, said = invoke("check", PLAN, "--unit", "0042", "--runs", str(tmp_path))
    assert code == 2
    assert "unit 0042 has 5 left: run fewer of them, or another unit" in said
    append(path, "0042", "quarantined", reason="why", run="a")
    assert "heater, unit 0042: quarantined: why" in invoke("check", PLAN, "--unit", "0042", "--runs", str(tmp_path))[1]
