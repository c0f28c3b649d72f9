"""A simulated bench on real ports, for tests that talk to one."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

PATIENCE_S = 60.0  # for anything that another process does, on a busy machine


class Serving:
    """`breakerbench serve` with ``arguments``, any free ports; ``bench`` is its ready file once it listens.

    ``ready`` is what is in that file before.
    """

    def __init__(self, folder: Path, *arguments: str, ready: str | None = None) -> None:
        self.ready = folder / "ready.json"
        if ready is not None:
            self.ready.write_text(ready)
        command = [sys.executable, "-c", "from harness.cli import main; main()", "serve", "--port-base", "0"]
        self.process = subprocess.Popen(
            [*command, "--ready", str(self.ready), *arguments], stderr=subprocess.PIPE, text=True
        )
        until = time.monotonic() + PATIENCE_S
        self.bench: dict[str, Any] = {}
        while not self.bench and self.process.poll() is None:
            assert time.monotonic() < until, "the server does not get ready"
            time.sleep(0.01)
            if self.ready.exists() and (text := self.ready.read_text()) != ready:
                self.bench = json.loads(text)

    def end(self) -> None:
        self.process.kill()
        self.process.communicate(timeout=PATIENCE_S)
