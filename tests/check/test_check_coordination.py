"""Profiles whose defaults leave cable or switch unprotected on a bench, at the section that says so."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import pytest
from check_bench import BENCH
from click.testing import CliRunner
from edited import marked

from harness.bench.safety_spec import BankSpec, LoopSpec
from harness.bench.spec import load_bench, shipped_bench
from harness.check.coordination_rules import check_defaults, prospective_current
from harness.cli.check import check
from harness.files.profile import load_device, shipped_device

SIMULATED = load_bench(shipped_bench("simulated"))


def edited(folder: Path, name: str, edits: dict[str, str]) -> tuple[Path, list[str]]:
    """A shipped profile with ``edits``, in ``folder``; and the places of what is wrong."""
    text, places = marked(shipped_device(name).read_text(), edits)
    path = folder / f"{name}.yaml"
    path.write_text(text)
    shutil.copy(shipped_device(name).with_suffix(".ldf"), folder)
    return path, places


@pytest.mark.parametrize("name", ["heater", "pump"])
def test_the_shipped_profiles_pass(name: str) -> None:
    assert check_defaults(shipped_device(name), load_device(shipped_device(name)), SIMULATED) == []


@pytest.mark.parametrize(
    ("edits", "wanted"),
    [
        (
            {"\ncable:": "\n¶cable:", "cross_section: 4 mm2": "cross_section: 0.5 mm2"},
            # k S / sqrt(5) = 143.08 * 0.5 / 2.236 = 31.99 A
            "the defaults may take 86.16 s at 31.99 A, where cable 0.5 mm² copper, XLPE ends at 5 s",
        ),
        (
            {"\ncable:": "\n¶cable:", "cross_section: 4 mm2": "cross_section: 0.1 mm2"},
            "the defaults need never trip at 6.399 A, where cable 0.1 mm² copper, XLPE ends at 5 s",
        ),
        (
            {"\ncable:": "\n¶cable:", "rating: 36 A": "rating: 20 A"},
            "the defaults need not trip up to 27.88 A; its rating is 20 A",
        ),
        (
            {"\nwithstand:": "\n¶withstand:", "[50 A, 600 s]": "[50 A, 20 s]"},
            "the defaults may take 22.5 s at 50 A, where switch withstand ends at 20 s",
        ),
        (
            {"\ncable:": "\n¶cable:", "default: 27.5 A": "default: 32 A", "rating: 36 A": "rating: 32 A"},
            "the defaults need not trip up to 32.42 A; its rating is 32 A",
        ),
    ],
    ids=["thin cable", "cable below the pickup", "rating below the pickup", "weak switch", "a default"],
)
def test_defaults_that_do_not_protect(tmp_path: Path, edits: dict[str, str], wanted: str) -> None:
    path, [place] = edited(tmp_path, "heater", edits)
    found = check_defaults(path, load_device(path), SIMULATED)

    assert [str(fault) for fault in found] == [f"{path}:{place}: {wanted}"]


def test_a_mode_is_named(tmp_path: Path) -> None:
    path, [place] = edited(tmp_path, "pump", {"\ncable:": "\n¶cable:", "rating: 75 A": "rating: 60 A"})
    [found] = check_defaults(path, load_device(path), SIMULATED)

    assert str(found).startswith(f"{path}:{place}: the defaults in mode drive need not trip up to 67.31 A")


def test_a_bench_that_cannot_drive_so_much_current_does_no_harm(tmp_path: Path) -> None:
    # the switch is too weak from 125 A on
    edits = {"[130 A, 1 s]": "[130 A, 60 ms]", "[200 A, 100 ms]": "[200 A, 50 ms]"}
    path, _ = edited(tmp_path, "heater", edits)
    device = load_device(path)

    assert len(check_defaults(path, device, SIMULATED)) == 1
    small = replace(BENCH, source=replace(BENCH.source, current=100.0)) if BENCH.source else BENCH
    assert check_defaults(path, device, small) == []


def test_the_prospective_current_is_that_of_source_or_bank() -> None:
    bank = replace(SIMULATED, bank=BankSpec("simulated", 1e-3, 800.0), loop=LoopSpec(20e-6, 0.02))

    assert prospective_current(SIMULATED) == 420.0
    assert prospective_current(bank) == pytest.approx(800 / 0.02)
    assert prospective_current(replace(SIMULATED, source=None)) == 0.0


def test_the_command_says_it_of_a_profile_once(tmp_path: Path) -> None:
    path, [place] = edited(tmp_path, "heater", {"\ncable:": "\n¶cable:", "rating: 36 A": "rating: 20 A"})
    done = CliRunner().invoke(check, [str(path)])

    assert done.exit_code == 2
    assert done.stderr.splitlines() == [f"{path}:{place}: the defaults need not trip up to 27.88 A; its rating is 20 A"]
