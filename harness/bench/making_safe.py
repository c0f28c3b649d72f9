"""Making the bench safe: a fixed list of actions, each of which may fail without keeping the next from being tried.

The order is the point. Currents stop first, then the device is told to open, then the high-voltage source is read back;
the 12 V supply goes last, and only once the source has read below the touch limit, because a breaker without its
electronics cannot be told anything any more.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from harness.bench.instrument import InstrumentError

if TYPE_CHECKING:
    from harness.bench.bench import Bench

TOUCH_LIMIT_V = 60.0
"""Limit of voltage class A, d.c. (ISO 6469-3:2021 clause 3)."""


@dataclass(frozen=True)
class SafeAction:
    """One action and how it went; ``problem`` is None where it was done."""

    name: str
    problem: str | None


class NotProved(Exception):
    """An action was carried out and its effect could not be shown."""


def _injector_off(bench: Bench) -> None:
    if bench.injector:
        bench.injector.off()


def _load_off(bench: Bench) -> None:
    if bench.load:
        bench.load.off()


def _signals_off(bench: Bench) -> None:
    """Every stand-in for a sensor or a rail; one that fails does not keep the others from being tried."""
    problems = []
    for signal in bench.signals.values():
        try:
            signal.off()
        except InstrumentError as error:
            problems.append(str(error))
    if problems:
        raise NotProved("; ".join(problems))


def _source_off(bench: Bench) -> None:
    if bench.source:
        bench.source.off()


def _device_open(bench: Bench) -> None:
    """A command acts on its change, so that one that stands already is taken away first; without supply it is open."""
    if bench.supply_12v.voltage() < bench.device.ratings.supply[0]:
        return
    bench.master.send_command("none")
    bench.master.send_command("open")
    status = bench.device.status
    if bench.master.poll(status.frame)[status.switch_signal] != status.switch["open"]:
        raise NotProved("the breaker still says that its switch is closed")


def _source_read_back(bench: Bench) -> None:
    if bench.source and (volts := bench.source.voltage()) >= TOUCH_LIMIT_V:
        raise NotProved(f"source still reads {volts:.0f} V; treat both sides of the breaker as live")


def _supply_off(bench: Bench) -> None:
    _source_read_back(bench)
    bench.supply_12v.off()


ACTIONS: tuple[tuple[str, Callable[[Bench], None]], ...] = (
    ("source off", _source_off),
    ("load off", _load_off),
    ("injector off", _injector_off),
    ("breaker commanded open", _device_open),
    ("source read back off", _source_read_back),
    ("simulated signals off", _signals_off),
    ("12 V supply off, once the source reads below the touch limit", _supply_off),
)
"""Every action, in order."""


_SUPPLY_STAYS = len(ACTIONS) - 1


def stop_currents(bench: Bench) -> list[SafeAction]:
    """Every action but the last: nothing flows any more, and the breaker can still be talked to."""
    return _carry_out(bench, ACTIONS[:_SUPPLY_STAYS])


def make_safe(bench: Bench) -> list[SafeAction]:
    """Carry out every action, whatever the earlier ones came to, and say how each went."""
    return _carry_out(bench, ACTIONS)


def _carry_out(bench: Bench, actions: Sequence[tuple[str, Callable[[Bench], None]]]) -> list[SafeAction]:
    done = []
    for name, action in actions:
        try:
            action(bench)
            problem = None
        except Exception as error:  # whatever it is, the next action must be tried
            problem = str(error) or type(error).__name__
        done.append(SafeAction(name, problem))
    return done
