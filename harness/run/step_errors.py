"""What a runner raises where a step cannot go on: each is a verdict."""

from __future__ import annotations


class StepError(Exception):
    """The bench or the bus did not deliver what the step needs: the step's verdict is error, the plan ends."""


class StepFail(Exception):
    """The breaker did not do what the step cannot go on without: the step's verdict is fail, the plan goes on."""


class StepNotRun(Exception):
    """The step may not be run here: refused by the gate, or out of this bench's reach."""

    def __init__(self, reason: str, refused_by_gate: bool = False) -> None:
        super().__init__(reason)
        self.refused_by_gate = refused_by_gate
