"""A recorded channel that came to the end of its declared range: how far it went beyond nobody knows."""

from __future__ import annotations

import math

from harness.bench.instrument import Acquisition
from harness.bench.instrument_spec import ChannelSpec, RecorderSpec
from harness.quantity import show
from harness.run.step_errors import StepError
from harness.trip import waveform

_AMPERES = ("current", "injected")


class Clipped(StepError):
    """``names`` came to the end of their ranges: the bench's error, and never a verdict."""

    def __init__(self, names: list[str], spec: RecorderSpec) -> None:
        self.names = names
        ranges = [f"{name} ({show(spec.channels[name].range, 'A' if name in _AMPERES else 'V')})" for name in names]
        shown = ", ".join(ranges)
        super().__init__(
            f"recording not usable: clipped at the end of the recorder's range: {shown}; choose a larger one"
        )


def channel_of(samples: waveform.Samples, spec: ChannelSpec) -> waveform.Channel:
    """A recorded channel with its limits of error and its range."""
    low, high = (-spec.range, spec.range) if math.isfinite(spec.range) else (-math.inf, math.inf)
    return waveform.Channel(samples, spec.gain, spec.offset, low, high)


def refuse_clipped(spec: RecorderSpec, acquisition: Acquisition) -> None:
    """Raises Clipped where a channel of ``acquisition`` came to the end of its range."""
    found = [
        name
        for name, samples in acquisition.channels.items()
        if len(samples) and waveform.clipped(channel_of(samples, spec.channels[name]))
    ]
    if found:
        raise Clipped(found, spec)
