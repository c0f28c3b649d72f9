"""Who may say no to high voltage: the gate, the bench, and the watchdog beside them."""

from __future__ import annotations

from typing import Protocol

from harness.bench.instrument import InstrumentError


class GateRefused(Exception):
    """The gate lets nothing be energised: the step is not run."""


class BenchUnsafe(InstrumentError):
    """The interlock opened, the watchdog fell silent, or voltage is where none may be: the run ends here."""


class Watchdog(Protocol):
    """The other process, or what stands in for it on the simulated bench."""

    def guard(self, on: bool) -> None:
        """While on, silence counts: it makes safe when the harness stops beating."""
        ...

    def beat(self) -> None:
        """The harness lives."""
        ...

    def alive(self) -> bool:
        """Whether it watches, and has not acted."""
        ...

    def hush(self) -> None:
        """Beat no more, as if the harness hung: for measuring how soon it acts. Nothing takes this back."""
        ...

    def close(self) -> None:
        """Nothing is to be guarded any more."""
        ...
