"""Steps that command the breaker."""

from __future__ import annotations

from harness.files.scalars import Flag, Name
from harness.plan.steps.step import Step


class CloseSwitch(Step):
    """Command closed and expect it; with ``refused``, expect the switch to stay open.

    With ``held`` the command stands on the bus until a step gives another one: a breaker acts on its change only.
    """

    refused: Flag = False
    held: Flag = False


class OpenSwitch(Step):
    """Command open and expect it. After a trip this is its acknowledgement."""


class SetMode(Step):
    """Command the operating mode, by which set-point banks are chosen; it lasts until another is commanded."""

    mode: Name
