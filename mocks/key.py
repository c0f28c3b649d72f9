"""The maker's key program, as far as this mock is the maker: the seed in hex on standard input, the key in hex on
standard output.

    python -m mocks.key [KEY_BYTES]      as many bytes as the seed has, unless said
"""

from __future__ import annotations

import sys

from mocks.firmware.key import key_of


def main() -> None:
    """Answer one seed. Ends with a message on standard error for anything that is no seed."""
    text = sys.stdin.read()
    try:
        seed = bytes.fromhex(text)
        size = int(sys.argv[1]) if sys.argv[1:] else len(seed)
    except ValueError:
        sys.exit(f"want a seed in hex on standard input, and a number of bytes if any; got {text.strip()!r}")
    if not seed or size < 1:
        sys.exit("want a seed and a key of one byte at least")
    print(key_of(seed, size).hex())


if __name__ == "__main__":
    main()
