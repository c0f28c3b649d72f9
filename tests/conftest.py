"""The served bench in a process of its own, for tests of several packages; each process is ended by its id."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator

import pytest
from serving import Serving


def pytest_configure(config: pytest.Config) -> None:
    """What the code keeps in the user's cache folder goes elsewhere; before collection, as some modules load files."""
    patch = pytest.MonkeyPatch()
    folder = tempfile.TemporaryDirectory(prefix="breakerbench-cache-")
    patch.setenv("XDG_CACHE_HOME", folder.name)
    config.add_cleanup(folder.cleanup)
    config.add_cleanup(patch.undo)


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
