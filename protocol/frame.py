"""The LIN frame: identifiers with parity, both checksums, nominal and longest times.

Source: LIN 2.1 §2.3.1 (fields, parity, checksum) and §2.3.2 (times); the same in ISO 17987-3.
"""

from __future__ import annotations

from enum import Enum
from fractions import Fraction

MASTER_REQUEST = 0x3C
"""Frame id of the diagnostic request, sent by the master (LIN 2.1 §2.3.3.4)."""
SLAVE_RESPONSE = 0x3D
"""Frame id of the diagnostic answer, sent by a slave."""
FRAME_IDS = range(0x40)
"""Every 6-bit frame id; 0x3E and 0x3F are reserved."""
SYNC = 0x55
"""The byte that follows the break."""
MAX_LENGTH = 8
"""Most payload bytes of a frame."""

BREAK_BITS = 14
"""Bit times of a nominal break: 13 dominant and the delimiter."""
BYTE_BITS = 10
"""Bit times of a byte field: start, eight data bits, stop."""
HEADER_BITS = BREAK_BITS + 2 * BYTE_BITS
"""Bit times of a nominal header: break, sync byte, protected identifier."""

_NS = 1_000_000_000


class ChecksumModel(Enum):
    """What the checksum covers."""

    CLASSIC = "payload"
    ENHANCED = "protected identifier and payload"


def _protected(frame_id: int) -> int:
    bits = [frame_id >> n & 1 for n in range(6)]
    p0 = bits[0] ^ bits[1] ^ bits[2] ^ bits[4]
    p1 = 1 ^ bits[1] ^ bits[3] ^ bits[4] ^ bits[5]
    return frame_id | p0 << 6 | p1 << 7


_PROTECTED = tuple(_protected(frame_id) for frame_id in FRAME_IDS)
_FRAME_ID = {pid: frame_id for frame_id, pid in enumerate(_PROTECTED)}


def protected_id(frame_id: int) -> int:
    """``frame_id`` with its two parity bits (LIN 2.1 §2.3.1.3). Raises ValueError unless 0 to 0x3F."""
    if frame_id not in FRAME_IDS:
        raise ValueError(f"frame id {frame_id:#x} is not in 0 to 0x3F")
    return _PROTECTED[frame_id]


def frame_id_of(pid: int) -> int:
    """The frame id inside a protected identifier. Raises ValueError where the parity is wrong."""
    try:
        return _FRAME_ID[pid]
    except KeyError:
        raise ValueError(f"protected identifier {pid:#04x} has wrong parity") from None


def checksum_model(frame_id: int) -> ChecksumModel:
    """Classic for the two diagnostic frames, enhanced for all others (LIN 2.1 §2.3.1.5)."""
    return ChecksumModel.CLASSIC if frame_id in (MASTER_REQUEST, SLAVE_RESPONSE) else ChecksumModel.ENHANCED


def checksum(frame_id: int, payload: bytes, model: ChecksumModel | None = None) -> int:
    """Checksum byte of a frame: the inverted 8-bit sum with carry (LIN 2.1 §2.3.1.5).

    ``model`` is ``checksum_model(frame_id)`` where None. Raises ValueError for a frame id that is none.
    """
    total = sum(payload)
    if (model or checksum_model(frame_id)) is ChecksumModel.ENHANCED:
        total += protected_id(frame_id)
    return inverted_sum(total)


def inverted_sum(total: int) -> int:
    """Checksum byte for the plain sum of the bytes it covers.

    Adding each carry back keeps the sum modulo 255, with 255 itself standing for every multiple but 0.
    """
    return 255 - ((total - 1) % 255 + 1) if total else 255


def bit_ns(bit_rate: int) -> Fraction:
    """One bit time in ns, exactly. ``bit_rate`` in bit/s."""
    return Fraction(_NS, bit_rate)


def bits_ns(bits: int, bit_rate: int) -> int:
    """``bits`` bit times, to the nearest ns (half up)."""
    return (2 * bits * _NS // bit_rate + 1) // 2


def header_ns(bit_rate: int) -> int:
    """Nominal time of a header: 34 bit times (LIN 2.1 §2.3.2)."""
    return bits_ns(HEADER_BITS, bit_rate)


def response_ns(bit_rate: int, length: int) -> int:
    """Nominal time of a response of ``length`` payload bytes and its checksum: 10 * (length + 1) bit times."""
    return bits_ns(BYTE_BITS * (length + 1), bit_rate)


def header_max_ns(bit_rate: int) -> int:
    """Longest header: 1.4 times nominal, 47.6 bit times (LIN 2.1 §2.3.2; SAE J2602-1 allows 48)."""
    return 7 * HEADER_BITS * _NS // (5 * bit_rate)


def response_max_ns(bit_rate: int, length: int) -> int:
    """Longest response: 1.4 times nominal (LIN 2.1 §2.3.2)."""
    return 7 * BYTE_BITS * (length + 1) * _NS // (5 * bit_rate)


def frame_max_ns(bit_rate: int, length: int) -> int:
    """Longest frame: longest header and longest response."""
    return header_max_ns(bit_rate) + response_max_ns(bit_rate, length)
