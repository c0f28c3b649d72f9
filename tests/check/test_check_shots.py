"""What check refuses of shots from the capacitor bank, each for its own reason."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from harness.bench.hazard import Hazard
from harness.bench.spec import BenchSpec, load_bench, shipped_bench
from harness.check import check_plan
from harness.check.prediction import predict
from harness.files.profile import load_device, shipped_device
from harness.plan.plan import load_plan
from protocol.device import Device

BENCH = load_bench(shipped_bench("simulated"))
HEATER = load_device(shipped_device("heater"))
GOOD = """format: 1
name: shots
title: Shots
device: heater
steps:
  - power_cycle: {duration: 200 ms}
  - run_routine: {routine: release_lockout}
  - open
  - calibrate_loop: {voltage: 80 V}
  - close
  - short_circuit: {voltage: 400 V}
  - open: {name: acknowledged}
  - short_circuit: {name: closing, voltage: 400 V, closing: true}
"""


def found(folder: Path, text: str = GOOD, bench: BenchSpec = BENCH, device: Device = HEATER) -> list[str]:
    path = folder / "shots.yaml"
    path.write_text(text)
    return [
        str(error).removeprefix(f"{path}:").split(": ", 1)[1] for error in check_plan(load_plan(path), device, bench)
    ]


def test_a_good_plan_is_high_voltage_and_has_nothing_wrong(tmp_path: Path) -> None:
    assert found(tmp_path) == []
    cost = predict([load_plan(tmp_path / "shots.yaml")], HEATER, BENCH)
    assert (cost.hazard, cost.shots, cost.missing) == (Hazard.HIGH_VOLTAGE, 2, ())


@pytest.mark.parametrize(
    ("old", "new", "why"),
    [
        ("{voltage: 80 V}", "{voltage: 60 V}", "want more than 60 V"),
        (
            "{voltage: 80 V}",
            "{voltage: 120 V}",
            "up to 1200 A on the recorder's channel current, whose range ends at 1000 A",
        ),
        ("{voltage: 80 V}", "{voltage: 80 V, tolerance: 0 %}", "want more than 0 %"),
        ("  - open\n  - calibrate_loop", "  - close: {name: c}\n  - calibrate_loop", "is not known to be open here"),
        ("  - close\n", "", "is not known to be closed here"),
        ("  - open: {name: acknowledged}\n", "", "will refuse to close"),
        ("short_circuit: {voltage: 400 V}", "short_circuit: {voltage: 401 V}", "beyond the bank's 400 V"),
        ("short_circuit: {voltage: 400 V}", "short_circuit: {voltage: 701 V}", "beyond the device's 700 V"),
        ("{voltage: 400 V}", "{voltage: 400 V, function: overload}", "unknown comparator 'overload'"),
        ("  - calibrate_loop: {voltage: 80 V}\n", "", "no step calibrate_loop before this one"),
        (
            "  - close\n",
            "  - check_health: {leakage: {voltage: 700 V, at_most: 2 mA}}\n  - close\n",
            "bank and source feed the breaker in one plan",
        ),
    ],
)
def test_a_plan_that_asks_too_much_is_refused(tmp_path: Path, old: str, new: str, why: str) -> None:
    assert GOOD.count(old) == 1

    assert any(why in error for error in found(tmp_path, GOOD.replace(old, new))), found(
        tmp_path, GOOD.replace(old, new)
    )


def changed(**parts: object) -> BenchSpec:
    """The bench with fields of its parts changed, part__field."""
    bench = BENCH
    for name, value in parts.items():
        part, _, field = name.partition("__")
        bench = replace(bench, **{part: replace(getattr(bench, part), **{field: value}) if field else value})
    return bench


def recorder(name: str, **fields: object) -> BenchSpec:
    assert BENCH.recorder is not None
    channels = {**BENCH.recorder.channels, name: replace(BENCH.recorder.channels[name], **fields)}  # type: ignore[arg-type]
    return changed(recorder__channels=channels)


@pytest.mark.parametrize(
    ("bench", "why"),
    [
        (changed(limits__energy=100.0), "the bank holds 160 J at 400 V, and the enclosure takes 100 J"),
        (changed(limits__clamp_energy=0.5), " J, and the bench allows 0.5 J"),
        (changed(backup__breaking_current=10e3), "a short circuit would be 2e+04 A, and the backup breaks 1e+04 A"),
        (changed(backup__voltage=300.0), "beyond what the backup breaks, 300 V"),
        (changed(limits__energy=1.0), "the capacitors hold 2.4 J at 400 V, and the enclosure takes 1 J"),
        (changed(loop=None), "declares no loop"),
        (changed(interlock__relays={"contactor": 1}), "has no relay 'bypass'"),
        (changed(loop__resistance=4.0), "no good breaker need clear this"),
        (changed(bank=None), "bench simulated has no bank"),
        (changed(source__voltage=350.0), "beyond the source's 350 V"),
        (changed(recorder__shortest_interval=1e-6), "do not resolve a response of"),
        (recorder("current", range=150.0), "on the recorder's channel current, whose range ends at 150 A"),
        (recorder("switch_voltage", range=1000.0), "up to 1030 V on the recorder's channel switch_voltage"),
        (recorder("bank", range=410.0), "up to 400 V on the recorder's channel bank, whose range ends at 410 V"),
        (recorder("switch_voltage", gain=0.0), "switch_voltage declares no limits of error"),
        (recorder("bank", gain=0.0, offset=0.0), "bank declares no limits of error"),
    ],
)
def test_a_bench_that_does_not_stand_it_is_refused(tmp_path: Path, bench: BenchSpec, why: str) -> None:
    assert any(why in error for error in found(tmp_path, bench=bench)), found(tmp_path, bench=bench)


@pytest.mark.parametrize(
    ("ratings", "why"),
    [({"clamp": None}, "declares no clamp"), ({"peak_current": 150.0}, "let through, beyond the switch's 150 A")],
)
def test_a_device_that_does_not_stand_it_is_refused(tmp_path: Path, ratings: dict[str, object], why: str) -> None:
    device = replace(HEATER, ratings=replace(HEATER.ratings, **ratings))  # type: ignore[arg-type]

    assert any(why in error for error in found(tmp_path, device=device)), found(tmp_path, device=device)


def test_what_the_clamp_of_the_switch_stands(tmp_path: Path) -> None:
    assert HEATER.withstand is not None
    device = replace(HEATER, withstand=replace(HEATER.withstand, clamp_energy=0.5))
    first, second = found(tmp_path, device=device)
    assert first == second
    assert first.endswith(" J, and the switch stands 0.5 J")


def test_a_loop_that_may_be_found_far_from_what_is_declared(tmp_path: Path) -> None:
    """With a twentieth of the inductance, 1.5 us at 400 A/us let more through than the switch stands."""
    loose = GOOD.replace("{voltage: 80 V}", "{voltage: 80 V, tolerance: 95 %}")
    messages = found(tmp_path, loose)
    assert "up to 784 A let through, beyond the switch's 600 A" in messages
    assert found(tmp_path, GOOD.replace("{voltage: 80 V}", "{voltage: 80 V, tolerance: 50 %}")) == []


def test_in_which_mode_a_shot_is_made_is_known(tmp_path: Path) -> None:
    text = GOOD.replace("device: heater", "device: pump")
    messages = found(tmp_path, text, device=load_device(shipped_device("pump")))
    assert "the operating mode is not known here; put '- set_mode' before this step" in messages


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        ({"bandwidth": 100.0}, "the recorder is too slow: its edges take 3.5 ms"),
        ({"skew": 1e-3}, "the recorder's channels are up to 1 ms apart"),
    ],
)
def test_a_recorder_that_shows_no_response(tmp_path: Path, changes: dict[str, float], why: str) -> None:
    assert BENCH.recorder is not None
    bench = replace(BENCH, recorder=replace(BENCH.recorder, **changes))  # type: ignore[arg-type]
    messages = found(tmp_path, bench=bench)
    assert len(messages) == 2  # one for each shot
    assert all(message.startswith(why) for message in messages)


def test_nothing_is_injected_between_shots_without_isolation(tmp_path: Path) -> None:
    between = "  - open: {name: acknowledged}\n  - close: {name: again}\n  - expect_no_trip: {inject: 10 A, duration: 1 s}\n  - open: {name: off}\n"  # noqa: E501
    text = GOOD.replace("  - open: {name: acknowledged}\n", between)
    assert found(tmp_path, text) == []
    assert BENCH.injector is not None
    [message] = found(tmp_path, text, replace(BENCH, injector=replace(BENCH.injector, isolated_for=0.0)))
    assert message.startswith("the sensing input is energised here, 400 V, by steps before this one")
