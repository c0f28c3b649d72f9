"""Whether a real bench was left in doubt: a file beside the runs, benches/NAME.in_doubt, until a side is proved dead.

It is there before anything is energised, so that a run that is killed, or that ends without proof, leaves it behind.
Whoever finds it energises nothing: a person's recorded statement takes it away, no program's restart.
"""

from __future__ import annotations

import os
from pathlib import Path

from harness.record.folder import sync_folder
from harness.record.inspection import FOLDER


class Standing:
    """What is kept of one bench. A simulated one is a new one in each run, and nothing is kept of it."""

    def __init__(self, runs: Path | None, bench: str) -> None:
        """``runs``: the folder of the runs; None: the bench is simulated."""
        self._path = None if runs is None else runs / FOLDER / f"{bench}.in_doubt"

    def doubt(self) -> str | None:
        """What an earlier run left; None where it left nothing."""
        if self._path is None:
            return None
        try:
            return self._path.read_text(errors="replace").strip() or "nobody knows since when"
        except (FileNotFoundError, NotADirectoryError):
            return None if not self._path.is_symlink() else f"{self._path}: leads nowhere"
        except OSError as error:
            return f"{self._path}: cannot be read: {error.strerror}"

    def in_doubt(self, why: str) -> None:
        """From now on; on the disk when this returns. Raises OSError."""
        if self._path is None:
            return
        self._path.parent.mkdir(parents=True, exist_ok=True)
        with self._path.open("w") as file:
            file.write(f"{why}\n")
            file.flush()
            os.fsync(file.fileno())
        sync_folder(self._path.parent)

    def dead(self) -> None:
        """Both sides are proved dead, or a person stated it. Raises OSError."""
        if self._path is not None:
            self._path.unlink(missing_ok=True)
