"""Faulty frames on the wire, and a node put to sleep: what LIN 2.1 wants of a node, and nothing else.

response_error (LIN 2.1 §2.7.3, from memory) must be 1 in the first status frame after a disturbed response that the
node heard, and 0 again in the next one; a faulty header and bytes outside a frame do not set it. Whatever was disturbed
is not acted upon, and the next good header is answered.
"""

from __future__ import annotations

from collections.abc import Sequence

from harness.bus.master import NoAnswer
from harness.clock import MS, S
from harness.plan.steps import RESPONSE_DISTURBANCES, Disturb, SleepAndWake
from harness.run.context import Context, Outcome, ask
from harness.run.observe import answers, read_status, stable_status
from harness.run.step_errors import StepError, StepNotRun
from harness.run.switch import send_command
from protocol.decoder import BREAK, BusEvent, FrameReceived
from protocol.device import Device
from protocol.frame import SYNC, checksum, protected_id
from protocol.signals import FrameLayout, pack

_STRAY = bytes((0x3A, 0xC5, 0x99))  # no break, no sync byte, no long dominant level
_WAKE_UP_NS = 100 * MS  # a node listens again so long after a wake-up signal: LIN 2.1 §2.6.2
_FALL_ASLEEP_NS = 100 * MS  # this project's: LIN 2.1 gives no time
_WRONG_BIT = 0x01
_PARITY_BIT = 0x80


def run_disturb(step: Disturb, context: Context, outcome: Outcome) -> None:
    """Put the faulty frame on the wire, ``count`` times, and look at the node's status after each."""
    if not context.bench.master.capabilities.raw_symbols:
        raise StepNotRun("this port sends nothing but good frames")
    send_command(context, "none")  # a command acts on its change: the disturbed one would, were it taken
    before = stable_status(context.device, context.bench)
    _response_error(context)  # one that was set before this step is shown, and over with it
    layout = _frame(step, context.device)
    commands = layout.name == context.device.command.frame
    payload = _payload(layout, context, before.switch) if commands or _sent_by_master(layout, context.device) else b""
    symbols = _faulty(step, layout, payload)
    wanted = step.kind in RESPONSE_DISTURBANCES
    for number in range(1, step.count + 1):
        heard = context.bench.master.send_symbols(symbols)
        _check_answer(step, layout, payload, heard, outcome, number)
        said = [_response_error(context) for _ in range(3)]
        outcome.expect(
            said == [wanted, False, False],
            f"disturbance {number}: response_error in the next status frames was"
            f" {', '.join(str(int(bit)) for bit in said)}; wanted {int(wanted)}, 0, 0",
        )
        after = read_status(context.device, context.bench)
        outcome.expect(after == before, f"disturbance {number} changed it from {before} to {after}")
        if outcome.findings:
            break
    outcome.facts["disturbances"] = number
    if stable_status(context.device, context.bench).switch != before.switch:
        send_command(context, "open")
        send_command(context, "none")


def _frame(step: Disturb, device: Device) -> FrameLayout:
    if step.frame is not None:
        return device.node.frames[step.frame]
    return device.node.frames[device.command.frame if step.kind in RESPONSE_DISTURBANCES else device.status.frame]


def _sent_by_master(layout: FrameLayout, device: Device) -> bool:
    return layout.publisher == device.node.master


def _payload(layout: FrameLayout, context: Context, switch: str) -> bytes:
    """What the master sends in ``layout``; in the command frame a command that would act, were it taken."""
    command = context.device.command
    if layout.name != command.frame:
        return pack(layout, {})
    values = {command.signal: command.commands["open" if switch == "closed" else "close"]}
    if command.mode_signal is not None and context.ledger.mode is not None:
        values[command.mode_signal] = command.modes[context.ledger.mode]
    return pack(layout, values)


def _faulty(step: Disturb, layout: FrameLayout, payload: bytes) -> list[int]:
    """Symbols of the faulty frame."""
    pid = protected_id(layout.frame_id)
    response = [*payload, checksum(layout.frame_id, payload)] if payload else []
    match step.kind:
        case "stray_bytes":
            return list(_STRAY)
        case "bad_sync":
            return [BREAK, SYNC ^ _WRONG_BIT, pid, *response]
        case "wrong_parity":
            return [BREAK, SYNC, pid ^ _PARITY_BIT, *response]
        case "wrong_checksum" | "short_response" if not payload:
            raise StepNotRun(f"{layout.publisher} sends the response of {layout.name}; a master cannot disturb it")
        case "wrong_checksum":
            return [BREAK, SYNC, pid, *payload, response[-1] ^ _WRONG_BIT]
        case "short_response":
            return [BREAK, SYNC, pid, *payload[: (len(payload) + 1) // 2]]


def _check_answer(
    step: Disturb, layout: FrameLayout, payload: bytes, heard: Sequence[BusEvent], outcome: Outcome, number: int
) -> None:
    """A header that is none must stay unanswered: nothing but the own bytes may be on the wire."""
    if any(isinstance(event, FrameReceived) for event in heard):
        outcome.fail(f"disturbance {number}: a good frame came out of it")
    if not heard:
        raise StepError(f"disturbance {number}: nothing of it came back from the wire")
    if step.kind in ("bad_sync", "wrong_parity") and not payload:
        came = b"".join(getattr(event, "raw", b"") for event in heard)
        outcome.expect(
            len(came) <= 2, f"disturbance {number}: {layout.name} was answered, though its header was faulty"
        )


def _response_error(context: Context) -> bool:
    """The bit in the next status frame; the header is sent once, so that no frame with it is passed over."""
    device, master = context.device, context.bench.master
    retries = master.statistics.retries
    raw = ask(device, context.bench, lambda: master.poll(device.status.frame))
    if master.statistics.retries != retries:
        raise StepError("a status frame was lost on the wire, and may have carried response_error")
    return bool(raw[device.status.response_error_signal])


def run_sleep_and_wake(step: SleepAndWake, context: Context, outcome: Outcome) -> None:
    """Put the node to sleep twice: a header finds it silent and wakes it, then a wake-up signal does."""
    device, bench = context.device, context.bench
    if not bench.master.capabilities.wake_pulse:
        raise StepNotRun("this port sends no wake-up signal")
    before = stable_status(device, bench)
    _sleep(context, _FALL_ASLEEP_NS)
    outcome.expect(not _answers_one_header(context), "it answered a header after the go-to-sleep command")
    bench.master.silence_until(bench.clock.now_ns() + _WAKE_UP_NS)
    outcome.expect(answers(device, bench), f"silent {_WAKE_UP_NS // MS} ms after a header that should have woken it")
    _sleep(context, max(_FALL_ASLEEP_NS, round(step.duration.si * S)))
    bench.master.wake()
    bench.master.silence_until(bench.clock.now_ns() + _WAKE_UP_NS + bench.master.capabilities.latency_ns)
    woken = answers(device, bench)
    outcome.expect(woken, f"silent {_WAKE_UP_NS // MS} ms after a wake-up signal")
    after = stable_status(device, bench)
    outcome.expect(after == before, f"sleep changed it from {before} to {after}")


def _sleep(context: Context, duration_ns: int) -> None:
    master = context.bench.master
    ask(context.device, context.bench, master.go_to_sleep)
    master.silence_until(context.bench.clock.now_ns() + duration_ns)


def _answers_one_header(context: Context) -> bool:
    """Whether one header of the status frame is answered. Raises StepError where it does not come back."""
    try:
        return context.bench.master.probe(context.device.status.frame)
    except NoAnswer as error:
        raise StepError(str(error)) from error
