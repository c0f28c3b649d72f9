"""What the last inspection of a bench measured, in a file beside the runs: benches/NAME.json in their folder.

{"format": 1, "bench": "served", "digest": "...", "at": "2026-01-31T10:00:00+00:00", "cut_s": {"source off": 0.01}}
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

FORMAT = 1
FOLDER = "benches"
"""Below the folder of the runs."""


class InspectionUnreadable(Exception):
    """The file cannot be written or read, or holds something else."""


@dataclass(frozen=True)
class Measured:
    """Times to off, s, by what was taken away; ``digest`` is the bench file's, ``at`` the date (ISO 8601)."""

    bench: str
    digest: str
    at: str
    cut_s: Mapping[str, float]


def inspection_file(runs: Path, bench: str) -> Path:
    """Where it is kept."""
    return runs / FOLDER / f"{bench}.json"


def write_measured(runs: Path, measured: Measured) -> Path:
    """Keep it, in place of an earlier one; whole or not at all. Raises InspectionUnreadable."""
    path = inspection_file(runs, measured.bench)
    beside = path.with_suffix(".new")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with beside.open("w") as file:
            json.dump({"format": FORMAT, **asdict(measured)}, file, indent=1)
            file.flush()
            os.fsync(file.fileno())
        beside.replace(path)
    except OSError as error:
        raise InspectionUnreadable(f"{path}: cannot be written: {error.strerror}") from error
    return path


def forget_measured(runs: Path, bench: str) -> None:
    """Nothing is known of it any more. Raises InspectionUnreadable."""
    path = inspection_file(runs, bench)
    try:
        path.unlink()
    except (FileNotFoundError, NotADirectoryError):
        return
    except OSError as error:
        raise InspectionUnreadable(f"{path}: cannot be removed: {error.strerror}") from error


def read_measured(runs: Path, bench: str) -> Measured | None:
    """What was kept; None where nothing was. Raises InspectionUnreadable."""
    path = inspection_file(runs, bench)
    try:
        content: Any = json.loads(path.read_text())
        if content.pop("format") != FORMAT:
            raise ValueError(f"want format {FORMAT}")
        measured = Measured(**content)
        times = {str(name): float(seconds) for name, seconds in measured.cut_s.items()}
        return Measured(str(measured.bench), str(measured.digest), str(measured.at), times)
    except FileNotFoundError:
        return None
    except (OSError, ValueError, TypeError, KeyError, AttributeError) as error:
        raise InspectionUnreadable(f"{path}: not what 'breakerbench bench' writes ({error})") from error
