"""Device profiles: what the heater's says, and what is wrong with others."""

from __future__ import annotations

import shutil
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
import yaml
from edited import marked

from harness.files.marks import FileError, FileErrors
from harness.files.profile import device_files, load_device, shipped_device, shipped_plans
from protocol.protection import Declared, InverseTime, Parameter, ThermalMemory

HEATER = Path(__file__).parents[2] / "testplans" / "devices" / "heater.yaml"
BAD: dict[str, dict[str, Any]] = yaml.safe_load((Path(__file__).parent / "bad_profile.yaml").read_text())


def complaints(path: Path) -> list[str]:
    with pytest.raises(FileErrors) as caught:
        load_device(path)
    return [str(error).removeprefix(f"{path}:") for error in caught.value.errors]


@pytest.mark.parametrize("case", BAD.values(), ids=BAD)
def test_bad_profile_gives_its_lines(tmp_path: Path, case: dict[str, Any]) -> None:
    text, places = marked(HEATER.read_text(), case["edits"])
    path = tmp_path / "heater.yaml"
    path.write_text(text)
    shutil.copy(HEATER.with_suffix(".ldf"), tmp_path)

    wanted = [message.replace("{folder}", str(tmp_path)) for message in case["wanted"]]
    assert complaints(path) == [f"{at}: {message}" for at, message in zip(places, wanted, strict=True)]


def test_faults_of_profile_and_ldf_come_together(tmp_path: Path) -> None:
    path, ldf = tmp_path / "heater.yaml", tmp_path / "heater.ldf"
    path.write_text(HEATER.read_text().replace("default: 27.5 A", "default: 40 A"))
    ldf.write_text(HEATER.with_suffix(".ldf").read_text().replace("HeaterInfo:    0x23", "HeaterInfo:    0x22"))

    assert [error.mark.path for error in _errors(path)] == [str(ldf), str(path)]


def test_all_faults_of_a_profile_at_once(tmp_path: Path) -> None:
    shutil.copy(HEATER.with_suffix(".ldf"), tmp_path)
    edits = {
        "default: 27.5 A": "default: ¶40 A",
        "close: 2": "close: ¶3",
        "latency: [0 ms, 25 ms]   # averaging window": "latency: ¶[9 s, 0 s]   # averaging window",
    }
    text, places = marked(HEATER.read_text(), edits)
    path = tmp_path / "heater.yaml"
    path.write_text(text)

    assert [f"{error.mark.line}:{error.mark.column}" for error in _errors(path)] == places


def _errors(path: Path) -> list[FileError]:
    with pytest.raises(FileErrors) as caught:
        load_device(path)
    return list(caught.value.errors)


def test_the_heater_is_what_its_profile_says() -> None:
    device = load_device(HEATER)
    pickup = device.set_points["overload_pickup"]

    assert (pickup.did, pickup.field.type, pickup.field.scale, pickup.field.unit) == (
        0x0101,
        "u16",
        Fraction(1, 100),
        "A",
    )
    assert (pickup.minimum, pickup.maximum, pickup.default) == (5, 32, Fraction("27.5"))
    assert device.set_points["overload_reset_level"].field.scale == Fraction(5, 1000)
    assert device.live["heat"].accuracy == 0.01
    assert device.fault_codes["overload"].dtc == 0x9A0119
    assert device.snapshot.record_number == 1
    assert [entry.source for entry in device.snapshot.fields] == [
        "current", "heat", "supply_voltage", "operate_time", "uptime", "trip_count", "heat_sink_temperature",
        "junction_temperature", "bus_voltage", "gate_rail_voltage",
    ]  # fmt: skip
    assert device.functions["overload"] == ThermalMemory(
        name="overload",
        pickup=Parameter("overload_pickup"),
        time_constant=Parameter("overload_time_constant"),
        cooling_time_constant=Parameter("overload_cooling_time_constant"),
        reset_level=Parameter("overload_reset_level"),
        cause="overload",
        priority=5,
        reaction="trip",
        declared=Declared(0.01, 0.1, 0.01, (0.0, 0.025)),  # the device's own
        kept_without_supply=False,
    )
    assert (device.timing.p2_ns, device.timing.p2_star_ns, device.timing.s3_ns) == (50_000_000, 2 * 10**9, 5 * 10**9)
    assert (device.identity.supplier_id, device.identity.function_id, device.identity.variant) == (0x7FFE, 0x25, 1)
    assert device.sessions["extended"].services >= {0x22, 0x2E}
    assert device.status.states == {"off": 0, "on": 1, "tripped": 2, "cooling": 3, "locked_out": 4}
    assert device.command.commands == {"none": 0, "open": 1, "close": 2}
    assert device.sensing.fast_period_ns == 50_000
    assert device.accuracy.latency == (0.0, 0.025)
    assert device.ratings.supply == (9.0, 16.0)


def test_the_pump_has_banks_a_lock_and_records_of_several_set_points() -> None:
    device = load_device(shipped_device("pump"))
    overload = device.functions["overload"]

    assert isinstance(overload, InverseTime)
    assert overload.pickup == Parameter(
        "overload_pickup_drive", None, {"drive": "overload_pickup_drive", "charge": "overload_pickup_charge"}
    )
    assert [point.name for point in device.group(0x2001)] == [
        "overload_pickup_drive", "overload_pickup_charge", "overload_multiplier",
    ]  # fmt: skip
    assert device.set_points["overload_pickup_drive"].field.byte_order == "little"
    assert (device.command.mode_signal, device.command.modes) == ("PmpMode", {"drive": 1, "charge": 2})
    assert device.security is not None
    assert (device.security.level, device.security.attempts, device.security.delay) == (1, 3, 10.0)
    assert device.functions["supply_low"].reaction == "block"
    assert (device.snapshot.first, device.snapshot.latest, device.snapshot.record_number) == (0x10, 0x11, 0x11)


def test_a_mode_that_does_not_fit_its_signal(tmp_path: Path) -> None:
    pump = shipped_device("pump")
    shutil.copy(pump.with_suffix(".ldf"), tmp_path)
    text, places = marked(pump.read_text(), {"values: {drive: 1, charge: 2}": "values: {drive: 1, charge: ¶256}"})
    path = tmp_path / "pump.yaml"
    path.write_text(text)

    [complaint] = complaints(path)

    assert complaint.startswith(f"{places[0]}: 256 does not fit PmpMode")


def test_a_fixed_parameter_is_in_si_units(tmp_path: Path) -> None:
    shutil.copy(HEATER.with_suffix(".ldf"), tmp_path)
    path = tmp_path / "heater.yaml"
    path.write_text(HEATER.read_text().replace(": overload_cooling_time_constant\n", ": 2 min\n"))

    assert load_device(path).functions["overload"].cooling_time_constant == Parameter(None, 120.0)


def test_the_digest_is_that_of_both_files(tmp_path: Path) -> None:
    path = tmp_path / "heater.yaml"
    shutil.copy(HEATER, path)
    ldf = Path(shutil.copy(HEATER.with_suffix(".ldf"), tmp_path))
    same = load_device(path).digest
    assert same == load_device(HEATER).digest

    ldf.write_text(ldf.read_text() + "\n")
    changed = load_device(path).digest
    path.write_text(path.read_text() + "\n")

    assert len({same, changed, load_device(path).digest}) == 3


def test_shipped_files() -> None:
    assert shipped_device("heater") == HEATER
    assert device_files(HEATER) == (HEATER, HEATER.with_suffix(".ldf"))
    assert (shipped_plans() / "low_voltage").is_dir()
    with pytest.raises(KeyError, match=r"no device 'fan'; there are .*heater, pump"):
        shipped_device("fan")
