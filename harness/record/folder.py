"""A folder's entries on the disk: a file that was synced is not found again while its name is in memory alone."""

from __future__ import annotations

import os
from pathlib import Path


def sync_folder(folder: Path) -> None:
    """Wait until the names in ``folder``, and its own, are on the disk. Raises OSError."""
    for each in (folder, folder.parent):
        handle = os.open(each, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
