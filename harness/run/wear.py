"""What a run uses a unit up by, against the budgets of its profile: refused before, noted before it happens.

On a real bench it goes into the unit's file and counts for ever. A simulated unit is a new one in each run.
"""

from __future__ import annotations

import math
from pathlib import Path

from harness.bench.bench import Bench
from harness.bench.hazard import Hazard, hazard_of
from harness.plan.plan import PlanStep
from harness.plan.steps import Hold, Stimulus
from harness.record import wear as book
from harness.record.wear import UnitWear, WearError
from harness.run.identity import Identity
from harness.run.step_errors import StepError, StepNotRun
from protocol.budgets import WEAR, Budgets, Wear
from protocol.device import Device

WORDS: dict[Wear, tuple[str, str]] = {
    "short_circuits": ("short-circuit shots", ""),
    "clamp_energy": ("energy into the clamp", " J"),
    "non_volatile_writes": ("non-volatile writes", ""),
    "key_attempts": ("keys sent", ""),
}
"""Kind -> its words and its unit."""


class Unit:
    """One unit during a run; its ``file`` is None on a simulated bench, and where it does not say who it is."""

    def __init__(
        self, budgets: Budgets | None, serial: str | None, file: Path | None = None, run: str = "", real: bool = False
    ) -> None:
        """``run`` names the run in the file; ``real``: the bench is. Raises WearError for a file it cannot read."""
        self._budgets, self._file, self._run, self._real = budgets, file, run, real
        self.serial = serial
        self._before = UnitWear() if file is None else book.read(file)
        self._strained = False
        self.spent: dict[Wear, float] = dict.fromkeys(WEAR, 0.0)

    @property
    def quarantine(self) -> str | None:
        """Why an earlier run left it quarantined."""
        return self._before.quarantine

    def left(self, kind: Wear) -> float | None:
        """What is left of a budget; None: there is none."""
        if self._budgets is None:
            return None
        return self._budgets.of(kind) - self._before.spent.get(kind, 0.0) - self.spent[kind]

    def afford(self, kind: Wear, amount: float) -> None:
        """Raises StepNotRun where ``amount`` is more than is left."""
        if not math.isfinite(amount):
            raise StepNotRun(f"nothing bounds what this takes of {WORDS[kind][0]}")
        left = self.left(kind)
        if left is not None and amount > left:
            words, unit = WORDS[kind]
            assert self._budgets is not None
            raise StepNotRun(
                f"this takes {amount:.4g}{unit} of {words}, and unit {self.serial or 'without a serial number'} has"
                f" {max(left, 0.0):.4g}{unit} of {self._budgets.of(kind):.4g}{unit} left"
            )

    def spend(self, kind: Wear, amount: float, what: str) -> None:
        """Note ``amount``, which is about to be used up by ``what``. Raises StepError where it cannot be noted."""
        if not amount:
            return
        self._note("spent", kind=kind, amount=float(amount), what=what)
        self.spent[kind] += float(amount)

    def strains(self, what: str) -> None:
        """A current is about to flow through the switch: a run that is killed meanwhile leaves the unit quarantined.

        Raises StepError where it cannot be noted.
        """
        self._note("strained", what=what)
        self._strained = True

    def settled(self) -> None:
        """The step is over, and what came of its current is known or noted. Raises StepError."""
        if self._strained:
            self._note("settled")
            self._strained = False

    def _note(self, entry: str, **detail: object) -> None:
        if self._file is None or self.serial is None:
            return
        try:
            book.append(self._file, self.serial, entry, run=self._run, **detail)
        except WearError as error:
            raise StepError(f"what the unit goes through cannot be noted: {error}") from error

    def shot(self, short_circuits: int, clamp_energy: float, what: str) -> None:
        """A current that the breaker has to break is about to flow. Raises StepNotRun, StepError."""
        if (short_circuits or clamp_energy) and self._real and self.serial is None:
            raise StepNotRun("the unit does not say its serial number: nobody knows what it has been through")
        self.afford("short_circuits", short_circuits)
        self.afford("clamp_energy", clamp_energy)
        self.spend("short_circuits", short_circuits, what)
        self.spend("clamp_energy", clamp_energy, what)

    def quarantined(self, reason: str) -> None:
        """Keep it for later runs. Raises StepError where it cannot be noted."""
        self._note("quarantined", reason=reason)

    def summary(self) -> dict[str, object]:
        """For the record: spent in this run, left of each budget."""
        return {
            "serial": self.serial,
            "kept": self._file is not None,
            "spent": dict(self.spent),
            "left": {kind: left for kind in WEAR if (left := self.left(kind)) is not None},
        }


def refuse_in_quarantine(step: PlanStep, reason: str | None) -> None:
    """Nothing is applied to a unit that is quarantined for ``reason``; None: it is not. Raises StepNotRun.

    Its own 12 V and the bus are no stimulus of themselves: it can be talked to, opened, restarted and put back.
    """
    applied = isinstance(step.step, Stimulus | Hold) or hazard_of(step.step.roles - {"supply_12v"}) is not Hazard.NONE
    if reason is not None and applied:
        raise StepNotRun(f"the unit is quarantined: {reason}")


def open_unit(device: Device, unit: Identity, bench: Bench, folder: Path) -> Unit:
    """The unit that says it is ``unit``, in the run whose record is ``folder``. Raises StepError for a bad file."""
    serial = unit.values.get("serial_number")
    real = bench.mark is None  # behind a served bench is a simulated unit as well
    try:
        file = book.path_of(folder.parent, serial) if real and serial is not None else None
        return Unit(device.budgets, serial, file, folder.name, real)
    except WearError as error:
        raise StepError(str(error)) from error
