"""What a bench has for safety, as values in SI floats; built by harness/bench/spec.py."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from harness.bench.bench_file import BenchFile
    from harness.bench.safety_file import BankSection

PAST = ("bypass", "precharge")
"""Relays of the interlock that lead past the breaker."""


@dataclass(frozen=True)
class InterlockSpec:
    """Inputs and relays by number. Doors and emergency stop have two channels each, which must agree."""

    resource: str
    doors: tuple[int, int]
    emergency_stop: tuple[int, int]
    arm_button: int
    contactor_feedback: int
    discharge_feedback: int
    relays: Mapping[str, int]  # contactor, discharge; where there are such: precharge, bypass, pulse, bank_discharge
    watchdog_relay: int | None  # None: no hardware watchdog line
    watchdog_hold: float  # s


@dataclass(frozen=True)
class VoltmeterSpec:
    """Channels on both sides of the breaker, limits of error."""

    resource: str
    source_side: int
    load_side: int
    gain: float  # 1
    offset: float  # V


@dataclass(frozen=True)
class ContactorSpec:
    """What the contactor may break, and how long to wait for the current to be below that."""

    breaking_current: float  # A
    maximum_wait: float  # s


@dataclass(frozen=True)
class DischargeSpec:
    """Discharge resistors across each side, capacitance of each, time within which both are dead."""

    resistance: float  # ohm
    source_side: float  # F
    load_side: float  # F
    within: float  # s


@dataclass(frozen=True)
class PrechargeSpec:
    """Resistor across the contactor, and how long charging may take."""

    resistance: float  # ohm
    within: float  # s


@dataclass(frozen=True)
class WatchdogSpec:
    """Resources of the watchdog's own, and its times."""

    interlock: str
    source: str
    bank: str | None  # None: no bank, or the simulated one
    heartbeat: float  # s, between beats
    silence: float  # s without a beat after which it acts
    stop_within: float  # s from the loss to outputs off, as the bench declares it


@dataclass(frozen=True)
class LoopSpec:
    """The main loop's inductance (H) and resistance (ohm)."""

    inductance: float
    resistance: float


@dataclass(frozen=True)
class BackupSpec:
    """Backup fuse or breaker: rating, what it breaks, and its time-current curve as (A, s) from low current to high."""

    kind: str
    current: float  # A
    breaking_current: float  # A
    voltage: float  # V
    curve: tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class LimitsSpec:
    """Energy in J that the enclosure, and the breaker's clamp, may be asked to take in one shot."""

    energy: float
    clamp_energy: float
    drawn: float | None = None  # that one stimulus may draw from the source; None: what the load takes for ever


@dataclass(frozen=True)
class BankSpec:
    """Capacitor bank: capacitance, greatest voltage, charging current, discharge, limits of error of its reading."""

    resource: str
    capacitance: float  # F
    voltage: float  # V
    current: float  # A
    resistance: float  # ohm, that discharges it
    within: float  # s, by then it is dead
    gain: float  # 1
    offset: float  # V

    @property
    def energy(self) -> float:
        """Stored at the greatest voltage, J."""
        return 0.5 * self.capacitance * self.voltage**2


@dataclass(frozen=True)
class IsolationSpec:
    """Isolation monitor, and the least resistance to earth in ohm that may be energised."""

    resource: str
    at_least: float


@dataclass(frozen=True)
class ChamberSpec:
    """Climatic chamber."""

    resource: str


def safety_of(file: BenchFile) -> dict[str, Any]:
    """The values of every section that a bench file has, by the names that BenchSpec gives them."""
    roles = file.roles
    found: dict[str, Any] = {}
    if (lock := roles.interlock) is not None:
        relays = {name: number for name, number in lock.relays.model_dump().items() if number is not None}
        found["interlock"] = InterlockSpec(
            lock.resource,
            (lock.inputs.doors[0], lock.inputs.doors[1]),
            (lock.inputs.emergency_stop[0], lock.inputs.emergency_stop[1]),
            lock.inputs.arm_button,
            lock.inputs.contactor,
            lock.inputs.discharge,
            relays,
            None if lock.watchdog is None else lock.watchdog.relay,
            0.0 if lock.watchdog is None else lock.watchdog.hold.si,
        )
    if (meter := roles.voltmeter) is not None:
        accuracy = meter.accuracy
        found["voltmeter"] = VoltmeterSpec(
            meter.resource, meter.source_side, meter.load_side, accuracy.gain.si, accuracy.offset.si
        )
    if roles.bank is not None:
        found["bank"] = _bank(roles.bank)
    if roles.isolation is not None:
        found["isolation"] = IsolationSpec(roles.isolation.resource, roles.isolation.at_least.si)
    if roles.chamber is not None:
        found["chamber"] = ChamberSpec(roles.chamber.resource)
    return found | _wiring(file)


def _bank(section: BankSection) -> BankSpec:
    return BankSpec(
        section.resource,
        section.capacitance.si,
        section.voltage.si,
        section.current.si,
        section.discharge.resistance.si,
        section.discharge.within.si,
        section.accuracy.gain.si,
        section.accuracy.offset.si,
    )


def _wiring(file: BenchFile) -> dict[str, Any]:
    found: dict[str, Any] = {}
    if (contactor := file.contactor) is not None:
        found["contactor"] = ContactorSpec(contactor.breaking_current.si, contactor.maximum_wait.si)
    if (discharge := file.discharge) is not None:
        sides = discharge.source_side.si, discharge.load_side.si
        found["discharge"] = DischargeSpec(discharge.resistance.si, *sides, discharge.within.si)
    if (precharge := file.precharge) is not None:
        found["precharge"] = PrechargeSpec(precharge.resistance.si, precharge.within.si)
    if (dog := file.watchdog) is not None:
        times = dog.heartbeat.si, dog.silence.si, dog.stop_within.si
        found["watchdog"] = WatchdogSpec(dog.interlock, dog.source, dog.bank, *times)
    if (loop := file.loop) is not None:
        found["loop"] = LoopSpec(loop.inductance.si, loop.resistance.si)
    if (backup := file.backup) is not None:
        curve = tuple((current.si, time.si) for current, time in backup.curve)
        found["backup"] = BackupSpec(
            backup.kind, backup.current.si, backup.breaking_current.si, backup.voltage.si, curve
        )
    if (limits := file.limits) is not None:
        found["limits"] = LimitsSpec(
            limits.energy.si, limits.clamp_energy.si, None if limits.drawn is None else limits.drawn.si
        )
    return found
