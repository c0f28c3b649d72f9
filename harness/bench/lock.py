"""One process on one real bench: a lock file for each resource, held while the bench is open.

The lock is the kernel's (flock), so it ends with its process however that ends; the file stays, and says who held it.
It keeps out processes of the same user, or of all where there is no runtime folder: another machine that shares the
instruments is not seen.
"""

from __future__ import annotations

import fcntl
import getpass
import hashlib
import os
import re
import tempfile
from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path

from harness.bench.instrument import InstrumentError
from harness.bench.resource import canonical


class BenchInUse(InstrumentError):
    """Another process has a resource of this bench open; the message says which process."""


class BenchLock:
    """The locks of some resources, taken all or none."""

    def __init__(self, resources: Iterable[str]) -> None:
        """Raises BenchInUse, or InstrumentError where no lock file can be made."""
        self._files: list[int] = []
        try:
            for resource in sorted(set(map(canonical, resources))):
                self._files.append(_locked(resource))
        except BaseException:
            self.release()
            raise

    def release(self) -> None:
        """Let go. A second call does nothing."""
        while self._files:
            os.close(self._files.pop())


def lock_file(resource: str) -> Path:
    """Where the lock of ``resource`` lies."""
    name = hashlib.sha256(canonical(resource).encode()).hexdigest()[:16]
    return Path(os.environ.get("XDG_RUNTIME_DIR") or tempfile.gettempdir()) / f"breakerbench-{name}.lock"


def _locked(resource: str) -> int:
    path = lock_file(resource)
    try:
        file = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o666)
    except OSError as error:
        raise InstrumentError(f"{resource}: cannot make the lock file {path}: {error.strerror}") from error
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        who = re.sub(r"[^ -~]", " ", os.read(file, 200).decode("ascii", "replace")).strip()
        os.close(file)
        raise BenchInUse(f"{resource} is in use by {who or 'another process'}") from None
    os.ftruncate(file, 0)
    since = datetime.now(UTC).isoformat(timespec="seconds")
    os.pwrite(file, f"process {os.getpid()} of {user_name()} since {since}".encode(), 0)
    return file


def user_name() -> str:
    """The login name, or the number of a user that has none."""
    try:
        return getpass.getuser()
    except (KeyError, OSError):  # a user id without a name
        return f"user {os.getuid()}"
