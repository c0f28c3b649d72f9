"""A build put in, and recognised: nothing but the build that was meant is tested."""

from __future__ import annotations

import hashlib
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from harness.bench.flash import run_flash as flash_command
from harness.bench.spec import load_bench
from harness.bench.visa import VisaLink
from harness.cli import main
from harness.files.build import Build
from harness.files.profile import shipped_plans
from harness.plan.steps import Flash, OpenSwitch
from harness.record.reader import Record
from harness.run import flash
from harness.run.flash import FlashError, put_in, run_flash
from harness.run.observe import read_identity
from harness.run.step_errors import StepError, StepFail
from harness.run.switch import run_open
from mocks.image import make_image, read_image
from tests.run.run_rig import HEATER, PUMP, Rig, reasons

FIRMWARE = shipped_plans() / "firmware"
PRODUCT = (0x7FFE, 0x0025, 1)
PUMP_PRODUCT = (0x7FFD, 0x0060, 3)


def a_build(
    folder: Path,
    software: int = 0x150,
    said: str = "1.5.0",
    product: tuple[int, int, int] = PRODUCT,
    spoil: Callable[[bytes], bytes] = lambda image: image,
) -> Build:
    """A build that is described as ``said``; its image is of ``software``, and spoilt by ``spoil``."""
    whole = make_image(product, software, b"next")
    content = spoil(whole)
    (folder / "next.image").write_bytes(content)
    checksum = f"{read_image(whole).checksum:08X}" if product == PRODUCT else None
    sha256 = hashlib.sha256(content).hexdigest()
    image, description = folder / "next.image", folder / "next.yaml"
    return Build("next", "Next", "heater", said, checksum, image, sha256, description, "")


@pytest.fixture
def rig(tmp_path: Path) -> Rig:
    return Rig(tmp_path, HEATER)


def events(rig: Rig, kind: str) -> list[dict[str, object]]:
    rig.journal.event(rig.bench.clock.now_ns(), "look", {})
    record = Record(rig.journal.folder)
    try:
        return [dict(event.detail) for event in record.events() if event.kind == kind]
    finally:
        record.close()


def test_the_build_is_in_and_the_set_points_are_kept(rig: Rig, tmp_path: Path) -> None:
    rig.write("overload_pickup", 18.25)

    held = put_in(a_build(tmp_path), HEATER, rig.bench, rig.ledger)

    assert held == []
    assert rig.ledger.unit is not None
    assert rig.ledger.unit.records["application_version"] == "1.5.0"
    assert float(rig.ledger.asked("overload_pickup")) == 18.25
    (flash,) = events(rig, "flash")
    assert (flash["exit_code"], flash["problem"], flash["version"]) == (0, None, "1.5.0")
    assert "done" in str(flash["output"])
    before, after = flash["before"], flash["after"]
    assert isinstance(before, dict)
    assert isinstance(after, dict)
    assert (before["application_version"], after["application_version"]) == ("1.4.2", "1.5.0")
    assert before["serial_number"] == after["serial_number"]
    assert len(events(rig, "flashing")) == 1


def test_the_pump_resets_its_set_points_and_is_to(tmp_path: Path) -> None:
    rig = Rig(tmp_path, PUMP)
    rig.write("overload_reset_level", 0.55)

    assert put_in(a_build(tmp_path, product=PUMP_PRODUCT), PUMP, rig.bench, rig.ledger) == []

    assert float(rig.ledger.asked("overload_reset_level")) == 0.4


@pytest.mark.parametrize(
    ("device", "product", "wanted"),
    [
        (
            HEATER,
            PRODUCT,
            "overload_reset_level is 0.5 after programming, wanted 0.625: the profile says that it is kept",
        ),
        (
            PUMP,
            PUMP_PRODUCT,
            "overload_reset_level is 0.55 after programming, wanted 0.4: the profile says that it is reset to its"
            " default",
        ),
    ],
    ids=["kept", "reset"],
)
def test_set_points_that_are_not_as_the_profile_says_are_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, device: object, product: tuple[int, int, int], wanted: str
) -> None:
    rig = Rig(tmp_path, device)  # type: ignore[arg-type]
    node = rig.world.node
    rig.write("overload_reset_level", 0.625 if device is HEATER else 0.55)
    defaults, now_ns = rig.world.firmware.calibration.defaults, rig.world.clock.now_ns
    defect = (lambda: node.diagnosis.configuration.write(defaults, now_ns())) if device is HEATER else (lambda: None)
    monkeypatch.setattr(node, "programming", defect)

    held = put_in(a_build(tmp_path, product=product), device, rig.bench, rig.ledger)  # type: ignore[arg-type]

    assert held == [wanted]


@pytest.mark.parametrize(
    ("build", "wanted"),
    [
        (
            {"spoil": lambda image: image.replace(b"data 6E", b"data 6F")},
            "the breaker fell back to the image that it had",
        ),
        ({"software": 0x135}, "an older image: it runs version 1.3.5"),
        ({"software": 0x160}, "not the image that was meant: it runs version 1.6.0"),
        ({"said": "1.5.1"}, "an older image: it runs version 1.5.0"),
        ({"spoil": lambda image: b"rubbish"}, "the command ended with status 1 (REFUSED no image of format 1)"),
        ({"product": PUMP_PRODUCT}, "the command ended with status 1 (REFUSED the image is another product's)"),
    ],
    ids=["fallback", "older", "newer", "older_than_described", "no_image", "other_product"],
)
def test_whatever_is_not_the_build_is_an_error(rig: Rig, tmp_path: Path, build: dict[str, object], wanted: str) -> None:
    with pytest.raises(FlashError) as caught:
        put_in(a_build(tmp_path, **build), HEATER, rig.bench, rig.ledger)  # type: ignore[arg-type]

    assert wanted in str(caught.value)
    (flash,) = events(rig, "flash")
    assert str(flash["problem"]) in str(caught.value)


def test_the_same_image_once_more_is_no_fallback(rig: Rig, tmp_path: Path) -> None:
    build = a_build(tmp_path)
    put_in(build, HEATER, rig.bench, rig.ledger)

    assert put_in(build, HEATER, rig.bench, rig.ledger) == []


def test_a_checksum_alone_tells_two_builds_of_one_version_apart(rig: Rig, tmp_path: Path) -> None:
    build = a_build(tmp_path)
    other = make_image(PRODUCT, 0x150, b"other")
    (tmp_path / "next.image").write_bytes(other)

    with pytest.raises(FlashError, match=f"it runs version 1.5.0, checksum {read_image(other).checksum:08X}"):
        put_in(build, HEATER, rig.bench, rig.ledger)


def test_another_unit_is_told_from_another_image(rig: Rig, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    adopt = rig.world.node.adopt

    def swapped(image: object) -> None:
        rig.world.node._seed += 1
        adopt(image)  # type: ignore[arg-type]

    monkeypatch.setattr(rig.world.node, "adopt", swapped)

    with pytest.raises(FlashError, match="another unit answers now: serial_number changed"):
        put_in(a_build(tmp_path), HEATER, rig.bench, rig.ledger)


def test_a_breaker_that_does_not_come_back_is_told(rig: Rig, tmp_path: Path) -> None:
    rig.world.firmware.on_power_on = lambda: setattr(rig.world.node, "_awake_ns", 1 << 62)

    with pytest.raises(FlashError, match="does not answer on the bus"):
        put_in(a_build(tmp_path), HEATER, rig.bench, rig.ledger)


def test_nothing_is_put_into_a_closed_breaker(rig: Rig, tmp_path: Path) -> None:
    rig.close()

    with pytest.raises(StepError, match="the switch is closed"):
        put_in(a_build(tmp_path), HEATER, rig.bench, rig.ledger)

    assert events(rig, "flashing") == []
    assert rig.run(run_open, OpenSwitch()).findings == []


def test_a_bench_without_the_command_is_told(tmp_path: Path) -> None:
    rig = Rig(tmp_path, HEATER, commands={})

    with pytest.raises(StepError, match="no command `flash`"):
        put_in(a_build(tmp_path), HEATER, rig.bench, rig.ledger)


def test_a_step_without_a_build_is_not_run(rig: Rig) -> None:
    assert reasons(rig.run(run_flash, Flash())) == "not-run: no build to put in: name one with --build"


# Whole runs


def run(*arguments: str, folder: Path) -> tuple[int, str, Record]:
    done = CliRunner().invoke(main, ["run", *arguments, "--runs", str(folder / "runs")])
    (record,) = (folder / "runs").iterdir()
    return done.exit_code, done.output, Record(record)


def test_the_shipped_plans_pass_with_the_shipped_builds(tmp_path: Path) -> None:
    builds = [f"--build={FIRMWARE / name}_1_5_0.yaml" for name in ("heater", "pump")]

    code, told, record = run(str(FIRMWARE), *builds, folder=tmp_path)

    assert code == 0, told
    assert len([event for event in record.events() if event.kind == "flash"]) == 4  # before the plan, and in it
    inputs = [Path(each.path).name for each in record.inputs() if each.role == "build"]
    assert inputs == ["heater_1_5_0.yaml", "heater_1_5_0.image", "pump_1_5_0.yaml", "pump_1_5_0.image"]
    record.close()


def test_a_plan_that_needs_a_build_is_not_run_without_one(tmp_path: Path) -> None:
    code, told, record = run(str(FIRMWARE / "heater_set_points_kept.yaml"), folder=tmp_path)
    record.close()

    assert code == 3, told
    assert "no build to put in: name one with --build" in told.replace("\n", " ")


def described(folder: Path, image: bytes, **edits: str) -> Path:
    text = (FIRMWARE / "heater_1_5_0.yaml").read_text()
    values = {"image": "b.image", "sha256": hashlib.sha256(image).hexdigest(), **edits}
    lines = [
        f"{key}: {values[key]}" if (key := line.partition(":")[0]) in values else line for line in text.splitlines()
    ]
    (folder / "b.image").write_bytes(image)
    (folder / "b.yaml").write_text("\n".join(lines) + "\n")
    return folder / "b.yaml"


def test_nothing_is_tested_on_a_breaker_that_fell_back(tmp_path: Path) -> None:
    whole = (FIRMWARE / "heater_1_5_0.image").read_bytes()
    build = described(tmp_path, whole.replace(b"data ", b"data FF"))

    code, told, record = run(str(shipped_plans() / "low_voltage" / "01_node.yaml"), f"--build={build}", folder=tmp_path)

    assert code == 5, told
    results = list(record.results())
    assert {result.verdict.value for result in results} == {"not-run"}
    assert "fell back to the image that it had before" in results[0].reasons[0]
    assert any(event.kind == "making_safe" for event in record.events())
    record.close()


@pytest.mark.parametrize(
    ("edits", "more", "wanted"),
    [
        ({"profile": "pump"}, [], "a build for pump, and no plan of this run is for that device"),
        ({"sha256": "0" * 64}, [], "it is not the image that was meant"),
        ({}, ["again"], "is a build for heater already"),
    ],
)
def test_a_build_that_does_not_fit_is_a_file_error(
    tmp_path: Path, edits: dict[str, str], more: list[str], wanted: str
) -> None:
    build = described(tmp_path, (FIRMWARE / "heater_1_5_0.image").read_bytes(), **edits)
    plan = str(shipped_plans() / "low_voltage" / "01_node.yaml")

    done = CliRunner().invoke(
        main, ["run", plan, "--runs", str(tmp_path / "runs"), *([f"--build={build}"] * (1 + len(more)))]
    )

    assert done.exit_code == 2
    assert wanted in done.output
    assert not (tmp_path / "runs").exists()


def test_the_served_bench_has_the_connector_that_the_command_talks_to(serving: Callable[..., Any]) -> None:
    """The command alone: what a run makes of it does not depend on where the connector is."""
    spec = load_bench(serving().ready)
    assert spec.programming is not None
    values = {"{programming}": spec.programming.resource, "{image}": str(FIRMWARE / "heater_1_5_0.image")}

    unsupplied = flash_command(spec.commands["flash"], values, 60.0, lambda: None)
    with supplied(spec.supply_12v.resource):
        done = flash_command(spec.commands["flash"], values, 60.0, lambda: None)

    assert (unsupplied.exit_code, unsupplied.output.splitlines()[-1]) == (1, "REFUSED no supply")
    assert (done.exit_code, done.output.splitlines()[-1]) == (0, "done")


@contextmanager
def supplied(resource: str) -> Iterator[None]:
    """12 V on the served breaker, long enough for its controller to run."""
    link = VisaLink(resource)
    try:
        for line in ("VOLT 13.5", "CURR 2", "OUTP ON"):
            link.write(line)
        time.sleep(1.0)
        yield
    finally:
        link.write("OUTP OFF")
        link.close()


def test_who_a_unit_is_is_asked_again_where_an_answer_is_lost(
    rig: Rig, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(flash, "read_identity", losing(read_identity, asked=[1, 1, 0]))
    assert put_in(a_build(tmp_path), HEATER, rig.bench, rig.ledger) == []

    monkeypatch.setattr(flash, "read_identity", losing(read_identity, asked=[1, 1, 1]))
    with pytest.raises(FlashError, match="a lost answer"):
        put_in(a_build(tmp_path), HEATER, rig.bench, rig.ledger)


def losing(read: Callable[..., Any], asked: list[int]) -> Callable[..., Any]:
    """Loses answers after the first one as ``asked`` says."""
    lost = iter([0, *asked])

    def ask(*arguments: object) -> Any:
        if next(lost):
            raise StepFail("a lost answer")
        return read(*arguments)

    return ask
