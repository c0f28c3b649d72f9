"""The section `backup` of a bench file, which a picture of a run's characteristic needs of that file and no more."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, ValidationError

from harness.files.load import Part
from harness.files.marks import FileError, FileErrors, compose
from harness.quantity import Current, Time, Voltage, show


class BackupSection(Part):
    """The fuse or breaker that clears what the breaker under test does not."""

    kind: Literal["fuse", "breaker"]
    current: Current
    breaking_current: Current
    voltage: Voltage
    curve: Annotated[tuple[tuple[Current, Time], ...], Field(min_length=2)]

    @property
    def points(self) -> tuple[tuple[float, float], ...]:
        """Its time-current curve in A and s."""
        return tuple((current.si, time.si) for current, time in self.curve)


def backup_words(kind: str, current: float) -> str:
    """What a backup of ``current`` A is called."""
    return f"backup {kind} {show(current, 'A')}"


def load_backup(path: Path) -> BackupSection | None:
    """The backup of the bench file at ``path``, None where it has none. Raises FileErrors; the rest is not judged."""
    document = compose(path)
    content = document.data()
    section = content.get("backup") if isinstance(content, dict) else None
    if section is None:
        return None
    try:
        return BackupSection.model_validate(section)
    except ValidationError as error:
        raise FileErrors([FileError(document.mark(("backup",), key=True), "not a backup's section")]) from error
