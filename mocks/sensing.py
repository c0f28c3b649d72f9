"""The slow channel of the current measuring chain: averaging window, unit's errors, noise, converter.

Sample k is the mean over the slow period that ends at its instant. Means are exact, in blocks where the current is one
straight piece; noise belongs to the sample's index. So the block size changes no sample.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from mocks.noise import Channel, Noise
from mocks.plant import Plant
from mocks.unit import Unit
from protocol.device import Sensing

NEVER = 1 << 62
"""An instant that does not come."""


class SlowChannel:
    """Samples in order. The unit's timer makes the period: firmware that counts samples has that error too."""

    def __init__(self, sensing: Sensing, unit: Unit, noise: Noise, plant: Plant) -> None:
        self._plant = plant
        self._noise = noise
        self._gain = 1 + unit.current_gain
        self._offset = unit.current_offset
        self._deviation = sensing.slow_noise
        self._top = 1 << sensing.slow_bits - 1
        self._counts = self._top / sensing.full_scale  # per ampere
        self.period_ns = round(sensing.slow_period_ns * (1 + unit.timer))
        self.next_ns = NEVER
        self._index = 0  # of the next sample, over the world's whole life

    def start(self, now_ns: int) -> None:
        """The converter runs: its first window begins now."""
        self.next_ns = now_ns + self.period_ns

    def stop(self) -> None:
        """The converter has no supply."""
        self.next_ns = NEVER

    def block(self, until_ns: int, most: int) -> tuple[range, list[int]]:
        """Instants and counts of the next samples, ``most`` of them at most, none after ``until_ns``; one at least."""
        first_ns, period_ns = self.next_ns, self.period_ns
        start_ns = first_ns - period_ns
        pieces = [track.piece(start_ns) for track in (self._plant.injected, self._plant.current)]
        end_ns = min((end for _, _, _, end in pieces if end is not None), default=until_ns)
        if end_ns < first_ns:
            number = 1
            means = np.array(
                [self._plant.injected.mean(start_ns, first_ns) + self._plant.current.mean(start_ns, first_ns)]
            )
        else:
            number = min(most, (min(end_ns, until_ns) - first_ns) // period_ns + 1)
            middles = (first_ns - period_ns / 2) + period_ns * np.arange(number)
            injected, primary = (value + rate * (middles - origin) for value, rate, origin, _ in pieces)
            means = injected + primary
        return range(first_ns, first_ns + number * period_ns, period_ns), self._convert(means)

    def taken(self, instant_ns: int) -> None:
        """The sample at ``instant_ns`` was the last one used."""
        self._index += (instant_ns - self.next_ns) // self.period_ns + 1
        self.next_ns = instant_ns + self.period_ns

    def _convert(self, means: NDArray[np.float64]) -> list[int]:
        noise = self._noise.samples(Channel.SLOW, self._index, len(means))
        amperes = means * self._gain + self._offset + self._deviation * noise
        counts = np.rint(amperes * self._counts).clip(-self._top, self._top - 1)
        numbers: list[int] = counts.astype(np.int64).tolist()
        return numbers
