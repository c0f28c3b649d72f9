"""What a unit has been through, over all runs: one file a serial number, one JSON line an entry, oldest first.

Rule 1: an entry is on the disk before what it tells of happens, so that a kill can only count too much.
Rule 2: entries are appended in one write each and never changed; a person's word ends a quarantine, no program's.
"""

from __future__ import annotations

import fcntl
import hashlib
import json
import math
import os
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

from harness.record.folder import sync_folder

FOLDER = "units"
_ENTRIES = ("spent", "strained", "settled", "quarantined", "released")
_PLAIN = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,63}")


class WearError(Exception):
    """The file of a unit cannot be read or written."""


@dataclass(frozen=True)
class UnitWear:
    """A unit as its file tells: spent by kind, why it is quarantined (None: it is not), lines that are no entries."""

    spent: Mapping[str, float] = field(default_factory=dict)
    quarantine: str | None = None
    damaged: int = 0
    entries: tuple[Mapping[str, object], ...] = ()


def path_of(runs: Path, serial: str) -> Path:
    """The file of ``serial`` beside the run records in ``runs``; of one that is no file name, by its digest."""
    name = serial if _PLAIN.fullmatch(serial) else f"sha256-{hashlib.sha256(serial.encode()).hexdigest()[:24]}"
    return runs / FOLDER / f"{name}.jsonl"


def read(path: Path) -> UnitWear:
    """The unit of ``path``, new where there is no file yet. Raises WearError.

    A last line that a kill has cut short is passed over and counted; what it stood for had not happened. Any other line
    that is no entry quarantines the unit.
    """
    try:
        lines = path.read_bytes().split(b"\n") if path.exists() else [b""]
    except OSError as error:
        raise WearError(f"{path}: cannot be read: {error.strerror}") from error
    found = [_entry(line) for line in lines[:-1]]  # the last one has no end: nothing, or cut short
    spent: dict[str, float] = {}
    quarantine: str | None = None
    strained: str | None = None
    for number, entry in enumerate(found, start=1):
        if entry is None:
            quarantine = f"{path}:{number}: no entry, and nobody knows what it said"
        elif entry["entry"] == "spent":
            kind = str(entry["kind"])
            spent[kind] = spent.get(kind, 0.0) + float(str(entry["amount"]))
        elif entry["entry"] == "quarantined":
            quarantine = f"{entry.get('reason')} ({entry.get('run')}, {entry.get('at')})"
        elif entry["entry"] == "strained":
            strained = f"nobody knows what came of {entry.get('what')} ({entry.get('run')}, {entry.get('at')})"
        else:
            strained, quarantine = None, None if entry["entry"] == "released" else quarantine
    quarantine = quarantine or strained
    entries = tuple(entry for entry in found if entry is not None)
    return UnitWear(spent, quarantine, len(found) - len(entries) + bool(lines[-1]), entries)


def append(path: Path, serial: str, entry: str, **detail: object) -> None:
    """Add one entry and wait until it is on the disk. Raises WearError."""
    at = datetime.now(UTC).isoformat(timespec="seconds")
    line = json.dumps({"entry": entry, "at": at, "serial": serial, **detail}, allow_nan=False).encode() + b"\n"
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        new = not path.exists()
        file = os.open(path, os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o644)
        try:
            fcntl.flock(file, fcntl.LOCK_EX)  # until it is closed
            os.ftruncate(file, _whole(path))  # what a kill has cut short stood for nothing that happened
            if os.write(file, line) != len(line):
                raise WearError(f"{path}: the disk took a part of an entry only")
            os.fsync(file)
        finally:
            os.close(file)
        if new:
            sync_folder(path.parent)
    except OSError as error:
        raise WearError(f"{path}: cannot be written: {error.strerror}") from error


def _whole(path: Path) -> int:
    """Bytes up to the end of the last line that has one."""
    return path.read_bytes().rfind(b"\n") + 1


def _entry(line: bytes) -> Mapping[str, object] | None:
    try:
        found = json.loads(line)
    except ValueError:
        return None
    if not isinstance(found, dict) or found.get("entry") not in _ENTRIES:
        return None
    return found if found["entry"] != "spent" or _is_spending(found) else None


def _is_spending(entry: Mapping[str, object]) -> bool:
    amount = entry.get("amount")
    if not isinstance(amount, int | float) or isinstance(amount, bool):
        return False
    return isinstance(entry.get("kind"), str) and math.isfinite(amount) and amount >= 0
