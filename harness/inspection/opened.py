"""A bench opened role by role, so that one instrument that does not answer keeps nobody from looking at the others."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from harness.bench import simulated
from harness.bench.calibration import Calibration
from harness.bench.dialect import Dialect, Translated
from harness.bench.guard import Watchdog
from harness.bench.instrument import Instrument, InstrumentError, Link, error_queue
from harness.bench.lock import BenchLock
from harness.bench.roles import make_instrument
from harness.bench.spec import BenchSpec
from harness.bench.watchdog import orders_of, start_watchdog
from harness.bus.port import PortError
from harness.clock import Clock, S, WallClock
from harness.inspection.row import Row, Verdict
from protocol.device import Device

NO_INSTRUMENT = ("lin", "programming")
"""Roles that speak no SCPI. What the programming connector does, only the flash command can tell."""


@dataclass
class Opened:
    """What answered, by role."""

    spec: BenchSpec
    clock: Clock
    instruments: dict[str, Instrument] = field(default_factory=dict)
    start_watchdog: Callable[[Path], Watchdog] | None = None  # where the bench declares what it takes
    panel: Callable[[str], str] | None = None  # of the simulated bench

    @property
    def mark(self) -> str | None:
        """What has to be said where a simulated breaker is behind it."""
        served = any("SIMULATED" in instrument.identity.upper() for instrument in self.instruments.values())
        return simulated.MARK if self.spec.simulated or served else None


@contextmanager
def opened(spec: BenchSpec, device: Device, today: str, add: Callable[[Row], None]) -> Iterator[Opened]:
    """Open each role, with a row for each; ``device`` says the bit rate of the LIN port. Raises BenchInUse.

    Instruments are reset, so that their outputs are off; interlock and voltmeter are not.
    """
    with contextlib.ExitStack() as stack:
        if spec.simulated:
            assert spec.seed is not None
            roles = [role for role in spec.resources if role not in NO_INSTRUMENT]
            parts = simulated.build(device, spec.seed, roles, spec.noise_seed)
            bench = Opened(spec, parts.clock, panel=parts.panel)
            bench.start_watchdog = _simulated_watchdog(spec, parts)
            link: Callable[[str], Link] = parts.links.__getitem__
        else:
            lock = BenchLock(spec.claimed)
            stack.callback(lock.release)
            clock = WallClock()
            bench = Opened(spec, clock)
            bench.start_watchdog = _real_watchdog(spec, clock)
            link = _visa(spec)
            add(_lin(spec, device, clock))
        for role in (role for role in spec.resources if role not in NO_INSTRUMENT):
            for row in _role(bench, role, link, stack):
                add(row)
        for row in _calibrations(spec.calibrations, today):
            add(row)
        yield bench


def _visa(spec: BenchSpec) -> Callable[[str], Link]:
    from harness.bench.visa import VisaLink

    return lambda role: VisaLink(spec.resources[role])


def _lin(spec: BenchSpec, device: Device, clock: Clock) -> Row:
    from harness.bus.serial_port import SerialPort

    row = ("lin", "port opened"), f"{spec.lin.port} at {device.node.bit_rate} bit/s"
    try:
        SerialPort(spec.lin.port, device.node, clock, spec.lin.break_method).close()
    except PortError as error:
        return Row(*row[0], str(error), row[1], Verdict.FAULT, "see 'breakerbench ports', and lin in the bench file")
    return Row(*row[0], "opens", row[1], Verdict.OK)


def _role(bench: Opened, role: str, link: Callable[[str], Link], stack: contextlib.ExitStack) -> Iterator[Row]:
    dialect = bench.spec.dialects.get(role, Dialect())
    wanted = f"identity {dialect.identity}" if dialect.identity else "an identity"
    try:
        its_link = link(role)
        stack.callback(its_link.close)
        translated = Translated(role, its_link, dialect)
        identity = translated.query("*IDN?")
        errors = error_queue(translated)
        bench.instruments[role] = make_instrument(bench.spec, role, its_link)
    except InstrumentError as error:
        fix = "see that it is on, connected, free, and the one that the bench file means"
        yield Row(role, "asked who it is", str(error), wanted, Verdict.FAULT, fix)
        return
    yield Row(role, "asked who it is", identity, wanted, Verdict.OK)
    if errors:
        fix = "see what it complained of; its queue is empty now, so run this once more"
        yield Row(role, "error queue read", "; ".join(errors), "nothing in it", Verdict.FAULT, fix)


def _calibrations(calibrations: Mapping[str, Calibration], today: str) -> Iterator[Row]:
    for role, dates in calibrations.items():
        if dates.due is not None:
            late = dates.overdue(today)
            found = f"was due on {dates.due}" if late else f"is due on {dates.due}"
            verdict = Verdict.FAULT if late else Verdict.OK
            yield Row(role, "calibration", found, "not overdue", verdict, "have it calibrated" if late else "")


def _simulated_watchdog(spec: BenchSpec, parts: simulated.SimulatedParts) -> Callable[[Path], Watchdog] | None:
    interlock, contactor, dog = spec.interlock, spec.contactor, spec.watchdog
    if interlock is None or contactor is None or dog is None or interlock.watchdog_relay is None:
        return None
    return lambda folder: parts.watchdog(orders_of(interlock, contactor), round(dog.silence * S), folder)


def _real_watchdog(spec: BenchSpec, clock: WallClock) -> Callable[[Path], Watchdog] | None:
    interlock, contactor, dog = spec.interlock, spec.contactor, spec.watchdog
    if interlock is None or contactor is None or dog is None:
        return None
    return lambda folder: start_watchdog(interlock, contactor, dog, folder, clock, spec.dialects)
