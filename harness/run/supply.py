"""The breaker's 12 V supply: on at the start of a run, away and back in a power cycle."""

from __future__ import annotations

from harness.bench.bench import Bench
from harness.bench.instrument import InstrumentError
from harness.clock import MS, S
from harness.plan.steps import PowerCycle
from harness.run.context import Context, Outcome, ask
from harness.run.ledger import Ledger
from harness.run.observe import answers, stable_status
from harness.run.step_errors import StepFail
from protocol.device import Device

_ANSWER_LIMIT_NS = 2 * S  # beyond the declared start-up time; a node that is silent for so long is not there


def power_up(device: Device, bench: Bench, ledger: Ledger) -> None:
    """Switch the 12 V supply on and wait until the node answers.

    Raises InstrumentError where the supply's terminals do not show the voltage, StepFail where the node stays silent.
    """
    bench.master.send_command("none")  # nothing that stands on the bus may close a breaker that wakes up
    if not _switch_on(device, bench):
        raise StepFail(
            f"{device.node.name} does not answer on the bus {_ANSWER_LIMIT_NS / S:g} s after power-up; its supply is"
            " good and headers come back from the wire. Is it the device of the profile?"
        )
    ledger.powered_up(bench.clock.now_ns())


def run_power_cycle(step: PowerCycle, context: Context, outcome: Outcome) -> None:
    """Take the supply away, bring it back, wait for the first answer; the switch must be open.

    A command that a plan holds stands on the bus when the breaker wakes up, and must not close it.
    """
    bench = context.bench
    context.ledger.powered_down(bench.clock.now_ns())
    bench.supply_12v.off()
    bench.idle(round(step.duration.si * S))
    if _switch_on(context.device, bench):
        context.ledger.powered_up(bench.clock.now_ns())
        ask(context.device, bench, bench.master.repeat_command)  # the schedule's own may be seconds away
        switch = stable_status(context.device, bench).switch
        outcome.expect(switch == "open", f"after the power-up the switch is {switch}")
    else:
        outcome.fail(f"silent for {_ANSWER_LIMIT_NS / S:g} s after the supply came back")


def _switch_on(device: Device, bench: Bench) -> bool:
    bench.supply_12v.configure(bench.spec.supply_12v.voltage, bench.spec.supply_12v.current_limit)
    bench.supply_12v.output(True)
    bench.master.forget_session()
    bench.idle(device.ratings.start_up_ns)
    volts = bench.supply_12v.voltage()
    low, high = device.ratings.supply
    if not low <= volts <= high:
        raise InstrumentError(f"supply_12v: {volts:.2f} V at its terminals, the breaker needs {low:g} to {high:g} V")
    deadline_ns = bench.clock.now_ns() + _ANSWER_LIMIT_NS
    while not answers(device, bench):
        if bench.clock.now_ns() >= deadline_ns:
            return False
        bench.idle(50 * MS)
    return True
