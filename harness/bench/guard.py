"""Who may say no to high voltage: gate, bench, and the watchdog beside them; and what of a bench goes live."""

from __future__ import annotations

from typing import Protocol

from harness.bench.instrument import CurrentStimulus, InstrumentError, IsolationMonitor, PowerSupply
from harness.bench.spec import BenchSpec
from harness.clock import Clock


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


class LiveBench(Protocol):
    """What the high-voltage side needs of a bench that is open."""

    @property
    def spec(self) -> BenchSpec:
        """As its file describes it."""
        ...

    @property
    def clock(self) -> Clock:
        """Its own."""
        ...

    @property
    def attended(self) -> Clock:
        """The same for whoever waits: the bus goes on meanwhile, so that the breaker does not miss its master."""
        ...

    @property
    def simulated(self) -> bool:
        """Whether all of it is in this process."""
        ...

    @property
    def source(self) -> PowerSupply | None:
        """Role source."""
        ...

    @property
    def load(self) -> CurrentStimulus | None:
        """Role load."""
        ...

    @property
    def bank(self) -> PowerSupply | None:
        """The charger of role bank."""
        ...

    @property
    def isolation(self) -> IsolationMonitor | None:
        """Role isolation."""
        ...
