"""Benches that would hurt somebody are refused, each with its own reason, at its own place."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
import yaml
from click.testing import CliRunner
from edited import marked

from harness.bench.spec import load_bench, shipped_bench
from harness.cli import main
from harness.files.marks import FileErrors

UNSAFE: dict[str, dict[str, Any]] = yaml.safe_load((Path(__file__).parent / "unsafe_bench.yaml").read_text())


@pytest.mark.parametrize("case", UNSAFE.values(), ids=UNSAFE)
def test_an_unsafe_bench_is_refused_with_its_reason(tmp_path: Path, case: dict[str, Any]) -> None:
    path = tmp_path / "bench.yaml"
    text, places = marked(shipped_bench("served").read_text(), case["edits"])
    path.write_text(text)

    with pytest.raises(FileErrors) as caught:
        load_bench(path)

    found = [str(error).removeprefix(f"{path}:") for error in caught.value.errors]
    assert found == [f"{at}: {message}" for at, message in zip(places, case["wanted"], strict=True)]


def test_there_are_25_or_more_and_no_two_have_the_same_reason() -> None:
    reasons = [message for case in UNSAFE.values() for message in case["wanted"][:1]]

    assert len(set(reasons)) >= 25


def test_check_refuses_an_unsafe_bench_and_says_where(tmp_path: Path) -> None:
    path = tmp_path / "bench.yaml"
    path.write_text(shipped_bench("served").read_text().replace("voltage: 1000 V", "voltage: 500 V"))

    shown = CliRunner().invoke(main, ["check", str(path)])

    assert shown.exit_code == 2
    assert "500 V: cannot break 750 V" in shown.output


@pytest.mark.parametrize("name", ["simulated", "served", "served_pty"])
def test_the_shipped_benches_are_safe(name: str) -> None:
    assert load_bench(shipped_bench(name)).interlock is not None


def test_what_is_isolated_for_the_highest_voltage_may_stay_connected(tmp_path: Path) -> None:
    path = tmp_path / "bench.yaml"
    path.write_text(shipped_bench("served").read_text().replace("isolated_for: 1000 V", "isolated_for: 750 V"))

    assert load_bench(path).bus_signal is not None


def test_a_simulated_bench_says_as_well_what_its_stand_ins_are_isolated_for(tmp_path: Path) -> None:
    path = tmp_path / "bench.yaml"
    path.write_text(shipped_bench("simulated").read_text().replace("isolated_for: 1000 V", "isolated_for: 60 V"))

    with pytest.raises(FileErrors) as caught:
        load_bench(path)

    roles = ("gate_supply", "bus_signal", "ntc", "programming")  # and not the injector, which is at rest meanwhile
    assert [error.message.split()[2] for error in caught.value.errors] == list(roles)


def test_a_bench_without_high_voltage_needs_none_of_it(tmp_path: Path) -> None:
    path = tmp_path / "bench.yaml"
    path.write_text(
        "format: 1\nname: low\ntitle: Low voltage only\nlin: {port: /dev/null}\nroles:\n"
        '  supply_12v: {resource: "TCPIP::127.0.0.1::9::SOCKET", voltage: 13.5 V, current_limit: 2 A}\n'
        '  programming: {resource: "TCPIP::127.0.0.1::10::SOCKET"}\n'
    )

    assert load_bench(path).source is None
