"""What may be set on each role, by default header: the bench file's declared ranges, which nothing written leaves."""

from __future__ import annotations

import math
from dataclasses import dataclass

_ROUNDING = 1e-9  # of a limit: what a sum of floats may be beyond it
_FORMAT = 1e-4  # of a value: what an instrument may round in reading it back


@dataclass(frozen=True)
class Range:
    """From ``lowest`` to ``highest``, in the quantity's SI unit; ``gain`` and ``offset`` are its limits of error."""

    lowest: float
    highest: float
    gain: float = 0.0
    offset: float = 0.0

    def holds(self, value: float) -> bool:
        """Whether ``value`` may be written."""
        slack = _ROUNDING * max(abs(self.lowest), abs(self.highest)) if math.isfinite(self.highest) else 0.0
        return self.lowest - slack <= value <= self.highest + slack

    def same(self, asked: float, held: float) -> bool:
        """Whether ``held`` reads back as ``asked``, within what the instrument resolves or promises."""
        return abs(held - asked) <= max(_FORMAT * abs(asked), self.gain * abs(asked) + self.offset, _ROUNDING)


ANY = Range(-math.inf, math.inf)
"""Where the bench file declares nothing."""
