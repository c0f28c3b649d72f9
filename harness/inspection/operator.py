"""The person at the bench: opens doors, presses buttons. A stand-in does it on the simulated bench alone."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from enum import Enum
from typing import Protocol

from harness.inspection.rig import VOLTS


class Task(Enum):
    """What a person is asked to do."""

    OPEN_DOORS = "open the doors"
    CLOSE_DOORS = "close the doors"
    PRESS_STOP = "press the emergency stop"
    RELEASE_STOP = "release the emergency stop"
    PRESS_BUTTON = "press the arm button"
    RELEASE_BUTTON = "let the arm button go"
    PRESS_STOP_LIVE = f"press the emergency stop with {VOLTS:g} V on"
    OPEN_DOORS_LIVE = f"open the doors with {VOLTS:g} V on"


class Operator(Protocol):
    """Whoever stands at the bench."""

    def absent(self) -> str | None:
        """Why nobody can be asked, or did not agree to what is going to be done; None where somebody did."""
        ...

    def ask(self, task: Task) -> None:
        """Say what is to be done; does not wait for it."""
        ...

    def waiting(self, task: Task, left_s: float) -> None:
        """It is still waited for, and will be for ``left_s``."""
        ...

    def done(self, task: Task, seen: bool) -> None:
        """The inputs have changed, or time is over."""
        ...


_WORDS: Mapping[Task, str] = {
    Task.OPEN_DOORS: "DOOR OPEN",
    Task.CLOSE_DOORS: "DOOR CLOSE",
    Task.PRESS_STOP: "STOP PRESS",
    Task.RELEASE_STOP: "STOP RELEASE",
    Task.PRESS_BUTTON: "HOLD ARM",
    Task.RELEASE_BUTTON: "RELEASE ARM",
    Task.PRESS_STOP_LIVE: "STOP PRESS",
    Task.OPEN_DOORS_LIVE: "DOOR OPEN",
}


class StandIn:
    """Does at the panel of the simulated bench what a person is asked to do; no real bench has that panel."""

    def __init__(self, panel: Callable[[str], str]) -> None:
        self._panel = panel

    def absent(self) -> str | None:
        """See Operator."""
        return None

    def ask(self, task: Task) -> None:
        """See Operator."""
        self._panel(_WORDS[task])

    def waiting(self, task: Task, left_s: float) -> None:
        """See Operator."""

    def done(self, task: Task, seen: bool) -> None:
        """See Operator."""
