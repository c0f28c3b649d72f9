"""What a step is going to use the breaker up by when it breaks a current; known before it flows."""

from __future__ import annotations

from dataclasses import dataclass

from harness.bench.spec import BenchSpec
from harness.plan.steps import ExpectTrip, ShortCircuit, Step
from harness.trip.fault_current import Loop
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
    """Of one step. Only a current through the switch that the breaker has to break uses anything up."""
    match step:
        case ExpectTrip(draw=current, voltage=voltage) if current is not None and voltage is not None:
            shots = int(isinstance(device.functions.get(step.function), Instantaneous))
            return Spending(shots, _clamped(current.si, voltage.si, device, bench))
        case ShortCircuit(voltage=voltage):
            return Spending(1, _clamped(_let_through(step, voltage.si, device, bench), voltage.si, device, bench))
        case _:
            return Spending()


def _let_through(step: ShortCircuit, volts: float, device: Device, bench: BenchSpec) -> float:
    """A of a comparator at the highest threshold that it can be set to, by its slowest response."""
    function = device.functions.get(step.function)
    if bench.loop is None or not isinstance(function, Instantaneous):
        return 0.0
    names = function.threshold.names
    highest = max((float(device.set_points[name].maximum) for name in names), default=function.threshold.fixed or 0.0)
    loop = Loop(volts, bench.loop.inductance, bench.loop.resistance)
    return loop.let_through(highest, function.response[1]) or volts / bench.loop.resistance


def _clamped(current: float, volts: float, device: Device, bench: BenchSpec) -> float:
    clamp = device.ratings.clamp
    if bench.loop is None or clamp is None or not 0 < volts < clamp[0]:
        return 0.0
    return Loop(volts, bench.loop.inductance, bench.loop.resistance).clamp_energy(current, clamp[0])
