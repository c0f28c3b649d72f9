"""The current measuring chain: windows and samples of the exact current, unit's errors, noise, converters.

A slow sample is the mean over the slow period that ends at its instant, a fast one the value at its instant. Both are
computed in blocks; noise belongs to a sample's index. So neither the block size nor the samples that are left out
change any sample.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from mocks.noise import SIGMAS, Channel, Noise
from mocks.plant import Plant
from mocks.track import Track
from mocks.unit import Unit
from protocol.device import Sensing

NEVER = 1 << 62
"""An instant that does not come."""
_ROUNDING = 1e-6  # counts: what floating point may make of a sample


class _Converter:
    """Amperes to signed counts, with the chain's gain and offset and a channel's own noise."""

    def __init__(self, channel: Channel, bits: int, deviation: float, full_scale: float, unit: Unit) -> None:
        self._channel = channel
        self._deviation = deviation
        self._top = 1 << bits - 1
        self.gain = 1 + unit.current_gain
        self._offset = unit.current_offset
        self.counts = self._top / full_scale  # per ampere

    def convert(self, noise: Noise, index: int, amperes: NDArray[np.float64]) -> list[int]:
        """Samples from number ``index`` on."""
        read = amperes * self.gain + self._offset + self._deviation * noise.samples(self._channel, index, len(amperes))
        counts = np.rint(read * self.counts).clip(-self._top, self._top - 1)
        numbers: list[int] = counts.astype(np.int64).tolist()
        return numbers

    def surely(self, low: int, high: int) -> tuple[float, float]:
        """Currents, by magnitude, of which every sample's magnitude is from ``low`` to ``high``, whatever the noise."""
        error = abs(self._offset) + SIGMAS * self._deviation
        most = ((high + 0.5 - _ROUNDING) / self.counts - error) / self.gain
        least = ((min(low, self._top - 1) - 0.5 + _ROUNDING) / self.counts + error) / self.gain if low else -1.0
        return least, most


class Chain:
    """Slow and fast samples in order. The unit's timer makes both periods: firmware that counts has that error too."""

    def __init__(self, sensing: Sensing, unit: Unit, noise: Noise, plant: Plant, at_once: bool = True) -> None:
        self._at_once = at_once
        self._starts = 0
        self._sensed: Track = plant.sensed
        self._noise = noise
        self._slow = _Converter(Channel.SLOW, sensing.slow_bits, sensing.slow_noise, sensing.full_scale, unit)
        self._fast = _Converter(Channel.FAST, sensing.fast_bits, sensing.fast_noise, sensing.full_scale, unit)
        self.fast_period_ns = round(sensing.fast_period_ns * (1 + unit.timer))
        self.period_ns = self.fast_period_ns * (sensing.slow_period_ns // sensing.fast_period_ns)
        self.next_ns = NEVER  # of the next slow sample
        self.fast_ns = NEVER  # of the next fast sample
        self._index = 0  # of the next slow sample, over the world's whole life
        self._fast_index = 0

    def start(self, now_ns: int) -> None:
        """The converters run: the first windows begin now or, unless ``at_once``, within a slow period."""
        if not self._at_once:
            now_ns += int(self._noise.generator(Channel.START, self._starts).integers(self.period_ns))
            self._starts += 1
        self.next_ns = now_ns + self.period_ns
        self.fast_ns = now_ns + self.fast_period_ns

    def stop(self) -> None:
        """The converters have no supply."""
        self.next_ns = self.fast_ns = NEVER

    # Slow samples

    def block(self, until_ns: int, most: int) -> tuple[range, list[int], list[int]]:
        """Instants, counts and mean squared counts of the next slow samples, ``most`` of them at most, none after
        ``until_ns``; one at least."""
        first_ns, period_ns = self.next_ns, self.period_ns
        start_ns = first_ns - period_ns
        value, rate, origin, end = self._sensed.piece(start_ns)
        end_ns = until_ns if end is None else min(end, until_ns)
        if end_ns < first_ns:
            number = 1
            mean = self._sensed.mean(start_ns, first_ns)
            means = np.array([mean])
            variance = self._sensed.mean_square(start_ns, first_ns) - mean**2
        else:
            number = min(most, (end_ns - first_ns) // period_ns + 1)
            middles = (first_ns - period_ns / 2) + period_ns * np.arange(number)
            means = value + rate * (middles - origin)
            variance = (rate * period_ns) ** 2 / 12
        counts = self._slow.convert(self._noise, self._index, means)
        spread = round(max(0.0, variance) * (self._slow.gain * self._slow.counts) ** 2)
        squares = [count * count + spread for count in counts]
        return range(first_ns, first_ns + number * period_ns, period_ns), counts, squares

    def taken(self, instant_ns: int) -> None:
        """The slow sample at ``instant_ns`` was the last one used."""
        self._index += (instant_ns - self.next_ns) // self.period_ns + 1
        self.next_ns = instant_ns + self.period_ns

    # Fast samples

    def fast_block(self, until_ns: int) -> tuple[range, list[int]]:
        """Instants and counts of the fast samples up to ``until_ns``; one at least."""
        period_ns = self.fast_period_ns
        instants = range(self.fast_ns, until_ns + 1, period_ns)
        amperes = np.empty(len(instants))
        done = 0
        while done < len(instants):
            value, rate, origin, end = self._sensed.piece(instants[done])
            stop = len(instants) if end is None else min(len(instants), -((instants[0] - end) // period_ns))
            amperes[done:stop] = value + rate * (np.array(instants[done:stop]) - origin)
            done = stop
        return instants, self._fast.convert(self._noise, self._fast_index, amperes)

    def fast_taken(self, instant_ns: int) -> None:
        """Every fast sample up to ``instant_ns`` was used, or cannot matter."""
        number = (instant_ns - self.fast_ns) // self.fast_period_ns + 1
        self._fast_index += number
        self.fast_ns += number * self.fast_period_ns

    def quiet_until(self, low: int, high: int, until_ns: int) -> int:
        """Until when, from the next fast sample on, each one's magnitude is surely from ``low`` to ``high``.

        Before the next fast sample where that one may already be outside; ``until_ns`` at most.
        """
        least, most = self._fast.surely(low, high)
        at_ns = self.fast_ns
        while at_ns <= until_ns:
            value, rate, origin, end = self._sensed.piece(at_ns)
            now = value + rate * (at_ns - origin)
            if not least < abs(now) < most:
                return at_ns - 1
            if rate:
                bounds = [(bound - now) / rate for bound in (most, -most, least, -least)] if low else []
                bounds = bounds or [(bound - now) / rate for bound in (most, -most)]
                ahead = min(bound for bound in bounds if bound > 0)
                if end is None or ahead < end - at_ns:
                    return min(until_ns, at_ns + int(ahead) - 1)
            if end is None:
                return until_ns
            at_ns = end
        return until_ns
