"""Rules for the diagnostic layer and the bus: what a good breaker answers, and what would change it behind the plan."""

from __future__ import annotations

from harness.check.spot import Faults, Spot, known, known_refusal, lasts
from harness.plan.steps import (
    RESPONSE_DISTURBANCES,
    Disturb,
    Request,
    RunRoutine,
    SetMode,
    SleepAndWake,
    StartSession,
    Unlock,
)
from protocol.identifiers import Service

_LONGEST = 4095  # bytes of a message of the transport layer (ISO 17987-2, from memory)
_SINGLE_FRAME = 6  # bytes of a message in one frame
_FUNCTIONAL, _BROADCAST = 0x7E, 0x7F  # node addresses (LIN 2.1, 4.2.3.2, from memory)
_POSITIVE = 0x40  # what a positive answer adds to the service identifier
_STEPS = {
    Service.WRITE_DATA: "write_set_points",
    Service.RESET: "reset",
    Service.CLEAR_CODES: "clear_codes",
    Service.IO_CONTROL: "force",
    Service.ROUTINE: "run_routine",
    Service.SECURITY: "unlock",
}
"""Services that change what a plan goes by, and the step that says so."""


def check_mode(step: SetMode, spot: Spot) -> Faults:
    """The mode is one of the device's."""
    if not spot.device.command.modes:
        yield spot.error(f"{spot.device.name} has no operating modes")
    else:
        yield from known("mode", [step.mode], spot.device.command.modes, spot, ("mode",), key=False)


def check_session(step: StartSession, spot: Spot) -> Faults:
    """The session is one of the profile's."""
    yield from known("session", [step.session], spot.device.sessions, spot, ("session",), key=False)


def check_unlock(step: Unlock, spot: Spot) -> Faults:
    """There is a lock, the bench has the key, and the answer is the one that the attempts so far lead to."""
    yield from known_refusal(step.refused, spot)
    security = spot.device.security
    if security is None:
        yield spot.error(f"{spot.device.name} has no security access")
        return
    if step.level is not None and step.level != security.level:
        yield spot.error(f"the profile's level is 0x{security.level:02X}", "level")
    if spot.bench is not None and "key" not in spot.bench.commands:
        yield spot.error(f"bench {spot.bench.name} has no command 'key' to make the key with")
    expected = _answer_to_key(step, spot)
    if step.expected != expected:
        found = "taken" if step.expected is None else step.expected
        yield spot.error(f"a good breaker answers {expected or 'that the key is taken'} here, not {found}")


def _answer_to_key(step: Unlock, spot: Spot) -> str | None:
    security = spot.device.security
    assert security is not None
    if spot.course.barred_s:
        return "required_time_delay_not_expired"
    if not step.wrong_key:
        return None
    return "exceeded_attempts" if spot.course.wrong_keys + 1 >= security.attempts else "invalid_key"


def check_request(step: Request, spot: Spot) -> Faults:
    """The bytes are a request, and the answer could be one to it."""
    yield from known_refusal(step.refused, spot)
    service = step.payload[0]
    most = _SINGLE_FRAME if step.functional else _LONGEST
    if len(step.payload) > most:
        yield spot.error(f"{len(step.payload)} bytes; a request has {most} at most", "payload")
    if service & _POSITIVE or service == 0x00:
        yield spot.error(f"0x{service:02X} is no service identifier of a request", "payload")
    if step.nad is not None and step.nad in (0x00, _FUNCTIONAL):
        yield spot.error(f"0x{step.nad:02X} is no address of a node", "nad")
    if step.functional and not step.silent:
        yield spot.error("nobody answers a functional request; want silent: true", "functional")
    own = (spot.device.node.configured_nad, _BROADCAST)
    if step.nad is not None and step.nad not in own and not step.silent:
        yield spot.error(f"0x{step.nad:02X} is not the node's address; want silent: true", "nad")
    if step.answer is None:
        return
    first = step.answer.pairs[0] if step.answer.pairs else None
    if first == 0x7F:
        yield spot.error("a negative answer is said by 'refused'", "answer")
    elif first is not None and first != service + _POSITIVE:
        message = f"a positive answer to 0x{service:02X} begins with 0x{service + _POSITIVE & 0xFF:02X}"
        yield spot.error(message, "answer")
    if service in _STEPS and not _asks_for_seed(step.payload):
        message = f"a plan must know what changes the breaker; say it by the step {_STEPS[Service(service)]}"
        yield spot.error(message, "payload")


def _asks_for_seed(payload: bytes) -> bool:
    """Opens nothing, and the step `unlock` asks for a seed of its own: odd sub-functions of 27 (ISO 14229-1)."""
    return len(payload) == 2 and payload[0] == Service.SECURITY and bool(payload[1] & 1)


def check_routine(step: RunRoutine, spot: Spot) -> Faults:
    """The routine is one of the profile's, and the result the one that it declares."""
    yield from known("routine", [step.routine], spot.device.routines, spot, ("routine",), key=False)
    yield from known_refusal(step.refused, spot)
    routine = spot.device.routines.get(step.routine)
    if routine is not None and step.result is not None and not step.result.matches(routine.result):
        declared = routine.result.hex(" ").upper() or "nothing"
        yield spot.error(f"a good breaker's result is {declared}", "result")


def check_sleep(step: SleepAndWake, spot: Spot) -> Faults:
    """A time, and a switch that is known to be open: what a closed one does asleep, no profile says."""
    yield from lasts(step.duration, spot, "duration")
    if spot.course.state in (None, "on"):
        yield spot.error("the breaker is not known to be open here; put '- open' before this step")


def check_disturb(step: Disturb, spot: Spot) -> Faults:
    """The frame is one of the LDF; a response is disturbed where the node hears it, so where the master sends it."""
    if step.frame is None:
        return
    frames = spot.device.node.frames
    if step.kind == "stray_bytes":
        yield spot.error("stray bytes belong to no frame", "frame")
    elif step.frame not in frames:
        yield from known("frame", [step.frame], frames, spot, ("frame",), key=False)
    elif step.kind in RESPONSE_DISTURBANCES and frames[step.frame].publisher != spot.device.node.master:
        message = f"{frames[step.frame].publisher} sends the response of {step.frame}, so the node does not hear it"
        yield spot.error(f"{message}; want a frame of {spot.device.node.master}", "frame")
