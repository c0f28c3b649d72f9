"""Bringing the diagnostic server to where the profile says that a service is allowed: its session, and its key.

A step does this first, so that only what it is about can refuse it; but one that expects to be kept out stays out.
"""

from __future__ import annotations

from harness.bench.key import KeyCommandError, key_of
from harness.run.context import Context, ask
from harness.run.step_errors import StepError, StepFail, StepNotRun
from protocol.identifiers import Service

LOCKED = "security_access_denied"
KEPT_OUT = ("service_not_supported_in_session", "sub_function_not_supported_in_session")


def admit(context: Context, service: Service, refused: str | None = None) -> None:
    """Open a session that allows ``service``, and unlock it where the profile wants that.

    With ``refused``, the answer that is wanted: no key where it is LOCKED, nothing at all where it is of KEPT_OUT.
    Raises StepFail for what the breaker refuses, StepError and StepNotRun where the bench's key command gives no key.
    """
    if refused in KEPT_OUT:
        return
    device, diagnostics = context.device, context.bench.diagnostics
    session = device.sessions.get(diagnostics.session)
    if session is None or service not in session.services:
        name = next(
            (name for name in (device.write_session, *device.sessions) if service in device.sessions[name].services),
            None,
        )
        if name is None:
            raise StepNotRun(f"no session of {device.name} allows service 0x{service:02X}")
        ask(device, context.bench, lambda: diagnostics.open_session(name))
    if refused == LOCKED or diagnostics.unlocked:
        return
    if device.security is not None and service in device.security.services:
        unlock(context, device.security.level)


def unlock(context: Context, level: int, wrong: bool = False) -> None:
    """Ask for a seed of ``level`` and send its key; ``wrong``: one that differs in one bit.

    A seed of zeros says that it is unlocked already (ISO 14229-1). Raises StepFail with the refusal as its cause.
    """
    device, bench, diagnostics = context.device, context.bench, context.bench.diagnostics
    security = device.security
    if security is None:
        raise StepNotRun(f"{device.name} has no security access")
    if bench.spec.commands.get("key") is None:
        raise StepNotRun(f"bench {bench.spec.name} has no command 'key' to make the key with")
    context.ledger.wear.afford("key_attempts", 1)
    seed = ask(device, bench, lambda: diagnostics.seed(level))
    if len(seed) != security.seed_bytes:
        raise StepFail(f"the seed has {len(seed)} bytes, the profile says {security.seed_bytes}")
    if not any(seed) and not wrong:
        diagnostics.note_unlocked()
        return
    try:
        key = key_of(bench.spec.commands["key"], seed, security.key_bytes)
    except KeyCommandError as error:
        raise StepError(str(error)) from error
    sent = bytes((key[0] ^ 1, *key[1:])) if wrong else key
    context.ledger.wear.spend("key_attempts", 1, f"level {level}")
    ask(device, bench, lambda: diagnostics.send_key(level, sent))
