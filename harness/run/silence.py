"""A master that says nothing: who watches for that must open the switch in time, and nobody else may.

Timed on the recorder's gate channel, from the end of the last frame to the fall of the gate. The two lie on different
clocks, the bus' stamps and the recorder's samples; what that costs is part of the uncertainty.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from harness.bench.instrument import Acquisition, Recorder
from harness.clock import S
from harness.plan.steps import Silence
from harness.quantity import show
from harness.record.result import Applied, Coverage, Measurement, Waveform
from harness.run.clipping import refuse_clipped
from harness.run.context import Context, Outcome
from harness.run.instants import EDGE_UNCERTAINTY, GATE_THRESHOLD_V, crossing
from harness.run.observe import stable_status
from harness.run.repeat import of_decision
from harness.run.step_errors import StepError, StepNotRun
from harness.run.switch import send_command
from harness.trip.band import Band, silence_band
from protocol.protection import Silence as SilenceFunction

_MOST_POINTS = 50_000
_AFTER_S = 0.05  # recorded beyond the silence
_ROOT3 = math.sqrt(3)


def run_silence(step: Silence, context: Context, outcome: Outcome) -> None:
    """Send nothing for the step's duration, and see what operates."""
    if step.function is None:
        _expect_nothing(step, context, outcome)
    else:
        _expect_trip(step, context, outcome)


def _expect_nothing(step: Silence, context: Context, outcome: Outcome) -> None:
    device, bench = context.device, context.bench
    for name, function in device.functions.items():
        if isinstance(function, SilenceFunction):
            early = silence_band(function, context.ledger.set_points, context.ledger.mode).early_s
            if step.duration.si >= early:
                raise StepError(f"{name} may operate from {show(early, 's')} on, so nothing can be told")
    before = stable_status(device, bench)
    send_command(context, "none")
    bench.master.silence_until(bench.master.last_sent_ns + round(step.duration.si * S))
    after = stable_status(device, bench)
    outcome.expect(after == before, f"a silence of {step.duration} changed it from {before} to {after}")


def _expect_trip(step: Silence, context: Context, outcome: Outcome) -> None:
    device, bench = context.device, context.bench
    assert step.function is not None
    function = device.functions[step.function]
    if not isinstance(function, SilenceFunction):
        raise StepNotRun(f"{step.function} does not watch for silence")
    if bench.recorder is None or bench.spec.recorder is None:
        raise StepNotRun("without a recorder nobody sees when the gate falls")
    band = silence_band(function, context.ledger.set_points, context.ledger.mode)
    if band.late_s is None or step.duration.si <= band.late_s:
        raise StepError(f"a good breaker may take longer than {step.duration}: allow more time")
    status = stable_status(device, bench)
    if status.switch != "closed":
        raise StepError(f"the breaker must be closed for this: {status}")
    outcome.function, outcome.coverage = step.function, Coverage.SECONDARY
    outcome.stimulus = Applied("silence", step.duration.si, "s", None, "from_history")
    outcome.set_points = context.ledger.set_points
    fallen = _record(step, context, bench.recorder, outcome)
    measured = None if fallen is None else fallen.after_s
    uncertainty = 0.0 if fallen is None else fallen.uncertainty_s
    repeat = of_decision(function, device)
    outcome.measure(_operate_time(band, measured, uncertainty, repeat), "late", "early")
    status = stable_status(device, bench)
    outcome.expect(status.cause == function.cause, f"it gives {status.cause} as the cause, wanted {function.cause}")
    outcome.expect(status.switch == "open", f"after the silence the switch is {status.switch}")


@dataclass(frozen=True)
class _Fallen:
    """When the gate fell after the last frame, and the standard uncertainty of that, s."""

    after_s: float
    uncertainty_s: float


def _record(step: Silence, context: Context, recorder: Recorder, outcome: Outcome) -> _Fallen | None:
    """Be silent while the gate is recorded; None: it stayed on."""
    bench = context.bench
    spec = bench.spec.recorder
    assert spec is not None
    interval = max(spec.shortest_interval, (step.duration.si + 2 * _AFTER_S) / min(spec.points, _MOST_POINTS))
    before_ns = bench.clock.now_ns()
    recorder.arm(interval, math.ceil((step.duration.si + 2 * _AFTER_S) / interval), 0, None)
    after_ns = bench.clock.now_ns()
    send_command(context, "none")
    last_ns = bench.master.last_sent_ns
    bench.master.silence_until(last_ns + round((step.duration.si + _AFTER_S) * S))
    acquisition = recorder.fetch("gate")
    if acquisition is None:
        raise StepError("the recorder recorded nothing: it was to start at once")
    refuse_clipped(spec, acquisition)
    gate = acquisition.channels["gate"]
    _keep(acquisition, outcome)
    start = max(0, math.floor((last_ns - after_ns) / S / interval))
    if start >= len(gate) or gate[start] <= GATE_THRESHOLD_V:
        raise StepError("the gate output was not on when the silence began: look at the recorder's gate channel")
    index = crossing(gate, GATE_THRESHOLD_V, rising=False, start=start)
    if index is None:
        return None
    started_ns = (before_ns + after_ns) / 2
    after_s = index * interval + (started_ns - last_ns) / S
    halves = (
        (after_ns - before_ns) / 2 / S,  # the recording began somewhere in between
        bench.master.capabilities.latency_ns / 2 / S,  # the stamp of the last frame is late by up to that
        spec.clock * index * interval,
    )
    late_s = bench.master.capabilities.latency_ns / 2 / S
    parts = [EDGE_UNCERTAINTY * interval, *(half / _ROOT3 for half in halves)]  # rectangular: JCGM 100, 4.3.7
    return _Fallen(after_s + late_s, math.hypot(*parts))


def _operate_time(band: Band, measured: float | None, uncertainty: float, repeat: float) -> Measurement:
    nominal = band.nominal_s if math.isfinite(band.nominal_s) else None
    return Measurement("operate time", measured, "s", max(band.early_s, 0.0), band.late_s, nominal, uncertainty, repeat)


def _keep(acquisition: Acquisition, outcome: Outcome) -> None:
    samples = np.asarray(acquisition.channels["gate"], dtype=">f4").tobytes()
    outcome.waveforms.append(Waveform("gate", "V", acquisition.start_s, acquisition.interval_s, samples))
