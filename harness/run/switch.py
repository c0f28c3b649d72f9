"""Closing and opening the breaker by its command frame. A command is given once, and taken away unless it is held."""

from __future__ import annotations

from harness.bench.bench import Bench
from harness.clock import MS
from harness.plan.steps import CloseSwitch, OpenSwitch, SetMode
from harness.run.context import Context, Outcome, ask
from harness.run.ledger import Ledger
from harness.run.observe import read_status, stable_status
from protocol.device import Device

_REACTION_NS = 500 * MS  # a command has had its effect by then, at the slow schedule's 250 ms a frame
_MODE_NS = 50 * MS  # the breaker works with it by then
_POLL_NS = 20 * MS


def run_close(step: CloseSwitch, context: Context, outcome: Outcome) -> None:
    """Command closed; expect the switch closed, or with ``refused`` that it stays open."""
    reached = _command(context, "close", "closed", step.held)
    if step.refused:
        outcome.expect(not reached, "the breaker closed, and should have refused")
    else:
        outcome.expect(reached, f"the breaker did not close: {stable_status(context.device, context.bench)}")


def run_open(step: OpenSwitch, context: Context, outcome: Outcome) -> None:
    """Command open; expect the switch open."""
    reached = _command(context, "open", "open")
    outcome.expect(reached, f"the breaker did not open: {stable_status(context.device, context.bench)}")


def run_set_mode(step: SetMode, context: Context, outcome: Outcome) -> None:
    """Command the operating mode; the bands of what follows are those of its set-point banks."""
    set_mode(step.mode, context.device, context.bench, context.ledger)


def set_mode(mode: str, device: Device, bench: Bench, ledger: Ledger) -> None:
    """Send the mode with the command frame from now on. Raises StepError where it does not come back from the wire."""
    ledger.ask_mode(bench.clock.now_ns(), mode)
    ask(device, bench, lambda: bench.master.send_mode(mode))
    bench.idle(_MODE_NS)


def _command(context: Context, command: str, wanted: str, held: bool = False) -> bool:
    """Give one command, watch for its effect, take the command away again unless it is to be ``held``.

    True where the switch came to ``wanted``.
    """
    device, bench = context.device, context.bench
    send_command(context, "none")
    try:
        send_command(context, command)
        deadline_ns = bench.clock.now_ns() + _REACTION_NS
        while read_status(device, bench).switch != wanted and bench.clock.now_ns() < deadline_ns:
            bench.idle(_POLL_NS)
    finally:
        if not held:
            send_command(context, "none")
    return stable_status(device, bench).switch == wanted


def send_command(context: Context, command: str) -> None:
    """Send the command frame now. Raises StepError where it does not come back from the wire."""
    ask(context.device, context.bench, lambda: context.bench.master.send_command(command))
