"""Asking a person to confirm before anything is energised: what, where, how high; a phrase typed, a button pressed.

Nothing answers for the person on a real bench: no option, no variable, no file. On the simulated bench nothing can be
energised, and ``Nobody`` answers.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Protocol

from harness.bench.gate import Confirmation
from harness.bench.guard import GateRefused
from harness.bench.high_voltage import HighVoltage
from harness.bench.spec import BenchSpec
from harness.cautions import CAUTIONS
from harness.clock import MS, Clock, S

ANSWER_NS = 120 * S
"""A person who has not answered by then has not confirmed."""
PRESS_NS = 30 * S
"""The arm button has to be released, then pressed, within this time of the question."""
_LOOK_NS = 20 * MS

Idle = Callable[[int], None]
"""Lets the bus go on for so many ns, so that a breaker does not miss its master while a person reads."""


@dataclass(frozen=True)
class ArmingRequest:
    """What is to be confirmed."""

    bench: str
    plan: str
    title: str
    device: str
    volts: float
    digest: str

    @property
    def phrase(self) -> str:
        """What has to be typed; it names voltage and bench."""
        return f"energise {self.volts:g} V on {self.bench}"

    @property
    def lines(self) -> tuple[str, ...]:
        """Hazards and what is about to happen, as a person reads them before typing."""
        return (
            f"HIGH VOLTAGE: plan {self.plan} ({self.title})",
            f"puts {self.volts:g} V on {self.device}, bench {self.bench}.",
            *(f"- {caution}" for caution in CAUTIONS),
            f"To go on, type exactly: {self.phrase}",
        )


class Person(Protocol):
    """Whoever stands at the bench."""

    def absent(self) -> str | None:
        """Why there is nobody to ask; None where there is."""
        ...

    def show(self, lines: Iterable[str]) -> None:
        """Put lines before the person's eyes."""
        ...

    def answer(self, wanted: str, at_most_ns: int, idle: Idle) -> str | None:
        """The line that the person types; None where none came in time. ``wanted`` is for nobody but ``Nobody``."""
        ...


class Nobody:
    """Stands in on the simulated bench, where there is nothing to energise; anywhere else it is nobody indeed."""

    def __init__(self, simulated: bool) -> None:
        self._simulated = simulated

    def absent(self) -> str | None:
        """See Person."""
        return None if self._simulated else "nobody is there to confirm"

    def show(self, lines: Iterable[str]) -> None:
        """See Person."""

    def answer(self, wanted: str, at_most_ns: int, idle: Idle) -> str | None:
        """See Person."""
        return wanted if self._simulated else None


def digest_of(*parts: str) -> str:
    """What a confirmation is bound to: SHA-256 over the digests of plan, device and bench, and the limits."""
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()


def confirm(
    request: ArmingRequest, person: Person, clock: Clock, idle: Idle, high_voltage: HighVoltage, button: bool
) -> Confirmation:
    """Ask, and return what the person confirmed. Raises GateRefused."""
    absent = person.absent()
    if absent is not None:
        raise GateRefused(absent)
    asked_ns = clock.now_ns()
    person.show(request.lines)
    typed = person.answer(request.phrase, ANSWER_NS, idle)
    if typed is None:
        raise GateRefused("nobody typed the phrase in time")
    if typed.strip() != request.phrase:
        raise GateRefused(f"what was typed is not {request.phrase!r}")
    if not button:
        return Confirmation(request.digest, asked_ns, clock.now_ns())
    person.show(["Now press the arm button at the bench (release it first if it is down)."])
    released_ns, pressed_ns = _fresh_press(clock, idle, high_voltage)
    return Confirmation(request.digest, asked_ns, clock.now_ns(), released_ns, pressed_ns)


def state_dead(person: Person, idle: Idle, high_voltage: HighVoltage) -> str | None:
    """Ask for the statement that leads out of not_proven_dead; says why it did not. The readings decide as well."""
    if (absent := person.absent()) is not None:
        return absent
    source_side, load_side = high_voltage.readings()
    phrase = "I have verified that both sides are dead"
    person.show(
        [
            "NOT PROVED DEAD: treat both sides of the breaker as live. Outputs are off and the discharge stays on.",
            f"The voltmeter reads {source_side:.1f} V (source side), {load_side:.1f} V (load side).",
            "Verify both sides with a tester checked before and after, earth and short them.",
            f"Only then type exactly: {phrase}",
        ]
    )
    typed = person.answer(phrase, ANSWER_NS, idle)
    if typed is None or typed.strip() != phrase:
        return "nobody stated that both sides are dead"
    problem = high_voltage.stated_dead(phrase)
    if problem is not None:
        person.show([f"NOT PROVED DEAD: that does not count, {problem}."])
    else:
        person.show(["Recorded: by your word both sides are dead. The bench is free again; start the run once more."])
    return problem


def missing_roles(spec: BenchSpec) -> list[str]:
    """What a real bench lacks before anything on it may be energised; the simulated bench needs none of it."""
    wanted = ("source", "load", "interlock", "voltmeter", "contactor", "discharge", "watchdog", "backup", "limits")
    missing = [name for name in wanted if getattr(spec, name) is None]
    if spec.interlock is not None and spec.interlock.watchdog_relay is None:
        missing.append("interlock.watchdog (the hardware line)")
    return missing


def _fresh_press(clock: Clock, idle: Idle, high_voltage: HighVoltage) -> tuple[int, int]:
    """When the arm button was seen released, and then pressed. Raises GateRefused where it was not."""
    deadline_ns = clock.now_ns() + PRESS_NS
    released_ns: int | None = None
    while clock.now_ns() < deadline_ns:
        pressed = high_voltage.inputs().arm_button
        if pressed and released_ns is not None:
            return released_ns, clock.now_ns()
        if not pressed:
            released_ns = clock.now_ns()
        idle(_LOOK_NS)
    never = "it was held down all the time" if released_ns is None else "it was not pressed"
    raise GateRefused(f"no fresh press of the arm button within {PRESS_NS // S} s: {never}")
