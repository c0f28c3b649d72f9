"""What an inspection says: a row for each check."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, dataclass
from enum import Enum


class Verdict(Enum):
    """What came of one check."""

    OK = "ok"
    FAULT = "fault"
    NOT_LOOKED_AT = "not looked at"


@dataclass(frozen=True)
class Finding:
    """What was found; ``fix`` says what to do about it, and None that it is as it should be.

    ``whole``: all of it was looked at.
    """

    found: str
    fix: str | None = None
    whole: bool = True

    @property
    def verdict(self) -> Verdict:
        """What comes of it."""
        if self.fix is not None:
            return Verdict.FAULT
        return Verdict.OK if self.whole else Verdict.NOT_LOOKED_AT


@dataclass(frozen=True)
class Row:
    """One check: of which role, what was done, found and wanted, what came of it, what to fix."""

    role: str
    done: str
    found: str
    wanted: str
    verdict: Verdict
    fix: str = ""

    def as_data(self) -> dict[str, str]:
        """For JSON."""
        return asdict(self) | {"verdict": self.verdict.value}


def exit_code(rows: Iterable[Row]) -> int:
    """5 for a fault, else 3 for something that was not looked at, else 0."""
    verdicts = {row.verdict for row in rows}
    return 5 if Verdict.FAULT in verdicts else 3 if Verdict.NOT_LOOKED_AT in verdicts else 0
