"""`breakerbench export`, and `run --junit`: the files that other programs read."""

from __future__ import annotations

import json
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest
import xmlschema
from click.testing import CliRunner

from harness.cli import main

PLAN = """\
format: 1
name: short
title: Short
device: heater
steps:
  - power_cycle: {duration: 500 ms}
  - check_status: {name: wrong, state: on}
"""
SCHEMA = xmlschema.XMLSchema(Path(__file__).parents[1] / "vectors" / "junit.xsd")


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[str]]:
    """The folder of a run that failed, with its JUnit XML beside it; what it printed."""
    folder = tmp_path_factory.mktemp("export")
    (folder / "plan.yaml").write_text(PLAN)
    arguments = ["run", str(folder / "plan.yaml"), "--runs", str(folder / "runs"), "--json"]
    done = CliRunner().invoke(main, [*arguments, "--junit", str(folder / "run.xml")])
    assert done.exit_code == 1, done.output
    (record,) = (folder / "runs").iterdir()
    return record, done.stdout.splitlines()


def export(*arguments: str) -> tuple[int, str, str]:
    done = CliRunner().invoke(main, ["export", *arguments])
    return done.exit_code, done.stdout, done.stderr


def test_the_same_junit_xml_at_the_end_of_a_run_and_from_its_record(run: tuple[Path, list[str]]) -> None:
    record, _ = run

    assert export(str(record), "--junit", str(record / "again.xml"))[0] == 0

    written = (record.parents[1] / "run.xml").read_bytes()
    assert (record / "again.xml").read_bytes() == written
    SCHEMA.validate(written.decode())
    cases = list(ET.fromstring(written).iter("testcase"))
    assert [(case.get("name"), case.find("failure") is not None) for case in cases] == [
        ("power_cycle_1", False),
        ("wrong", True),
    ]


def test_json_lines_from_the_record_are_those_that_were_printed(run: tuple[Path, list[str]]) -> None:
    record, printed = run

    code, text, _ = export(str(record), "--jsonl", "-")

    assert code == 0
    assert text.splitlines() == printed[:-1]
    assert json.loads(printed[-1])["type"] == "summary"


def test_csv_to_a_file(run: tuple[Path, list[str]], tmp_path: Path) -> None:
    assert export(str(run[0]), "--csv", str(tmp_path / "run.csv"))[0] == 0

    lines = (tmp_path / "run.csv").read_text().splitlines()
    assert lines[0].startswith("mark,started,device,id,")
    assert len(lines) == 3


def test_nothing_asked_for_is_a_usage_error(run: tuple[Path, list[str]]) -> None:
    code, _, told = export(str(run[0]))

    assert code == 2
    assert "want --junit, --csv or --jsonl" in told


def test_no_record_is_one_line_and_exit_code_2(tmp_path: Path) -> None:
    code, _, told = export(str(tmp_path), "--csv", "-")

    assert (code, told.count("\n")) == (2, 1)
    assert "no run record here" in told


def test_a_file_that_cannot_be_written_is_one_line_and_exit_code_2(run: tuple[Path, list[str]], tmp_path: Path) -> None:
    code, _, told = export(str(run[0]), "--csv", str(tmp_path / "nowhere" / "run.csv"))

    assert (code, told.count("\n")) == (2, 1)


def test_a_run_whose_junit_xml_cannot_be_written_is_no_good_run(tmp_path: Path) -> None:
    (tmp_path / "plan.yaml").write_text(PLAN.replace("state: on", "state: off"))
    arguments = ["run", str(tmp_path / "plan.yaml"), "--runs", str(tmp_path / "runs")]

    (tmp_path / "taken").mkdir()
    done = CliRunner().invoke(main, [*arguments, "--junit", str(tmp_path / "taken")])

    assert done.exit_code == 5
    assert "cannot write the JUnit XML" in done.stderr
