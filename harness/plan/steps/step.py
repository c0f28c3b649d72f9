"""What every step has."""

from __future__ import annotations

from harness.files.load import Part
from harness.files.scalars import Name, Text


class Step(Part):
    """A step is frozen, refuses unknown keys, and may carry a name and a note for the report."""

    name: Name | None = None
    note: Text | None = None

    @property
    def roles(self) -> frozenset[str]:
        """Roles of the bench that the step uses beside the LIN port, which every step does."""
        return frozenset()
