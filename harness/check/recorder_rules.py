"""Whether the recorder can tell what a step asks: interval, memory, bandwidth, range and skew of its channels."""

from __future__ import annotations

from harness.bench.instrument_spec import RecorderSpec
from harness.bench.spec import BenchSpec
from harness.check.spot import Faults, Spot
from harness.plan.steps import STIMULI, ExpectTrip
from harness.quantity import show
from harness.trip.band import Band

_SAMPLES_IN_BAND = 20  # a recording resolves a band where it has this many samples in it
_EDGES_IN_BAND = 5  # and where an edge takes no more than this share of it
_SKEWS_IN_BAND = 10
_EDGE = 0.35  # rise time times bandwidth of a single pole, 10 to 90 %; common practice, no source


def check_recorder(step: ExpectTrip, band: Band, spot: Spot) -> Faults:
    """The band, from its early edge to its late one, is wide enough for what the recorder does to an edge."""
    if spot.bench is None or (recorder := spot.bench.recorder) is None or band.late_s is None:
        return
    width, late = band.late_s - band.early_s, band.late_s
    interval = width / _SAMPLES_IN_BAND
    if interval < recorder.shortest_interval:
        message = f"the recorder cannot resolve this: a band of {show(width, 's')} wants samples each "
        yield spot.error(f"{message}{show(interval, 's')}, and it has {show(recorder.shortest_interval, 's')}")
    elif late / interval > recorder.points:
        message = f"the recorder cannot hold this: {late / interval:.0f} samples up to {show(late, 's')}"
        yield spot.error(f"{message}, and it has {recorder.points}")
    yield from _edges(width, recorder, spot.bench, spot)
    yield from _range(step, recorder, spot)


def _edges(width: float, recorder: RecorderSpec, bench: BenchSpec, spot: Spot) -> Faults:
    if recorder.bandwidth is None:
        if not bench.simulated:
            yield spot.error(f"bench {bench.name} does not say how fast an edge its recorder shows (bandwidth)")
    elif (edge := _EDGE / recorder.bandwidth) > width / _EDGES_IN_BAND:
        message = f"the recorder is too slow: its edges take {show(edge, 's')}, and the band is {show(width, 's')} wide"
        yield spot.error(message)
    if recorder.skew > width / _SKEWS_IN_BAND:
        message = f"the recorder's channels are up to {show(recorder.skew, 's')} apart"
        yield spot.error(f"{message}, and the band is {show(width, 's')} wide")


def _range(step: ExpectTrip, recorder: RecorderSpec, spot: Spot) -> Faults:
    """What is to be recorded lies inside the channel's range, which a record at its end says nothing beyond."""
    if step.level in ("open", "short"):
        return
    name = STIMULI[step.key].channel
    channel = recorder.channels.get(name)
    if channel is not None and abs(step.value) >= channel.range:
        unit = STIMULI[step.key].unit
        yield spot.error(f"beyond the range of the recorder's channel {name}, {show(channel.range, unit)}", step.key)
