"""What a record holds beside results: inputs, identities, instruments, plans, events."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, NamedTuple

Role = Literal["plan", "fragment", "profile", "ldf", "bench", "build"]
"""What an input file was read as."""
Moment = Literal["start", "end", "after reset"]
"""When a unit was asked who it is."""


class Input(NamedTuple):
    """One input file: where it was read, its SHA-256, where its copy lies in the record's folder."""

    path: str
    sha256: str
    stored_as: str
    role: str  # a Role; build: the description of the firmware under test or its image


@dataclass(frozen=True)
class IdentityReading:
    """Who a unit said that it is: each identification record by its name in the profile, and its product id."""

    at_ns: int
    device: str
    moment: str  # a Moment
    values: Mapping[str, str]


@dataclass(frozen=True)
class InstrumentNote:
    """One instrument: what it says of itself, and the dates of its calibration (ISO 8601) as the bench file has them.

    Role ``lin`` is the LIN master's port, which has no identity.
    """

    role: str
    resource: str
    identity: str
    calibrated: str | None = None
    due: str | None = None


class StepNote(NamedTuple):
    """One step of a plan as it was asked for."""

    name: str
    kind: str
    section: str
    where: str  # file:line:column


@dataclass(frozen=True)
class PlanNote:
    """One plan as it was asked for; ``digest`` is the SHA-256 of its file and its fragments."""

    name: str
    title: str
    device: str
    note: str | None
    path: str
    steps: tuple[StepNote, ...]
    digest: str = ""


@dataclass(frozen=True)
class Event:
    """Something that happened between results: a step begun, a change of the ledger, a step of making safe."""

    at_ns: int
    kind: str
    detail: Mapping[str, object]
