"""Bench files: what they say, what is wrong with others, and which bench is simulated."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import yaml
from edited import marked

from harness.bench.instrument_spec import ChannelSpec, LinSpec, SignalSpec, SourceSpec
from harness.bench.spec import SIMULATED, load_bench, shipped_bench
from harness.files.marks import FileErrors

BENCHES = Path(__file__).parents[2] / "testplans" / "benches"


def complaints(path: Path, text: str, seed: int | None = None) -> list[str]:
    path.write_text(text)
    with pytest.raises(FileErrors) as caught:
        load_bench(path, seed)
    return [str(error).removeprefix(f"{path}:") for error in caught.value.errors]


BAD: dict[str, dict[str, Any]] = yaml.safe_load((Path(__file__).parent / "bad_bench.yaml").read_text())


@pytest.mark.parametrize("case", BAD.values(), ids=BAD)
def test_bad_bench_gives_its_lines(tmp_path: Path, case: dict[str, Any]) -> None:
    text, places = marked((BENCHES / f"{case['bench']}.yaml").read_text(), case["edits"])

    found = complaints(tmp_path / "bench.yaml", text)

    assert found == [f"{at}: {message}" for at, message in zip(places, case["wanted"], strict=True)]


def test_the_simulated_bench_is_what_its_file_says() -> None:
    bench = load_bench(BENCHES / "simulated.yaml")

    assert (bench.name, bench.seed, bench.lin) == ("simulated", 1, LinSpec(SIMULATED, "break_condition"))
    assert (bench.supply_12v.voltage, bench.supply_12v.current_limit) == (13.5, 2.0)
    assert bench.source == SourceSpec(SIMULATED, 750.0, 420.0)
    assert bench.injector is not None
    assert (bench.injector.current, bench.injector.slew, bench.injector.gain) == (500.0, 2e6, 0.002)
    assert bench.injector.stop_input
    assert bench.recorder is not None
    assert (bench.recorder.shortest_interval, bench.recorder.points, bench.recorder.clock) == (1e-8, 1_000_000, 1e-5)
    assert bench.recorder.channels["injected"] == ChannelSpec(1, 0.002, 0.03)
    assert bench.recorder.channels["gate"] == ChannelSpec(2, 0.0, 0.0)
    assert bench.supply_12v.highest == 20.0
    assert bench.gate_supply == SignalSpec(SIMULATED, 18.0, 0.0, 30.0, math.inf, 0.001, 0.02)
    assert bench.bus_signal == SignalSpec(SIMULATED, 650.0, 0.0, 1200.0, 1e6, 0.001, 0.5)
    assert bench.ntc == SignalSpec(SIMULATED, 25.0, -80.0, 250.0, 100.0, 0.0, 0.1, 1e5)
    assert bench.commands == {
        "key": ("python", "-m", "mocks.key"),
        "flash": ("python", "-m", "mocks.flash", "{programming}", "{image}"),
    }


def test_uncertainty_of_the_supply_is_that_of_its_limits_of_error() -> None:
    # 0.2 % of 13.5 V and 20 mV, rectangular: (27 mV + 20 mV) / sqrt(3) (JCGM 100, 4.3.7).
    assert load_bench(BENCHES / "simulated.yaml").supply_12v.uncertainty == pytest.approx(0.0271355, abs=1e-6)


def test_served_benches_name_ports() -> None:
    served, pty = load_bench(BENCHES / "served.yaml"), load_bench(BENCHES / "served_pty.yaml")

    assert served.lin == LinSpec("linwire://127.0.0.1:47110", "break_condition")
    assert pty.lin == LinSpec("/tmp/breakerbench-heater.tty", "slow_bit_rate")
    assert served.resources == {
        "lin": "linwire://127.0.0.1:47110",
        "supply_12v": "TCPIP::127.0.0.1::47111::SOCKET",
        "source": "TCPIP::127.0.0.1::47112::SOCKET",
        "load": "TCPIP::127.0.0.1::47113::SOCKET",
        "injector": "TCPIP::127.0.0.1::47114::SOCKET",
        "recorder": "TCPIP::127.0.0.1::47115::SOCKET",
        "gate_supply": "TCPIP::127.0.0.1::47116::SOCKET",
        "bus_signal": "TCPIP::127.0.0.1::47117::SOCKET",
        "ntc": "TCPIP::127.0.0.1::47118::SOCKET",
        "interlock": "TCPIP::127.0.0.1::47119::SOCKET",
        "voltmeter": "TCPIP::127.0.0.1::47120::SOCKET",
        "isolation": "TCPIP::127.0.0.1::47121::SOCKET",
        "programming": "TCPIP::127.0.0.1::47124::SOCKET",
        "bank": "TCPIP::127.0.0.1::47126::SOCKET",
    }
    assert served.watchdog is not None
    assert served.watchdog.interlock == "TCPIP::127.0.0.1::47122::SOCKET"
    assert served.watchdog.source == "TCPIP::127.0.0.1::47123::SOCKET"
    assert served.watchdog.bank == "TCPIP::127.0.0.1::47127::SOCKET"
    assert {**pty.resources, "lin": ""} == {**served.resources, "lin": ""}


@pytest.mark.parametrize("role", ["lin", "supply_12v", "source", "load", "injector", "recorder", "ntc"])
def test_one_real_resource_makes_a_bench_real(role: str) -> None:
    bench = load_bench(BENCHES / "simulated.yaml")
    real = "linwire://127.0.0.1:1" if role == "lin" else "TCPIP::127.0.0.1::1::SOCKET"
    changed = replace(getattr(bench, role), **{"port" if role == "lin" else "resource": real})

    assert bench.simulated
    assert not replace(bench, **{role: changed}).simulated


def test_a_seed_may_be_given_for_a_simulated_bench_only(tmp_path: Path) -> None:
    assert load_bench(BENCHES / "simulated.yaml", seed=7).seed == 7
    assert complaints(tmp_path / "bench.yaml", (BENCHES / "served.yaml").read_text(), seed=7) == [
        "3:1: this bench is not simulated, so it takes no seed"
    ]


def test_a_noise_seed_is_the_files_unless_another_is_given(tmp_path: Path) -> None:
    text = (BENCHES / "simulated.yaml").read_text()
    assert "simulated: {seed: 1}" in text
    path = tmp_path / "bench.yaml"
    path.write_text(text.replace("simulated: {seed: 1}", "simulated: {seed: 1, noise: 2}"))

    assert (load_bench(path).seed, load_bench(path).noise_seed) == (1, 2)
    assert load_bench(path, noise_seed=0).noise_seed == 0
    assert load_bench(BENCHES / "simulated.yaml").noise_seed is None


def test_json_is_a_bench_file_too(tmp_path: Path) -> None:
    supply = {"resource": "TCPIP::127.0.0.1::2::SOCKET", "voltage": "13.5 V", "current_limit": "2 A"}
    text = {
        "format": 1,
        "name": "served",
        "title": "x",
        "lin": {"port": "linwire://127.0.0.1:1", "break": "slow_bit_rate"},
        "roles": {"supply_12v": supply},
    }
    path = tmp_path / "ready.json"
    path.write_text(json.dumps(text, indent=1))

    bench = load_bench(path)

    assert bench.lin.break_method == "slow_bit_rate"
    assert bench.resources == {"lin": "linwire://127.0.0.1:1", "supply_12v": "TCPIP::127.0.0.1::2::SOCKET"}


def test_shipped_benches() -> None:
    assert shipped_bench("served") == BENCHES / "served.yaml"
    with pytest.raises(KeyError, match=r"no bench 'other'; there are .*served, served_pty, simulated"):
        shipped_bench("other")
