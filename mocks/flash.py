"""The maker's programming tool, as far as this mock is the maker.

    python -m mocks.flash RESOURCE IMAGE     RESOURCE: TCPIP::127.0.0.1::47119::SOCKET

Ends with 0 once the boot loader says that it is done. What the breaker then runs is not looked at.
"""

from __future__ import annotations

import base64
import re
import socket
import sys
import time
from pathlib import Path

_RESOURCE = re.compile(r"TCPIP\d*::([^:]+)::(\d+)::SOCKET")
_PATIENCE_S = 20.0
_PAUSE_S = 0.05


def main() -> None:
    """Program one image. Ends with a message on standard error where it was not taken."""
    resource, file = sys.argv[1:] if len(sys.argv) == 3 else sys.exit("want a resource and an image file")
    address = _RESOURCE.fullmatch(resource)
    if address is None:
        sys.exit(f"{resource}: no programming connector of this bench")
    try:
        content = Path(file).read_bytes()
        with socket.create_connection((address[1], int(address[2])), _PATIENCE_S) as connection:
            print(f"{file}: {len(content)} bytes to {resource}")
            print(_program(connection, content))
    except OSError as error:
        sys.exit(str(error))


def _program(connection: socket.socket, content: bytes) -> str:
    lines = connection.makefile("rw", encoding="ascii", newline="\n")

    def ask(line: str) -> str:
        lines.write(f"{line}\n")
        lines.flush()
        return lines.readline().strip()

    answer = ask(f"IMAGE {base64.b64encode(content).decode()}")
    if answer != "OK":
        sys.exit(answer or "the connector was taken away")
    until = time.monotonic() + _PATIENCE_S
    while (state := ask("STATE?")) == "BUSY" and time.monotonic() < until:
        time.sleep(_PAUSE_S)
    if state != "DONE":
        sys.exit(f"programming ended as {state or 'a lost connection'}")
    return "done"


if __name__ == "__main__":
    main()
