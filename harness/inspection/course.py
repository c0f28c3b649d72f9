"""The order of an inspection, what is left out and why, and the way to a bench that is off, however it ends."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

from harness.bench.instrument import InstrumentError
from harness.clock import S
from harness.inspection.bank_checks import BANK, BANK_SEEN
from harness.inspection.chain import CHAIN
from harness.inspection.checks import OFF, PASSIVE, WITH_A_PERSON, Check, Tools
from harness.inspection.left import left
from harness.inspection.low_voltage import LIVE, WATCHDOGS
from harness.inspection.opened import Opened
from harness.inspection.operator import Operator
from harness.inspection.rig import AtFault, Rig
from harness.inspection.row import Finding, Row, Verdict

CHECKS: tuple[Check, ...] = (*PASSIVE, *WITH_A_PERSON, *LIVE, *BANK_SEEN, *CHAIN, *WATCHDOGS, *BANK)
"""Every check, in order."""
_TO_BE_OFF = ("interlock", "voltmeter", *(check.role for check in PASSIVE if check.done == OFF))
"""Roles without which nobody can say that a bench is off."""


@dataclass
class Inspection:
    """One inspection of a bench that is open. ``add`` takes each row as it comes, ``begins`` hears what begins."""

    bench: Opened
    operator: Operator
    within_s: float
    add: Callable[[Row], None]
    begins: Callable[[Check], None] = lambda check: None
    measured: dict[str, float] = field(default_factory=dict)  # s, see Tools

    def run(self) -> None:
        """Every check that applies, each with its row. Whatever ends it, everything is switched off."""
        rig = Rig(self.bench)
        tools = Tools(rig, self.operator, round(self.within_s * S), self.measured)
        absent = self.operator.absent()
        stopped: str | None = None
        try:
            for check in self._that_apply():
                reason = self._left_out(check, absent, stopped)
                if reason is not None:
                    self.add(Row(check.role, check.done, reason, check.wanted, Verdict.NOT_LOOKED_AT))
                    continue
                self.begins(check)
                finding = _carry_out(check, tools)
                self.add(Row(check.role, check.done, finding.found, check.wanted, finding.verdict, finding.fix or ""))
                if finding.fix is not None and check.first and stopped is None:
                    stopped = f"{check.role}: {check.done}"
        finally:
            self.add(left(rig, rig.off(), [role for role in _TO_BE_OFF if self._silent(role)]))

    def _that_apply(self) -> Iterator[Check]:
        """What the bench file has no role for is no part of this bench."""
        for check in CHECKS:
            spec = self.bench.spec
            sections = ("discharge", "contactor", "watchdog") if check.live else ()
            relays = set() if spec.interlock is None else set(spec.interlock.relays)
            if all(getattr(spec, name) is not None for name in (*check.roles, *sections)) and relays >= {*check.relays}:
                yield check

    def _left_out(self, check: Check, absent: str | None, stopped: str | None) -> str | None:
        silent = [role for role in check.roles if self._silent(role)]
        if silent:
            return f"no answer from {', '.join(silent)}"
        if check.person and absent is not None:
            return absent
        if check.live and stopped is not None:
            return f"not before this is in order: {stopped}"
        return None

    def _silent(self, role: str) -> bool:
        """Whether the bench has ``role`` and it did not answer."""
        return getattr(self.bench.spec, role) is not None and role not in self.bench.instruments


def _carry_out(check: Check, tools: Tools) -> Finding:
    try:
        return check.do(tools)
    except InstrumentError as error:
        fix = error.fix if isinstance(error, AtFault) else f"{check.role}: see that it answers and follows"
        return Finding(str(error), fix)
