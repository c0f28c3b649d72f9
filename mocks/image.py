"""An image of the breaker's application as this mock takes it: text, a word and its value a line.

image 1
node 7FFE 0001 1        supplier, function and variant as the LDF has them
version 1.5.0           a digit each
data 00112233           the program, which means nothing here
crc32 0F1E2D3C          over the bytes of the lines before it (CRC-32 of IEEE 802.3)
"""

from __future__ import annotations

import re
import zlib
from dataclasses import dataclass

_FORM = re.compile(
    rb"(image 1\n"
    rb"node ([0-9A-F]{4}) ([0-9A-F]{4}) (\d+)\n"
    rb"version (\d)\.(\d)\.(\d)\n"
    rb"data [0-9A-F]*\n)"
    rb"crc32 ([0-9A-F]{8})\n"
)


@dataclass(frozen=True)
class Image:
    """An image: for which product, which application. ``whole``: its checksum is that of its content."""

    product: tuple[int, int, int]  # supplier, function, variant
    software: int  # major version, then minor and patch, a digit each
    checksum: int
    whole: bool


def make_image(product: tuple[int, int, int], software: int, data: bytes = b"") -> bytes:
    """The file of an application ``software`` (see Image) for ``product``."""
    supplier, function, variant = product
    body = (
        f"image 1\nnode {supplier:04X} {function:04X} {variant}\n"
        f"version {software >> 8}.{software >> 4 & 0xF}.{software & 0xF}\ndata {data.hex().upper()}\n"
    ).encode("ascii")
    return body + f"crc32 {zlib.crc32(body):08X}\n".encode("ascii")


def read_image(content: bytes) -> Image:
    """The image in ``content``. Raises ValueError where that is none."""
    found = _FORM.fullmatch(content)
    if found is None:
        raise ValueError("no image of format 1")
    body, supplier, function, variant, major, minor, patch, checksum = found.groups()
    return Image(
        (int(supplier, 16), int(function, 16), int(variant)),
        int(major) << 8 | int(minor) << 4 | int(patch),
        int(checksum, 16),
        int(checksum, 16) == zlib.crc32(body),
    )
