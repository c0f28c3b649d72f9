"""What a step is going to use the breaker up by when it breaks a current; known before it flows."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from harness.bench.fault import into_clamp, let_through, loop_at
from harness.bench.spec import BenchSpec
from harness.plan.steps import ExpectTrip, ShortCircuit, Step
from protocol.device import Device
from protocol.protection import Instantaneous


@dataclass(frozen=True)
class Spending:
    """Shots through the comparator, and energy in J into the clamp: at most, as far as the loop is declared."""

    short_circuits: int = 0
    clamp_energy: float = 0.0


def power_cut_writes(instants: int, records: int) -> int:
    """Non-volatile writes of a power cut at ``instants`` of each record, at most.

    New and old at each; before that both undisturbed, and new and old around a cut after the answer; old at the end.
    """
    return (2 * instants + 5) * records


def spending_of(step: Step, device: Device, bench: BenchSpec) -> Spending:
    """Of one step. Only a current through the switch that the breaker has to break uses anything up.

    At most: a load may fail, and a comparator be set as high as it can be. The energy is inf where no clamp ends it.
    """
    match step:
        case ExpectTrip(draw=current, voltage=voltage) if current is not None and voltage is not None:
            shots = int(isinstance(device.functions.get(step.function), Instantaneous))
            return Spending(shots, _clamped(step.highest, voltage.si, device.functions, device, bench))
        case ShortCircuit(voltage=voltage):
            return Spending(1, _clamped(0.0, voltage.si, [step.function], device, bench))
        case _:
            return Spending()


def _clamped(current: float, volts: float, names: Iterable[str], device: Device, bench: BenchSpec) -> float:
    """J of breaking ``current``, or the short circuit that the functions of these ``names`` end."""
    if bench.loop is None or volts <= 0:
        return 0.0
    loop = loop_at(volts, bench.loop)
    functions = [device.functions[name] for name in names if name in device.functions]
    highest = {name: float(point.maximum) for name, point in device.set_points.items()}
    return into_clamp(max(current, let_through(functions, loop, device, highest)), loop, device)
