"""What a master notes of its bus: counters, lateness, and runs of equal traffic for the journal."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field

from protocol.decoder import BusEvent, FaultKind, FrameReceived, NoResponse, WireFault
from protocol.exchange import Answer, Outcome, Unanswered
from protocol.identifiers import Service

_US = 1_000
_SECRETS = (Service.SECURITY, Service.SECURITY + 0x40)  # a request with a key, an answer with a seed


@dataclass(frozen=True)
class Run:
    """Equal events, one after the other on their frame id: an unchanged frame is counted, not repeated."""

    event: BusEvent  # the first of them
    last_ns: int  # end of the last
    count: int


@dataclass(frozen=True)
class RequestMade:
    """A diagnostic request and what became of it; seeds and keys are left out, which ``masked`` says."""

    nad: int
    request: bytes
    outcome: Outcome
    start_ns: int
    end_ns: int
    masked: bool = False


def without_secret(payload: bytes) -> bytes:
    """A request or an answer as it may be shown: of service 27, no more than service and sub-function."""
    return payload[:2] if payload[:1] and payload[0] in _SECRETS else payload


def request_made(nad: int, request: bytes, outcome: Outcome, start_ns: int, end_ns: int) -> RequestMade:
    """A request as it may be recorded."""
    kept = outcome
    match outcome:
        case Answer(payload):
            kept = Answer(without_secret(payload))
        case Unanswered(reason, heard) if heard:
            kept = Unanswered(reason, without_secret(heard))
    shown = without_secret(request)
    return RequestMade(nad, shown, kept, start_ns, end_ns, masked=shown != request or kept != outcome)


Observer = Callable[[Run | RequestMade], None]
"""Is given each run when it has ended, and each request when it has been answered or given up."""


@dataclass
class Lateness:
    """How late headers were sent, as a histogram. Bucket n counts lateness below 2**n us and not below half of that."""

    buckets: Counter[int] = field(default_factory=Counter)
    worst_ns: int = 0
    missed: int = 0  # slots left out because the one before them took too long

    def add(self, late_ns: int) -> None:
        """Count one header."""
        self.buckets[max(late_ns // _US, 0).bit_length()] += 1
        self.worst_ns = max(self.worst_ns, late_ns)

    def below_us(self, share: float) -> int:
        """A bound in us that at least ``share`` (0 to 1) of the headers kept; 0 where none was sent."""
        seen, wanted = 0, share * self.buckets.total()
        for bucket in sorted(self.buckets):
            seen += self.buckets[bucket]
            if seen >= wanted:
                return 1 << bucket
        return 0


@dataclass
class Statistics:
    """Counters of a bus since the master was made."""

    frames: int = 0
    no_response: int = 0
    faults: Counter[FaultKind] = field(default_factory=Counter)
    retries: int = 0
    no_echo: int = 0  # headers and own frames that did not come back: the port's or the wire's fault
    lateness: Lateness = field(default_factory=Lateness)

    def count(self, event: BusEvent) -> None:
        """Count one event."""
        match event:
            case FrameReceived():
                self.frames += 1
            case NoResponse():
                self.no_response += 1
            case WireFault():
                self.faults[event.kind] += 1

    @property
    def figures(self) -> dict[str, object]:
        """All of it as plain values, by name."""
        return {
            "frames": self.frames,
            "no_response": self.no_response,
            "faults": {kind.value: number for kind, number in self.faults.items()},
            "retries": self.retries,
            "no_echo": self.no_echo,
            "late_us_half": self.lateness.below_us(0.5),
            "late_us_99_of_100": self.lateness.below_us(0.99),
            "late_us_worst": self.lateness.worst_ns // 1000,
            "slots_missed": self.lateness.missed,
        }


class Runs:
    """Folds equal events of a frame id into runs and hands each run on when something else comes."""

    def __init__(self, observer: Observer) -> None:
        self._observer = observer
        self._open: dict[int | None, tuple[tuple[object, ...], BusEvent, int, int]] = {}

    def add(self, event: BusEvent) -> None:
        """One more event."""
        what = _what(event)
        run = self._open.get(event.frame_id)
        if run is not None and run[0] == what:
            self._open[event.frame_id] = (what, run[1], event.end_ns, run[3] + 1)
            return
        if run is not None:
            self._observer(Run(*run[1:]))
        self._open[event.frame_id] = (what, event, event.end_ns, 1)

    def flush(self) -> None:
        """End every run, oldest first."""
        runs, self._open = self._open, {}
        for _, event, last_ns, count in sorted(runs.values(), key=lambda run: run[1].start_ns):
            self._observer(Run(event, last_ns, count))


def _what(event: BusEvent) -> tuple[object, ...]:
    match event:
        case FrameReceived():
            return (event.payload,)
        case NoResponse():
            return ()
        case WireFault():
            return (event.kind, event.raw)
