"""A bench with every role, and what check says of a plan on it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from edited import marked

from harness.bench.instrument_spec import ChannelSpec, SignalSpec
from harness.bench.spec import BenchSpec, load_bench, shipped_bench
from harness.check import check_plan
from harness.files.profile import load_device, shipped_device
from harness.plan.plan import load_plan
from protocol.device import Device
from protocol.protection import JunctionTemperature

_SIMULATED = load_bench(shipped_bench("simulated"))
assert _SIMULATED.recorder is not None and _SIMULATED.source is not None and _SIMULATED.load is not None
BENCH = replace(
    _SIMULATED,
    supply_12v=replace(_SIMULATED.supply_12v, highest=20.0),
    source=replace(_SIMULATED.source, current=120.0),
    load=replace(_SIMULATED.load, current=150.0),
    gate_supply=SignalSpec("simulated", 18.0, 0.0, 22.0, float("inf"), 0.002, 0.02),
    bus_signal=SignalSpec("simulated", 650.0, 0.0, 1000.0, 1e6, 0.002, 0.5),
    ntc=SignalSpec("simulated", 25.0, -40.0, 140.0, 100.0, 0.0, 0.2, 1e5),
    recorder=replace(
        _SIMULATED.recorder,
        shortest_interval=1e-8,
        channels={
            **_SIMULATED.recorder.channels,
            "bus": ChannelSpec(6, 0.002, 0.5),
            "gate_rail": ChannelSpec(7, 0.002, 0.02),
            "heat_sink": ChannelSpec(8, 0.0, 0.2),
        },
    ),
    commands={"key": ("key-maker",)},
)
_HEATER = load_device(shipped_device("heater"))
_JUNCTION = _HEATER.functions["junction"]
assert isinstance(_JUNCTION, JunctionTemperature)
HEATER = replace(
    _HEATER,
    functions={
        **_HEATER.functions,
        "junction": replace(
            _JUNCTION,
            network=((0.1, 0.002), (0.3, 0.05), (0.6, 1.0)),
            on_resistance=0.02,
            temperature_coefficient=0.005,
            switches=1,
            network_tolerance=0.02,
            resistance_tolerance=0.02,
        ),
    },
)
"""The heater with a small switch, whose junction comes before the overload at large currents."""
PUMP = load_device(shipped_device("pump"))


def complaints(
    folder: Path, steps: str, device: Device = HEATER, bench: BenchSpec | None = BENCH
) -> tuple[list[str], list[str]]:
    """What check says of a plan with these steps, and the place of each ¶ in them; the ¶ are taken out."""
    text, places = marked(f"format: 1\nname: x\ntitle: y\ndevice: {device.name}\nsteps:\n{steps}\n", {})
    path = folder / "plan.yaml"
    path.write_text(text)
    return [str(error).removeprefix(f"{path}:") for error in check_plan(load_plan(path), device, bench)], places
