"""Making the bench safe: a fixed list of actions, each of which may fail without keeping the next from being tried.

The order is the point. Currents stop first, then the device is told to open, then the contactor opens, once the current
is below what it may break; then both sides are discharged and have to be proved dead. The 12 V supply goes last, and
only once that is proved, because a breaker without its electronics cannot be told anything any more.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from harness.bench.proof import TOUCH_LIMIT_V
from harness.clock import MS

_FALLING_NS = 200 * MS
_FALLING = 0.99  # of its voltage that long ago: time constants of up to 20 s are seen to fall

if TYPE_CHECKING:
    from harness.bench.bench import Bench


@dataclass(frozen=True)
class SafeAction:
    """One action and how it went; ``problem`` is None where it was done, ``note`` what else is to be recorded.

    ``backed``: it is the bench's to follow, see ``Action``.
    """

    name: str
    problem: str | None
    note: str | None = None
    backed: bool = False


class NotProved(Exception):
    """An action was carried out and its effect could not be shown."""


def _each(*acts: Callable[[], None]) -> None:
    """Everything, whatever came of the one before. Raises NotProved with all that went wrong."""
    problems = []
    for act in acts:
        try:
            act()
        except Exception as error:  # whatever it is, the next one must be tried
            problems.append(str(error) or type(error).__name__)
    if problems:
        raise NotProved("; ".join(problems))


def _injector_off(bench: Bench) -> None:
    if bench.injector:
        bench.injector.off()


def _load_off(bench: Bench) -> None:
    if bench.load:
        bench.load.off()


def _signals_off(bench: Bench) -> None:
    """Every stand-in for a sensor or a rail; one that fails does not keep the others from being tried."""
    _each(*(signal.off for signal in bench.signals.values()))


def _source_off(bench: Bench) -> None:
    if bench.source:
        bench.source.off()


def _charger_off(bench: Bench) -> None:
    if bench.bank:
        bench.bank.off()


def _making_open(bench: Bench) -> None:
    if bench.high_voltage is not None:
        bank = bench.high_voltage.bank
        _each(*([] if bank is None else [bank.part]), bench.high_voltage.unlink)


def _bank_discharged(bench: Bench) -> None:
    if bench.high_voltage is not None and bench.high_voltage.bank is not None:
        bench.high_voltage.bank.discharge()


def _device_open(bench: Bench) -> None:
    """A command acts on its change, so that one that stands already is taken away first; without supply it is open."""
    if bench.supply_12v.voltage() < bench.device.ratings.supply[0]:
        return
    bench.master.send_command("none")
    bench.master.send_command("open")
    status = bench.device.status
    if bench.master.poll(status.frame)[status.switch_signal] != status.switch["open"]:
        raise NotProved("the breaker still says that its switch is closed")


def _contactor_open(bench: Bench) -> str | None:
    return None if bench.high_voltage is None else bench.high_voltage.open_contactor()


def _source_read_back(bench: Bench) -> None:
    """Its own output capacitors may take seconds; what does not fall is fed."""
    if bench.source is None or abs(volts := bench.source.voltage()) < TOUCH_LIMIT_V:
        return
    bench.clock.sleep_until(bench.clock.now_ns() + _FALLING_NS)
    if abs(bench.source.voltage()) > _FALLING * abs(volts):
        raise NotProved(f"source still reads {volts:.0f} V; treat both sides of the breaker as live")


def _discharge(bench: Bench) -> None:
    if bench.high_voltage is not None:
        bench.high_voltage.discharge()


def _prove_dead(bench: Bench) -> None:
    if bench.high_voltage is None:
        return
    proof = bench.high_voltage.prove_dead()
    if bench.high_voltage.in_doubt:
        why = proof.reasons or ("an earlier discharge was not proved, and only a person's word leads on from there",)
        raise NotProved(f"NOT PROVED DEAD, treat both sides as live: {'; '.join(why)}")


def _supply_off(bench: Bench) -> None:
    _source_read_back(bench)
    if bench.high_voltage is not None and bench.high_voltage.in_doubt:
        raise NotProved("stays on: the breaker can be told to open as long as its electronics live")
    bench.supply_12v.off()


@dataclass(frozen=True)
class Action:
    """One row of the table. ``dead``: it belongs to taking high voltage away, and not to ending the run.

    ``backed``: the watchdog can do it as well, and does where it fails here.
    """

    name: str
    do: Callable[[Bench], object]  # a text is a note for the record
    dead: bool
    backed: bool = False


ACTIONS: tuple[Action, ...] = (
    Action("source off", _source_off, dead=True, backed=True),
    Action("bank's charger off", _charger_off, dead=True, backed=True),
    Action("load off", _load_off, dead=True),
    Action("injector off", _injector_off, dead=False),
    Action("breaker commanded open", _device_open, dead=True),
    Action("contactor open, once the current is below what it may break", _contactor_open, dead=True, backed=True),
    Action("bank's making switch open, and what leads past the breaker", _making_open, dead=True, backed=True),
    Action("source read back off", _source_read_back, dead=True, backed=True),
    Action("both sides discharged", _discharge, dead=True, backed=True),
    Action("bank discharged", _bank_discharged, dead=True, backed=True),
    Action("both sides and the bank proved dead", _prove_dead, dead=True),
    Action("simulated signals off", _signals_off, dead=False),
    Action("12 V supply off, once both sides are proved dead", _supply_off, dead=False),
)
"""Every action, in order."""

_SUPPLY_STAYS = len(ACTIONS) - 1


def stop_currents(bench: Bench) -> list[SafeAction]:
    """Every action but the last: nothing flows any more, and the breaker can still be talked to."""
    return _carry_out(bench, ACTIONS[:_SUPPLY_STAYS], trouble=True)


def make_dead(bench: Bench) -> list[SafeAction]:
    """Take high voltage away after the last step that needed it; signals and supply stay as they are."""
    return _carry_out(bench, [action for action in ACTIONS if action.dead], trouble=False)


def finish_safe(bench: Bench) -> list[SafeAction]:
    """The last action alone, once a person has stated what the readings could not prove."""
    return _carry_out(bench, ACTIONS[_SUPPLY_STAYS:], trouble=False)


def make_safe(bench: Bench) -> list[SafeAction]:
    """Carry out every action, whatever the earlier ones came to, and say how each went."""
    return _carry_out(bench, ACTIONS, trouble=True)


def _carry_out(bench: Bench, actions: Sequence[Action], trouble: bool) -> list[SafeAction]:
    if bench.high_voltage is not None:
        bench.high_voltage.leave(trouble)
    done = []
    for action in actions:
        try:
            said = action.do(bench)
            outcome = SafeAction(action.name, None, said if isinstance(said, str) else None, action.backed)
        except Exception as error:  # whatever it is, the next action must be tried
            outcome = SafeAction(action.name, str(error) or type(error).__name__, None, action.backed)
            if action.backed and bench.high_voltage is not None:
                bench.high_voltage.hand_over()
        done.append(outcome)
    return done
