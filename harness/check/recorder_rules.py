"""Whether the recorder can tell what a step asks: interval, memory, bandwidth, range and skew of its channels."""

from __future__ import annotations

from collections.abc import Mapping

from harness.check.spot import Faults, Spot
from harness.plan.steps import SENSOR_FAULTS, STIMULI, CheckHealth, ExpectTrip, Stimulus
from harness.quantity import show
from harness.trip.band import Band

_SAMPLES_IN_BAND = 20  # a recording resolves a band where it has this many samples in it
_EDGES_IN_BAND = 5  # and where an edge takes no more than this share of it
_SKEWS_IN_BAND = 10
_HEAD_ROOM = 1.1  # common practice, no source
_FEWEST = 1000  # samples: with fewer, no recording shows what happened when
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
    yield from check_edges(width, spot)


def check_edges(width: float, spot: Spot) -> Faults:
    """Bandwidth and skew, against a time of ``width`` s that has to be told."""
    if spot.bench is None or (recorder := spot.bench.recorder) is None:
        return
    if recorder.bandwidth is None:
        if not spot.bench.simulated:
            yield spot.error(f"bench {spot.bench.name} does not say how fast an edge its recorder shows (bandwidth)")
    elif (edge := _EDGE / recorder.bandwidth) > width / _EDGES_IN_BAND:
        message = f"the recorder is too slow: its edges take {show(edge, 's')}"
        yield spot.error(f"{message}, and {show(width, 's')} are to be told")
    if recorder.skew > width / _SKEWS_IN_BAND:
        message = f"the recorder's channels are up to {show(recorder.skew, 's')} apart"
        yield spot.error(f"{message}, and {show(width, 's')} are to be told")


def check_recorded(step: Stimulus, spot: Spot) -> Faults:
    """What every stimulus asks: memory for a recording at all, and ranges that hold it."""
    if step.level not in SENSOR_FAULTS:
        values = {STIMULI[step.key].channel: max(map(abs, step.levels.values()))}
        if step.draw is not None and (clamp := spot.device.ratings.clamp) is not None:
            values["switch_voltage"] = clamp[1]
        yield from check_ranges(values, spot, step.key)
    if not isinstance(step, ExpectTrip) or step.switch == "open":  # else its band says how much it wants
        yield from _memory(spot)


def check_health_recorded(step: CheckHealth, spot: Spot) -> Faults:
    """The same of the measurements of a switch."""
    if (drop := step.voltage_drop) is not None:
        yield from check_ranges({"current": drop.draw.si}, spot, "voltage_drop", "draw")
    if step.roles:
        yield from _memory(spot)


def check_ranges(values: Mapping[str, float], spot: Spot, *at: str) -> Faults:
    """Each channel's greatest value lies inside its range, with head-room; a record at its end says nothing."""
    if spot.bench is None or (recorder := spot.bench.recorder) is None:
        return
    for name, value in values.items():
        channel = recorder.channels.get(name)
        if channel is not None and value * _HEAD_ROOM > channel.range:
            unit = "A" if name in ("injected", "current") else "degC" if name == "heat_sink" else "V"
            yield spot.error(
                f"up to {show(value, unit)} on the recorder's channel {name}, whose range ends at "
                f"{show(channel.range, unit)}: want a tenth more",
                *at,
            )


def _memory(spot: Spot) -> Faults:
    recorder = None if spot.bench is None else spot.bench.recorder
    if recorder is not None and recorder.points < _FEWEST:
        yield spot.error(f"the recorder holds {recorder.points} samples, and a recording wants {_FEWEST}")
