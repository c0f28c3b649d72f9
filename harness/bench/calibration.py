"""When an instrument was calibrated, and when it is due again."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Calibration:
    """Dates of an instrument's calibration, ISO 8601; None where the bench file does not say."""

    calibrated: str | None = None
    due: str | None = None

    def overdue(self, today: str) -> bool:
        """Whether it had run out on the day ``today`` (ISO 8601)."""
        return self.due is not None and self.due < today[:10]
