"""Build descriptions: the image is there and is the one that was meant, and the breaker can be asked for it."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner

from harness.cli import main
from harness.files.build import build_faults, load_build
from harness.files.marks import FileErrors
from harness.files.profile import load_device, shipped_device, shipped_plans
from harness.plan.plan import find_plans

HEATER = load_device(shipped_device("heater"))
PUMP = load_device(shipped_device("pump"))
TEXT = """\
format: 1
name: heater_next
title: Next
profile: heater
application_version: 1.5.0
checksum: 0A1B2C3D
image: next.image
sha256: {sha256}
"""


def write(folder: Path, text: str = TEXT, image: bytes = b"image") -> Path:
    (folder / "next.image").write_bytes(image)
    path = folder / "next.yaml"
    path.write_text(text.replace("{sha256}", hashlib.sha256(b"image").hexdigest()))
    return path


def test_a_build_is_what_its_description_says(tmp_path: Path) -> None:
    build = load_build(write(tmp_path))

    assert (build.name, build.profile, build.version, build.checksum) == ("heater_next", "heater", "1.5.0", "0A1B2C3D")
    assert build.image.read_bytes() == b"image"
    assert list(build_faults(build, HEATER)) == []


@pytest.mark.parametrize(
    ("edit", "image", "wanted"),
    [
        (("image: next", "image: other"), b"image", ":7:8: "),
        (("{sha256}", "0" * 64), b"image", ":8:9: next.image has SHA-256 "),
        (("", ""), b"another", ":8:9: next.image has SHA-256 "),
        (("0A1B2C3D", "xyz"), b"image", ":6:11: "),
        (("format: 1", "format: 2"), b"image", "format 2 is newer"),
        (("title: Next", "title: Next\ndevice: heater"), b"image", ":4:1: unknown key 'device'"),
    ],
)
def test_a_description_that_does_not_hold_is_refused(
    tmp_path: Path, edit: tuple[str, str], image: bytes, wanted: str
) -> None:
    path = write(tmp_path, TEXT.replace(*edit) if edit[0] else TEXT, image)

    with pytest.raises(FileErrors) as caught:
        load_build(path)

    assert wanted in str(caught.value)
    assert str(caught.value).count("\n") == 0


def test_a_build_that_the_breaker_cannot_be_asked_for_is_refused(tmp_path: Path) -> None:
    build = load_build(write(tmp_path))
    mute = replace(HEATER, identity=replace(HEATER.identity, records={}))

    assert [fault.message for fault in build_faults(build, mute)] == [
        "the profile heater names no record application_version",
        "the profile heater names no record application_checksum; leave it out",
    ]


def test_a_checksum_is_asked_for_where_the_breaker_reports_one(tmp_path: Path) -> None:
    build = load_build(write(tmp_path, TEXT.replace("checksum: 0A1B2C3D\n", "")))

    (fault,) = build_faults(build, HEATER)
    assert "want 'checksum'" in fault.message
    assert list(build_faults(build, PUMP)) == []


@pytest.mark.parametrize(("name", "device"), [("heater_1_5_0", HEATER), ("pump_1_5_0", PUMP)])
def test_the_shipped_builds_hold(name: str, device: object) -> None:
    build = load_build(shipped_plans() / "firmware" / f"{name}.yaml")

    assert list(build_faults(build, device)) == []  # type: ignore[arg-type]


def test_check_says_what_is_wrong_with_a_build(tmp_path: Path) -> None:
    good = CliRunner().invoke(main, ["check", str(write(tmp_path))])
    bad = CliRunner().invoke(main, ["check", str(write(tmp_path, image=b"another"))])

    assert (good.exit_code, good.output) == (0, "")
    assert bad.exit_code == 2
    assert "next.yaml:8:9: next.image has SHA-256" in bad.output


def test_plans_that_need_a_build_are_checked_with_the_others_and_run_by_name_only() -> None:
    done = CliRunner().invoke(main, ["check", str(shipped_plans())])
    found = {path.name for path in find_plans([shipped_plans()])}

    assert "heater_set_points_kept: " in done.output
    assert "heater_set_points_kept.yaml" not in found
    assert "01_node.yaml" in found
    assert find_plans([shipped_plans() / "firmware"]) != []
