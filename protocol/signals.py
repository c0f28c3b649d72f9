"""Signals of a LIN frame: an integer inside the frame's payload, found by shift and mask.

LIN 2.1 §2.2.3 and §2.3.1.4: signals are little-endian, least significant bit first, so the whole payload is one
little-endian integer and a signal is a run of its bits. Unused bits are recessive (1).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction


@dataclass(frozen=True)
class PhysicalRange:
    """Raw values ``low`` to ``high`` mean ``raw * scale + offset`` in ``unit``."""

    low: int
    high: int
    scale: Fraction
    offset: Fraction
    unit: str


@dataclass(frozen=True)
class SignalEncoding:
    """What raw values of a signal mean. Both parts may be empty; a raw value in neither part has no meaning."""

    physical: tuple[PhysicalRange, ...] = ()
    logical: Mapping[int, str] = field(default_factory=dict)

    def meaning(self, raw: int) -> Fraction | str | None:
        """The word or the physical value of ``raw``; None where the encoding gives it no meaning."""
        if raw in self.logical:
            return self.logical[raw]
        for part in self.physical:
            if part.low <= raw <= part.high:
                return raw * part.scale + part.offset
        return None


@dataclass(frozen=True)
class Signal:
    """One signal in one frame.

    ``offset`` and ``width`` are in bits; ``initial`` is the raw value before the first update. A byte-array signal is
    the integer whose lowest byte is the first array item.
    """

    name: str
    offset: int
    width: int
    initial: int
    encoding: SignalEncoding = SignalEncoding()

    @property
    def mask(self) -> int:
        """All ones, ``width`` bits wide."""
        return (1 << self.width) - 1


@dataclass(frozen=True)
class FrameLayout:
    """An unconditional frame: its 6-bit id, its payload length in bytes (1 to 8), who publishes it, its signals."""

    name: str
    frame_id: int
    length: int
    publisher: str
    signals: tuple[Signal, ...]

    def signal(self, name: str) -> Signal:
        """The signal called ``name``. Raises KeyError."""
        for signal in self.signals:
            if signal.name == name:
                return signal
        raise KeyError(name)


def unpack(layout: FrameLayout, payload: bytes) -> dict[str, int]:
    """Raw value of each signal. Raises ValueError where the payload's length is not the frame's."""
    if len(payload) != layout.length:
        raise ValueError(f"{layout.name}: {len(payload)} bytes, the frame has {layout.length}")
    word = int.from_bytes(payload, "little")
    return {signal.name: (word >> signal.offset) & signal.mask for signal in layout.signals}


def pack(layout: FrameLayout, values: Mapping[str, int]) -> bytes:
    """Payload for raw ``values``; signals not named keep their initial value, unused bits are 1.

    Raises ValueError for an unknown name or a value that does not fit.
    """
    unknown = values.keys() - {signal.name for signal in layout.signals}
    if unknown:
        raise ValueError(f"{layout.name} has no signal {', '.join(sorted(unknown))}")
    word = (1 << 8 * layout.length) - 1
    for signal in layout.signals:
        value = values.get(signal.name, signal.initial)
        if not 0 <= value <= signal.mask:
            raise ValueError(f"{signal.name}={value} does not fit {signal.width} bits")
        word = word & ~(signal.mask << signal.offset) | value << signal.offset
    return word.to_bytes(layout.length, "little")
