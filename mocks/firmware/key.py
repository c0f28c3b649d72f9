"""Key to a seed (service 27). Invented for this mock; it protects nothing, and no maker's program looks like it.

Twice through the seed: a byte carried along is turned left by three bits, added to the seed's byte and to 0x5A, and
mixed into the key's byte at its place.
"""

from __future__ import annotations

_START = 0xC3
_STEP = 0x5A


def key_of(seed: bytes, size: int) -> bytes:
    """The key of ``size`` bytes to ``seed``."""
    key = bytearray(size)
    carried = _START
    for index in range(2 * max(len(seed), size)):
        turned = (carried << 3 | carried >> 5) & 0xFF
        carried = (turned + seed[index % len(seed)] + _STEP) & 0xFF
        key[index % size] ^= carried
    return bytes(key)
