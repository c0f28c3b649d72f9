"""From a measured value, its limits and its uncertainty to a verdict.

Decision rule of ISO 14253-1 (clause 5, by secondary sources) in the terms of JCGM 106: conformity is shown only inside
limits shrunk by the guard band, nonconformity only outside limits enlarged by it; between is inconclusive.
"""

from __future__ import annotations

from harness.quantity import show
from harness.record.result import Measurement, Verdict

GUARD_FACTOR = 1.645
"""Guard band in standard uncertainties: 5 % one-sided risk of a normal distribution (JCGM 106 table 1)."""


def judge(measurement: Measurement, late_word: str = "high", early_word: str = "low") -> tuple[Verdict, str | None]:
    """Verdict on one measurement and, unless it passes, the reason in plain words.

    ``late_word`` and ``early_word`` say which side was missed; a time says late and early.
    """
    value, low, high = measurement.value, measurement.low, measurement.high
    if value is None:
        return Verdict.FAIL, f"{measurement.name}: did not come; wanted {_limits(measurement)}"
    guard = GUARD_FACTOR * measurement.uncertainty
    said = f"{measurement.name} {show(value, measurement.unit)}"
    if high is not None and value > high + guard:
        return Verdict.FAIL, f"{said} is too {late_word}: wanted {_limits(measurement)}"
    if low is not None and value < low - guard:
        return Verdict.FAIL, f"{said} is too {early_word}: wanted {_limits(measurement)}"
    if (high is None or value <= high - guard) and (low is None or value >= low + guard):
        return Verdict.PASS, None
    return Verdict.INCONCLUSIVE, (
        f"{said} is nearer to a limit than its uncertainty allows to tell: wanted {_limits(measurement)},"
        f" guard band {show(guard, measurement.unit)}"
    )


def _limits(measurement: Measurement) -> str:
    low, high, unit = measurement.low, measurement.high, measurement.unit
    if low is None:
        return "any value" if high is None else f"at most {show(high, unit)}"
    return f"at least {show(low, unit)}" if high is None else f"{show(low, unit)} to {show(high, unit)}"
