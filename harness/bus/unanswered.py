"""How a frame or a request comes to nothing: no frame, a refusal, no answer. What a master raises."""

from __future__ import annotations

from harness.bus.traffic import without_secret
from protocol.decoder import BusEvent, FrameReceived, NoResponse, WireFault
from protocol.services import NegativeResponse


class NoAnswer(Exception):
    """A frame did not come, though its header was sent ``tries`` times; ``heard`` are the outcomes, one a try.

    An outcome of None: not even the header came back, which is the port's or the wire's fault and not the node's.
    """

    def __init__(self, frame: str, heard: list[BusEvent | None]) -> None:
        self.frame = frame
        self.heard = heard
        self.echo_lost = all(event is None for event in heard)
        outcomes = ", ".join(sorted({outcome_text(event) for event in heard}))
        super().__init__(f"{frame}: no good frame in {len(heard)} tries: {outcomes}")


class Refused(Exception):
    """The node answered a request with ``response``, a negative answer."""

    def __init__(self, request: bytes, response: NegativeResponse) -> None:
        self.request = request
        self.response = response
        super().__init__(f"request {without_secret(request).hex(' ')} was refused: {response.name}")


class Unanswered(Exception):
    """A request got no answer that is one: ``reason`` says why, ``heard`` is what came instead, if anything."""

    def __init__(self, request: bytes, reason: str, heard: bytes = b"") -> None:
        self.request = request
        self.reason = reason
        self.heard = heard
        shown, instead = without_secret(request).hex(" "), without_secret(heard).hex(" ")
        super().__init__(f"request {shown}: {reason}" + (f"; heard {instead}" if heard else ""))


class NotSent(Unanswered):
    """A request did not come back whole from the wire, so that nobody knows whether the node heard it."""


def outcome_text(event: BusEvent | None) -> str:
    """What became of a frame, in words."""
    match event:
        case None:
            return "the header did not come back"
        case NoResponse():
            return "no response"
        case WireFault():
            return event.kind.value
        case FrameReceived():
            return "good frame"
