from __future__ import annotations

import json

import pytest
from click.testing import CliRunner
from serial.tools.list_ports_common import ListPortInfo

from harness.cli import ports as module
from harness.cli.ports import ports


@pytest.fixture
def found(monkeypatch: pytest.MonkeyPatch) -> list[ListPortInfo]:
    found = [
        ListPortInfo("/dev/ttyUSB1", skip_link_detection=True),
        ListPortInfo("/dev/ttyS0", skip_link_detection=True),
    ]
    found[0].description = "LIN adapter"
    monkeypatch.setattr(module, "comports", lambda: found)
    return found


def test_ports_are_listed_in_order(found: list[ListPortInfo]) -> None:
    result = CliRunner().invoke(ports, [])
    assert result.exit_code == 0
    assert result.stdout.splitlines() == ["/dev/ttyS0\tn/a", "/dev/ttyUSB1\tLIN adapter"]


def test_json_is_one_port_a_line(found: list[ListPortInfo]) -> None:
    lines = CliRunner().invoke(ports, ["--json"]).stdout.splitlines()
    assert [json.loads(line)["device"] for line in lines] == ["/dev/ttyS0", "/dev/ttyUSB1"]
    assert json.loads(lines[1])["description"] == "LIN adapter"


def test_no_port_says_so_beside_the_list(found: list[ListPortInfo]) -> None:
    found.clear()
    result = CliRunner().invoke(ports, [])
    assert (result.exit_code, result.stdout) == (0, "")
    assert "no serial port" in result.stderr
