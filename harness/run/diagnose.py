"""Steps of the diagnostic layer: sessions, security, plain requests, controls, routines, resets."""

from __future__ import annotations

import math
from collections.abc import Callable
from fractions import Fraction

from harness.bus.master import NoAnswer, NotSent, Refused, Unanswered
from harness.bus.traffic import without_secret
from harness.clock import MS, S
from harness.plan.steps import Force, Request, Reset, RunRoutine, StartSession, Unlock
from harness.quantity import show
from harness.record.result import Coverage
from harness.run.access import admit, unlock
from harness.run.context import Context, Outcome, ask, steady
from harness.run.observe import answers, read_set_points, read_status, stable_status
from harness.run.step_errors import StepError, StepFail
from harness.trip.band import operate_band
from protocol.device import Control
from protocol.identifiers import CodeStatusBit, ResetKind, Service
from protocol.transport import FUNCTIONAL_NAD

_ANSWER_LIMIT_NS = 2 * S  # beyond the declared start-up time; a node that is silent for so long is not there
_POLL_NS = 20 * MS
_FORCED_NS = 10 * S  # a function without a band of its own for a value that lasts
_SETTLE_S = 0.5  # beyond a band's latest time: the status frame's turn, and the steadying of a reading
_KEEPS = CodeStatusBit.confirmed | CodeStatusBit.test_failed_this_cycle


def run_start_session(step: StartSession, context: Context, outcome: Outcome) -> None:
    """Start the session; the server must promise the profile's timing or better."""
    timing = context.device.timing
    promised = ask(context.device, context.bench, lambda: context.bench.diagnostics.start_session(step.session))
    outcome.facts["p2_ms"], outcome.facts["p2_star_ms"] = promised.p2_ns // MS, promised.p2_star_ns // MS
    for name, found, declared in (
        ("P2", promised.p2_ns, timing.p2_ns),
        ("P2*", promised.p2_star_ns, timing.p2_star_ns),
    ):
        outcome.expect(found <= declared, f"it allows itself {name} = {found // MS} ms, declared {declared // MS} ms")


def run_unlock(step: Unlock, context: Context, outcome: Outcome) -> None:
    """Ask for a seed, send the key that the bench's command makes, compare the answer with what is expected."""
    security = context.device.security
    if security is not None:
        admit_security(context)
    level = step.level if step.level is not None else security.level if security is not None else 0
    answer = _refusal(lambda: unlock(context, level, step.wrong_key))
    _compare(outcome, "the key", answer, step.expected)


def admit_security(context: Context) -> None:
    """Open a session that knows security access, where the one that is open does not."""
    admit(context, Service.SECURITY)


def run_request(step: Request, context: Context, outcome: Outcome) -> None:
    """Make the request once and compare what comes."""
    master = context.bench.master
    if step.silent:
        _expect_silence(step, context, outcome)
        return
    if step.unfetched:
        ask(context.device, context.bench, lambda: master.send_request(step.payload))
        return
    try:
        answer = ask(context.device, context.bench, lambda: master.request(step.payload, step.nad))
    except StepFail as failure:
        if not isinstance(failure.__cause__, Refused):
            raise
        _compare(outcome, "the request", failure.__cause__.response.name, step.refused)
        return
    shown = without_secret(answer).hex(" ").upper()
    outcome.facts["answer"] = shown
    if step.refused is not None:
        outcome.fail(f"answered {shown or 'nothing'}, and should be refused with {step.refused}")
    elif step.answer is not None:
        outcome.expect(step.answer.matches(answer), f"answered {shown or 'nothing'}, wanted {step.answer}")


def _expect_silence(step: Request, context: Context, outcome: Outcome) -> None:
    """No node may put anything into frame 0x3D: not for as long as an answer may take."""
    master = context.bench.master
    nad = FUNCTIONAL_NAD if step.functional else step.nad
    try:
        answer = master.request(step.payload, nad)
        outcome.expect(not answer, f"answered {without_secret(answer).hex(' ').upper()}, and should be silent")
        if step.functional:
            _listen_for_answers(context)
    except Refused as refused:
        outcome.fail(f"{refused}; it should be silent")
    except NotSent as error:
        raise StepError(str(error)) from error
    except Unanswered as silence:
        outcome.facts["silence"] = silence.reason
    except NoAnswer as error:
        raise StepError(str(error)) from error
    for pdu in master.answer_pdus:
        outcome.fail(f"frame 0x3D carried {pdu[:1].hex().upper()} ..., and should stay empty")


def _listen_for_answers(context: Context) -> None:
    """Ask for an answer until none may come any more."""
    bench = context.bench
    end_ns = bench.clock.now_ns() + context.device.timing.p2_ns
    while bench.clock.now_ns() <= end_ns:
        bench.master.probe_answer()


def run_routine(step: RunRoutine, context: Context, outcome: Outcome) -> None:
    """Start the routine, wait until it is done, compare its result; or expect the refusal."""
    device, diagnostics = context.device, context.bench.diagnostics
    routine = device.routines[step.routine]
    admit(context, Service.ROUTINE, step.refused)
    began_ns = context.bench.clock.now_ns()
    result = b""

    def start() -> None:
        nonlocal result
        result = ask(device, context.bench, lambda: diagnostics.start_routine(routine))

    answer = _refusal(start)
    _compare(outcome, "the routine", answer, step.refused)
    if answer is not None:
        return
    outcome.facts["took_s"] = (context.bench.clock.now_ns() - began_ns) / S
    wanted = routine.result if step.result is None else step.result
    if not result and wanted:
        context.bench.idle(round(routine.duration * S))
        result = ask(device, context.bench, lambda: diagnostics.routine_result(routine))
    shown = result.hex(" ").upper() or "nothing"
    outcome.facts["result"] = shown
    matches = result == wanted if isinstance(wanted, bytes) else wanted.matches(result)
    said = (wanted.hex(" ").upper() or "nothing") if isinstance(wanted, bytes) else str(wanted)
    outcome.expect(matches, f"the routine's result is {shown}, wanted {said}")


def run_reset(step: Reset, context: Context, outcome: Outcome) -> None:
    """Restart the node: session over, switch open, set-points and this cycle's codes kept."""
    device, bench = context.device, context.bench
    codes = ask(device, bench, lambda: steady(bench.diagnostics.codes))
    kept = {code.dtc for code in codes if code.status & _KEEPS == _KEEPS}
    admit(context, Service.RESET)
    probe = _probe(context)
    kind = ResetKind.HARD if step.kind == "hard" else ResetKind.SOFT
    context.ledger.powered_down(bench.clock.now_ns())
    ask(device, bench, lambda: bench.diagnostics.reset(kind))
    _await_node(context)
    context.ledger.powered_up(bench.clock.now_ns())
    if probe is not None:
        answer = _refusal(lambda: ask(device, bench, lambda: bench.master.request(bytes((probe,)))))
        wanted = "service_not_supported_in_session"
        outcome.expect(
            answer == wanted, f"after the reset its session was still open: service {probe:#04x} got {answer}"
        )
    ask(device, bench, bench.master.repeat_command)  # one that is held must not close a breaker that starts anew
    status = stable_status(device, bench)
    outcome.expect(status.switch == "open", f"after the reset the switch is {status.switch}")
    left = {code.dtc for code in ask(device, bench, lambda: steady(bench.diagnostics.codes))}
    outcome.expect(kept <= left, f"the reset lost {len(kept - left)} confirmed code(s)")
    for name, value in read_set_points(device, bench, device.set_points).items():
        wanted_value = context.ledger.asked(name)
        unit = device.set_points[name].field.unit
        outcome.expect(
            value == wanted_value,
            f"after the reset {name} reads {show(float(value), unit)}, was {show(float(wanted_value), unit)}",
        )


def _probe(context: Context) -> int | None:
    """A service of the write session that the default one does not have: how its refusal tells which one is open.

    A session of those is opened for it. The request that is made of it later is one byte long, so it does nothing.
    """
    device = context.device
    session, default = device.sessions[device.write_session], device.sessions.get("default")
    only = session.services - (default.services if default is not None else session.services)
    if not only or Service.RESET not in session.services:
        return None
    ask(device, context.bench, lambda: context.bench.diagnostics.open_session(device.write_session))
    return min(only)


def _await_node(context: Context) -> None:
    """Let the node start. Raises StepFail where it stays silent."""
    bench = context.bench
    bench.idle(context.device.ratings.start_up_ns)
    deadline_ns = bench.clock.now_ns() + _ANSWER_LIMIT_NS
    while not answers(context.device, bench):
        if bench.clock.now_ns() >= deadline_ns:
            raise StepFail(f"silent for {_ANSWER_LIMIT_NS / S:g} s after the reset")
        bench.idle(50 * MS)


def run_force(step: Force, context: Context, outcome: Outcome) -> None:
    """Take the quantity over, see what the breaker makes of it, give it back, see that the real value is back."""
    device, bench = context.device, context.bench
    control = device.controls[step.control]
    admit(context, Service.IO_CONTROL)
    real = _controlled(context, control)
    before = stable_status(device, bench)
    try:
        ask(device, bench, lambda: bench.diagnostics.adjust(control, step.value.exact))
        raw = control.field.to_physical(control.field.to_raw(step.value.exact))
        held = _controlled(context, control)
        outcome.expect(held == raw, f"{step.control} reads {_in_unit(control, held)}, forced to {step.value}")
        if step.function is not None:
            _expect_operation(step, context, outcome)
        else:
            bench.idle(S)
            after = stable_status(device, bench)
            outcome.expect(after == before, f"forced to {step.value}, it came to {after}")
    finally:
        ask(device, bench, lambda: bench.diagnostics.return_control(control))
    bench.idle(S)  # averages of the measuring chain
    back = _controlled(context, control)
    outcome.facts["real_before"], outcome.facts["real_after"] = float(real), float(back)
    outcome.expect(
        abs(float(back - real)) <= _slack(context, control, float(real)),
        f"control was given back and {step.control} reads {_in_unit(control, back)}, {_in_unit(control, real)} before",
    )


def _expect_operation(step: Force, context: Context, outcome: Outcome) -> None:
    device, bench = context.device, context.bench
    assert step.function is not None
    function = device.functions[step.function]
    outcome.function, outcome.coverage = step.function, Coverage.FORCED
    band = operate_band(function, context.ledger.set_points, step.value.si, (0.0, 0.0), context.ledger.mode)
    late = band.late_s if band.late_s is not None and math.isfinite(band.late_s) else None
    limit_ns = _FORCED_NS if late is None else round((late + _SETTLE_S) * S)
    deadline_ns = bench.clock.now_ns() + limit_ns
    while read_status(device, bench).cause != function.cause and bench.clock.now_ns() < deadline_ns:
        bench.idle(_POLL_NS)
    status = stable_status(device, bench)
    operated = status.cause == function.cause and status.switch == "open"
    outcome.expect(operated, f"{step.function} did not operate within {limit_ns / S:.3g} s at {step.value}: {status}")


def _controlled(context: Context, control: Control) -> Fraction:
    diagnostics = context.bench.diagnostics
    return ask(context.device, context.bench, lambda: diagnostics.controlled(control))


def _slack(context: Context, control: Control, value: float) -> float:
    """How far two readings of one real value may be apart: twice the declared error, and the field's step."""
    declared = [
        function.declared
        for function in context.device.functions.values()
        if getattr(function, "quantity", "current") == control.quantity
    ]
    error = max((limits.gain * abs(value) + limits.offset for limits in declared), default=0.0)
    return 2 * error + float(control.field.scale)


def _in_unit(control: Control, value: Fraction) -> str:
    return show(float(value), control.field.unit)


def _refusal(request: Callable[[], object]) -> str | None:
    """Name of the negative answer that ``request`` got; None for a positive one. Other failures pass through."""
    try:
        request()
    except StepFail as failure:
        if isinstance(failure.__cause__, Refused):
            return failure.__cause__.response.name
        raise
    return None


def _compare(outcome: Outcome, what: str, answer: str | None, wanted: str | None) -> None:
    found = "was accepted" if answer is None else f"was refused with {answer}"
    outcome.expect(answer == wanted, f"{what} {found}, wanted {wanted or 'no refusal'}")
