"""What a step's runner is given, and what it fills in."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TypeVar

from harness.bench.bench import Bench
from harness.bus.diagnostics import DiagnosticFault
from harness.bus.master import NoAnswer, Refused, Unanswered
from harness.files.build import Build
from harness.plan.plan import Plan
from harness.record.result import Applied, Coverage, Measurement, Verdict, Waveform, strongest
from harness.run.ledger import Ledger
from harness.run.step_errors import StepError, StepFail
from harness.run.verdict import judge
from protocol.device import Device

T = TypeVar("T")


@dataclass(frozen=True)
class Context:
    """One plan on one bench: everything a runner may use."""

    device: Device
    bench: Bench
    ledger: Ledger
    plan: Plan
    build: Build | None = None  # that the run puts in


@dataclass
class Outcome:
    """What a runner found, gathered while it goes; empty means pass."""

    findings: list[tuple[Verdict, str]] = field(default_factory=list)
    measurements: list[Measurement] = field(default_factory=list)
    waveforms: list[Waveform] = field(default_factory=list)
    facts: dict[str, object] = field(default_factory=dict)
    coverage: Coverage = Coverage.NONE
    function: str | None = None
    stimulus: Applied | None = None
    set_points: dict[str, float] | None = None  # as asked for when ``stimulus`` was applied

    def fail(self, reason: str) -> None:
        """The breaker did not do what was asked."""
        self.findings.append((Verdict.FAIL, reason))

    def error(self, reason: str) -> None:
        """Bench, bus or instrument did not deliver."""
        self.findings.append((Verdict.ERROR, reason))

    def not_run(self, reason: str) -> None:
        """The step was not begun."""
        self.findings.append((Verdict.NOT_RUN, reason))

    def expect(self, true: bool, reason: str) -> None:
        """Fail with ``reason`` unless ``true``."""
        if not true:
            self.fail(reason)

    def measure(self, measurement: Measurement, late_word: str = "high", early_word: str = "low") -> Verdict:
        """Judge a measurement against its limits and keep it."""
        verdict, reason = judge(measurement, late_word, early_word)
        self.measurements.append(measurement)
        if reason is not None:
            self.findings.append((verdict, reason))
        return verdict

    @property
    def verdict(self) -> Verdict:
        """The strongest finding, pass where there is none."""
        return strongest([Verdict.PASS, *(verdict for verdict, _ in self.findings)])


def steady(read: Callable[[], T], tries: int = 4) -> T:
    """A reading that came twice in a row from separate frames; what decides a verdict is never read once.

    Raises StepError where ``tries`` readings give no two equal neighbours.
    """
    last = read()
    for _ in range(tries - 1):
        again = read()
        if again == last:
            return again
        last = again
    raise StepError(f"{tries} readings in a row and no two alike; the last was {last!r}")


def ask(device: Device, bench: Bench, request: Callable[[], T]) -> T:
    """Put a request to the breaker and tell its faults from the bench's.

    A refusal and an answer that does not fit the profile are the breaker's. Silence is the breaker's only where the
    header came back from the wire and its supply is good; else it is the bench's. Raises StepFail or StepError.
    """
    try:
        return request()
    except (Refused, DiagnosticFault) as error:
        raise StepFail(str(error)) from error
    except (NoAnswer, Unanswered) as error:
        if isinstance(error, NoAnswer) and error.echo_lost:
            raise StepError(str(error)) from error
        volts = bench.supply_12v.voltage()
        low, high = device.ratings.supply
        if low <= volts <= high:
            raise StepFail(f"{error}; the wire and the {volts:.1f} V supply are good") from error
        raise StepError(f"{error}; but its supply reads {volts:.1f} V") from error
