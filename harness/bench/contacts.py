"""Contactor, discharge, and what leads past the breaker: commanded, and seen to follow where there is a feedback.

Who may move them is the gate's matter, when is its user's: harness/bench/high_voltage.py, and nobody else.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from harness.bench.instrument import InstrumentError, PowerSupply
from harness.bench.interlock import InterlockUnit
from harness.bench.safety_spec import PAST, ContactorSpec
from harness.clock import MS, Clock, S

LOOK_NS = 5 * MS
"""Between two looks at what changes."""
_FEEDBACK_NS = 200 * MS  # a contactor's auxiliary contact has followed by then; common practice, no source


def wait_for(clock: Clock, true: Callable[[], bool], at_most_ns: int, problem: str) -> None:
    """Look until ``true``. Raises InstrumentError with ``problem`` where that does not come in time."""
    deadline_ns, over = clock.now_ns() + at_most_ns, False
    while not true():  # once more after the deadline: a slow instrument may have taken most of the time to answer
        if over:
            raise InstrumentError(problem)
        clock.sleep_until(clock.now_ns() + LOOK_NS)
        over = clock.now_ns() >= deadline_ns


class Contacts:
    """The relays of one bench between source and breaker."""

    def __init__(self, interlock: InterlockUnit, spec: ContactorSpec, clock: Clock, source: PowerSupply | None) -> None:
        self._interlock = interlock
        self._spec = spec
        self._clock = clock
        self._source = source

    def begin(self) -> None:
        """Contactor open, discharge on, nothing past the breaker, whatever was before. Raises InstrumentError."""
        self._interlock.relay("contactor", False)
        self._interlock.relay("discharge", True)
        self.unlink()

    def connect(self) -> None:
        """Discharge off and contactor closed, each seen to follow; nothing where it is closed already.

        Raises InstrumentError.
        """
        if self._interlock.inputs().contactor:
            return
        self._interlock.relay("discharge", False)
        self._follow(lambda: not self._interlock.inputs().discharge, "the discharge relay's feedback says closed")
        self._interlock.relay("contactor", True)
        self._follow(lambda: self._interlock.inputs().contactor, "the contactor's feedback does not say that it closed")

    def open(self) -> str:
        """Open the contactor, once the current is below what it may break or the longest wait is over; says which.

        Raises InstrumentError where its feedback says that it is still closed.
        """
        deadline_ns = self._clock.now_ns() + round(self._spec.maximum_wait * S)
        while not self._breakable(current := self._current()) and self._clock.now_ns() < deadline_ns:
            self._clock.sleep_until(min(self._clock.now_ns() + LOOK_NS, deadline_ns))
        self._interlock.relay("contactor", False)
        self._follow(lambda: not self._interlock.inputs().contactor, "the contactor's feedback says closed: welded?")
        shown = "an unknown current" if current is None else f"{current:.1f} A"
        over = f": the longest wait of {self._spec.maximum_wait:g} s was over"
        return f"at {shown}{'' if self._breakable(current) else over}"

    def discharge(self) -> None:
        """Connect the discharge resistors to both sides. Raises InstrumentError where the feedback says open."""
        self._interlock.relay("discharge", True)
        self._follow(lambda: self._interlock.inputs().discharge, "the discharge relay's feedback says open")

    def unlink(self) -> None:
        """Open whatever leads past the breaker, link and precharge resistor. Raises InstrumentError."""
        for name in filter(self._interlock.has, PAST):
            self._interlock.relay(name, False)

    def problems(self) -> Iterator[str]:
        """What of a bench that should be dead does not say so. Raises InstrumentError."""
        inputs = self._interlock.inputs()
        if inputs.contactor:
            yield "the contactor's feedback says closed: welded?"
        if not inputs.discharge:
            yield "the discharge relay's feedback says open"

    def _current(self) -> float | None:
        try:
            return None if self._source is None else self._source.current()
        except InstrumentError:
            return None

    def _breakable(self, current: float | None) -> bool:
        return current is not None and abs(current) < self._spec.breaking_current

    def _follow(self, true: Callable[[], bool], problem: str) -> None:
        wait_for(self._clock, true, _FEEDBACK_NS, problem)
