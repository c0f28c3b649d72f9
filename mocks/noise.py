"""Noise as a pure function of seed, channel and sample index, so that how samples are asked for changes nothing.

A counter-based generator (Philox 4x64) is keyed by seed and channel, and its counter starts at the block's number; each
block is drawn whole. Samples are normal with unit deviation, clipped at six: 'cannot reach' is then a proof, and the
clip meets about two samples in a thousand million.
"""

from __future__ import annotations

from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

SIGMAS = 6.0
"""No sample is further from 0 than this."""
BLOCK = 4096
"""Samples in one block."""


class Channel(IntEnum):
    """Streams that never mix. The number keys the stream: a new one shifts no other."""

    UNIT = 0  # tolerances of the unit
    FAST = 1
    SLOW = 2
    INSTRUMENTS = 3  # tolerances of the bench's instruments
    START = 4  # how long the controller takes to start its tasks; a block a start
    RECORDER = 16  # plus the recorder's channel number


class Noise:
    """All noise of one world."""

    def __init__(self, seed: int) -> None:
        """``seed`` is any integer from 0 to 2**64 - 1."""
        self._seed = seed
        self._blocks: dict[int, tuple[int, NDArray[np.float64]]] = {}

    def generator(self, channel: int, block: int = 0) -> np.random.Generator:
        """A generator that starts at ``block`` of ``channel``."""
        key = np.array([self._seed, channel], dtype=np.uint64)
        return np.random.Generator(np.random.Philox(counter=block << 64, key=key))

    def samples(self, channel: int, first: int, number: int) -> NDArray[np.float64]:
        """Samples ``first`` to ``first + number - 1`` of ``channel``."""
        block, offset = divmod(first, BLOCK)
        if offset + number <= BLOCK:
            return self._block(channel, block)[offset : offset + number]
        parts = [self._block(channel, index) for index in range(block, (first + number - 1) // BLOCK + 1)]
        return np.concatenate(parts)[offset : offset + number]

    def _block(self, channel: int, block: int) -> NDArray[np.float64]:
        held = self._blocks.get(channel)
        if held is None or held[0] != block:
            drawn = self.generator(channel, block).standard_normal(BLOCK).clip(-SIGMAS, SIGMAS)
            held = self._blocks[channel] = block, drawn
        return held[1]
