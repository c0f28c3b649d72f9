"""The served bench in a process of its own, for tests of several packages; each process is ended by its id."""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

PATIENCE_S = 60.0  # for anything that another process does, on a busy machine


def pytest_configure(config: pytest.Config) -> None:
    """What the code keeps in the user's cache folder goes elsewhere; before collection, as some modules load files."""
    patch = pytest.MonkeyPatch()
    folder = tempfile.TemporaryDirectory(prefix="breakerbench-cache-")
    patch.setenv("XDG_CACHE_HOME", folder.name)
    config.add_cleanup(folder.cleanup)
    config.add_cleanup(patch.undo)


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


@pytest.fixture(scope="session")
def serving(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Callable[..., Serving]]:
    """Starts a server; the arguments are the command line's."""
    started: list[Serving] = []

    def start(*arguments: str, ready: str | None = None) -> Serving:
        started.append(Serving(tmp_path_factory.mktemp("serving"), *arguments, ready=ready))
        return started[-1]

    yield start
    for server in started:
        server.end()


@pytest.fixture(scope="session")
def served(serving: Callable[..., Serving]) -> Serving:
    """One server for all who leave it as they found it."""
    return serving()
