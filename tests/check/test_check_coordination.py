"""Profiles whose defaults leave cable or switch unprotected on a bench, at the section that says so."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner
from edited import marked

from harness.bench.safety_spec import BankSpec, LoopSpec
from harness.bench.spec import load_bench, shipped_bench
from harness.check.coordination_rules import check_defaults, prospective_current
from harness.cli.check import check
from harness.files.profile import load_device, shipped_device

SIMULATED = load_bench(shipped_bench("simulated"))
THIN = {"\ncable:": "\n¶cable:", "area: 2.5 mm2": "area: 0.1 mm2"}
# k S / sqrt(5) = 143.08 * 0.1 / 2.236 = 6.399 A, and the pickup is 27.5 A
NOT_SAVED = (
    "at the defaults, cable, 0.1 mm2 copper, xlpe 90 degC: the cable is not saved: at 6.399 A it need not operate"
)


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
        (THIN, NOT_SAVED),
        # 100 ms of delay, 1 % of the timer, 1.5 ms of latency: 102.5 ms at worst
        (
            {"\nwithstand:": "\n¶withstand:", "[120 A, 1 s], [150 A, 200 ms]": "[120 A, 101 ms], [150 A, 100 ms]"},
            "at the defaults, switch, withstand: its own switch is not saved: at 120 A it may take 102.5 ms, "
            "and the line is at 101 ms",
        ),
    ],
    ids=["thin cable", "weak switch"],
)
def test_defaults_that_do_not_save(tmp_path: Path, edits: dict[str, str], wanted: str) -> None:
    path, [place] = edited(tmp_path, "heater", edits)
    [found] = check_defaults(path, load_device(path), SIMULATED)

    assert str(found).startswith(f"{path}:{place}: {wanted}")


def test_each_mode_is_judged_and_named(tmp_path: Path) -> None:
    path, [place] = edited(tmp_path, "pump", {"\ncable:": "\n¶cable:", "area: 10 mm2": "area: 0.5 mm2"})
    found = [str(fault) for fault in check_defaults(path, load_device(path), SIMULATED)]

    # 32 A for 5 s: in drive the pickup of 66 A is above it; in charge 22 A is below, and the breaker takes longer
    assert [words.partition(", cable,")[0] for words in found] == [
        f"{path}:{place}: at the defaults, mode drive",
        f"{path}:{place}: at the defaults, mode charge",
    ]
    assert "need not operate" in found[0]
    assert "may take" in found[1]


def test_a_bench_that_cannot_drive_so_much_current_does_no_harm(tmp_path: Path) -> None:
    path, _ = edited(tmp_path, "heater", {"[120 A, 1 s], [150 A, 200 ms]": "[120 A, 101 ms], [150 A, 100 ms]"})
    device = load_device(path)
    assert SIMULATED.source is not None
    small = replace(SIMULATED, source=replace(SIMULATED.source, current=100.0), bank=None)

    assert len(check_defaults(path, device, SIMULATED)) == 1
    assert check_defaults(path, device, small) == []


def test_the_prospective_current_is_that_of_source_or_bank() -> None:
    alone = replace(SIMULATED, bank=None)
    bank = replace(
        SIMULATED, bank=BankSpec("simulated", 1e-3, 800.0, 1.0, 100.0, 3.0, 0.0, 0.0), loop=LoopSpec(20e-6, 0.02)
    )

    assert prospective_current(alone) == 420.0
    assert prospective_current(bank) == pytest.approx(800 / 0.02)
    assert prospective_current(replace(alone, source=None)) == 0.0


def test_the_command_says_it_of_a_profile(tmp_path: Path) -> None:
    path, [place] = edited(tmp_path, "heater", THIN)
    done = CliRunner().invoke(check, [str(path)])

    assert done.exit_code == 2
    assert done.stderr.startswith(f"{path}:{place}: {NOT_SAVED}")
    assert len(done.stderr.splitlines()) == 1


def test_a_plan_on_such_a_device_is_not_run(tmp_path: Path) -> None:
    (tmp_path / "devices").mkdir()
    path, [place] = edited(tmp_path / "devices", "heater", THIN)
    plan = tmp_path / "plan.yaml"
    plan.write_text("format: 1\nname: plan\ntitle: A plan\ndevice: heater\nsteps:\n  - identify\n")
    done = CliRunner().invoke(check, [str(plan)])

    assert done.exit_code == 2
    assert done.stderr.startswith(f"{path}:{place}: {NOT_SAVED}")
