"""When two names mean one resource."""

from __future__ import annotations

from itertools import combinations
from pathlib import Path

import pytest

from harness.bench.resource import SIMULATED, canonical

ONE_AND_THE_SAME = [
    (
        *("TCPIP::127.0.0.1::5025::SOCKET", "TCPIP0::127.0.0.1::5025::SOCKET", "tcpip::127.0.0.1::5025::socket"),
        *("TCPIP::localhost::5025::SOCKET", "TCPIP1::LocalHost.::05025::SOCKET", "TCPIP::127.1::5025::SOCKET"),
        "TCPIP::0.0.0.0::5025::SOCKET",
    ),
    (
        *("TCPIP::scope.lab", "TCPIP0::SCOPE.lab::INSTR", "tcpip::scope.lab::inst0", "TCPIP::scope.lab::INST0::instr"),
        "TCPIP0::scope.lab::inst0::INSTR",
    ),
    ("GPIB::5", "GPIB0::5::INSTR", "gpib::05::instr", "GPIB00::5"),
    ("GPIB::5::0", "GPIB0::5::0::INSTR"),
    (
        *("USB::0x1234::0x00AB::SN7", "USB0::0x1234::0xab::SN7::INSTR", "usb0::4660::171::sn7::0::INSTR"),
        "USB0::0x1234::0x00ab::SN7::0",
    ),
    ("ASRL::INSTR", "ASRL0::INSTR", "asrl0::instr"),
    ("ASRL1::INSTR", "asrl1::INSTR", "ASRL01::INSTR"),
    ("linwire://127.0.0.1:47110", "LINWIRE://localhost:47110"),
    ("COM3", "com3"),
    ("/dev/nowhere/x", "/dev/nowhere/../nowhere/x", "ASRL/dev/nowhere/x::INSTR", "asrl/dev/nowhere/x::instr"),
]
DIFFERENT = [
    *(names[0] for names in ONE_AND_THE_SAME),
    *("TCPIP::127.0.0.1::5026::SOCKET", "TCPIP::10.0.0.1::5025::SOCKET", "TCPIP::127.0.0.1::5025", SIMULATED),
    *("TCPIP::scope.lab::inst1::INSTR", "TCPIP::scope.lab::hislip0", "GPIB1::5", "GPIB::6", "/dev/nowhere/X"),
    *("USB::0x1234::0x00AB::SN7::1::INSTR", "USB::0x1234::0x00AB::SN8", "USB::0x1234::0x00AB::SN7::RAW"),
]


@pytest.mark.parametrize("names", ONE_AND_THE_SAME, ids=lambda names: names[0])
def test_spellings_of_one_resource(names: tuple[str, ...]) -> None:
    assert len({canonical(name) for name in names}) == 1
    assert canonical(canonical(names[0])) == canonical(names[0])


def test_resources_that_are_not_one() -> None:
    assert [pair for pair in combinations(DIFFERENT, 2) if canonical(pair[0]) == canonical(pair[1])] == []


def test_a_serial_line_is_the_device_that_its_links_lead_to(tmp_path: Path) -> None:
    (tmp_path / "by-id").symlink_to("/dev/null")

    assert {canonical(name) for name in (f"ASRL{tmp_path}/by-id::INSTR", "/dev/null", f"{tmp_path}/by-id")} == {
        "/dev/null"
    }
