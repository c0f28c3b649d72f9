"""`breakerbench bench` on the simulated bench: the screen, the lines of JSON, what is kept."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from harness.bench.spec import shipped_bench
from harness.cli import main
from harness.record.inspection import read_measured

SIMULATED = shipped_bench("simulated")


def run(*arguments: str, columns: int = 80) -> tuple[int, str, str]:
    shown = CliRunner(env={"COLUMNS": str(columns)}).invoke(main, ["bench", *arguments], catch_exceptions=False)
    return shown.exit_code, shown.stdout, shown.stderr


def test_a_table_of_80_columns_with_cautions_ahead_of_it(tmp_path: Path) -> None:
    code, out, said = run(str(SIMULATED), "--runs", str(tmp_path))

    assert code == 0
    assert said.startswith("- An open solid-state breaker does not isolate")
    assert "goes up to 50 V and no further" in said
    assert "SIMULATED BENCH: no evidence about a real breaker" in said
    assert max(map(len, out.splitlines())) <= 80
    assert {"role", "done", "found", "wanted"} <= set(out.splitlines()[0].split())
    assert "what to fix" not in out


def test_json_lines_hold_every_row_and_what_was_measured(tmp_path: Path) -> None:
    code, out, _ = run(str(SIMULATED), "--runs", str(tmp_path), "--json")
    *rows, summary = map(json.loads, out.splitlines())

    assert code == summary["exit_code"] == 0
    assert {row["type"] for row in rows} == {"check"}
    assert summary["counts"] == {"ok": len(rows), "fault": 0, "not looked at": 0}
    kept = read_measured(tmp_path, "simulated")
    assert kept is not None and dict(kept.cut_s) == summary["cut_s"]
    assert kept.digest == summary["digest"]


def test_a_fault_is_below_the_table_with_what_to_fix(tmp_path: Path) -> None:
    path = tmp_path / "bench.yaml"
    path.write_text(SIMULATED.read_text().replace("hold: 200 ms", "hold: 100 ms"))

    code, out, _ = run(str(path), "--runs", str(tmp_path), columns=200)

    assert code == 5
    assert (
        "- watchdog (line no longer fed): watchdog line: its relay holds longer than 'hold'"
        in out.partition("what to fix")[2]
    )


def test_a_bench_where_nobody_answers_is_not_said_to_be_off(tmp_path: Path) -> None:
    path = tmp_path / "bench.yaml"
    path.write_text(shipped_bench("served").read_text())
    path.write_text(re.sub(r"127\.0\.0\.1(:+)47", r"127.0.0.1\g<1>9", path.read_text()))  # ports 9110 to 9124

    code, out, _ = run(str(path), "--runs", str(tmp_path), columns=200)

    assert code == 5
    last = next(line for line in out.splitlines() if "everything switched off" in line)
    assert "not known of interlock, voltmeter, source" in last
    assert "not looked at" in last
    (fix,) = (line for line in out.splitlines() if line.startswith("- supply_12v"))
    assert "source, load, injector" in fix  # one line for all of them


def test_an_unsafe_file_and_an_unknown_device_are_usage_errors(tmp_path: Path) -> None:
    path = tmp_path / "bench.yaml"
    path.write_text(SIMULATED.read_text().replace("voltage: 1000 V", "voltage: 500 V"))

    assert run(str(path))[0] == 2
    assert run(str(SIMULATED), "--device", "nothing")[0] == 2


def test_what_cannot_be_kept_is_an_error(tmp_path: Path) -> None:
    (tmp_path / "benches").write_text("a file")

    code, _, said = run(str(SIMULATED), "--runs", str(tmp_path))

    assert code == 5
    assert "cannot be written" in said


@pytest.mark.parametrize("role", ["source", "interlock"])
def test_an_instrument_that_does_not_answer_leaves_the_others_to_be_looked_at(tmp_path: Path, role: str) -> None:
    path = tmp_path / "bench.yaml"
    text = SIMULATED.read_text()
    for there in ("source: {", "interlock:\n"):
        if there.startswith(role):
            entry = 'identity: "Maker,Model"'
            text = text.replace(f"  {there}", f"  {there}{entry}, " if "{" in there else f"  {there}    {entry}\n")
    path.write_text(text)

    code, out, _ = run(str(path), "--runs", str(tmp_path), "--json")
    *rows, _ = map(json.loads, out.splitlines())

    assert code == 5
    (asked,) = (row for row in rows if row["role"] == role and row["done"] == "asked who it is")
    assert asked["verdict"] == "fault"
    assert any(row["found"] == f"no answer from {role}" for row in rows)
    assert sum(row["verdict"] == "ok" for row in rows) > 15


def test_a_fault_takes_back_what_an_inspection_before_has_found(tmp_path: Path) -> None:
    path, runs = tmp_path / "bench.yaml", tmp_path / "runs"
    assert run(str(SIMULATED), "--runs", str(runs))[0] == 0
    assert read_measured(runs, "simulated") is not None
    path.write_text(SIMULATED.read_text().replace("hold: 200 ms", "hold: 100 ms"))

    assert run(str(path), "--runs", str(runs))[0] == 5
    assert read_measured(runs, "simulated") is None
