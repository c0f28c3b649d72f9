"""A bench that is open: clock, LIN master, diagnostics and an instrument for each role that the bench file names."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from harness.bench import simulated
from harness.bench.flash import FlashRun, run_flash
from harness.bench.guard import Watchdog
from harness.bench.high_voltage import REBOUND_NS, HighVoltage
from harness.bench.instrument import (
    CurrentStimulus,
    Instrument,
    InstrumentError,
    IsolationMonitor,
    Link,
    PowerSupply,
    Recorder,
    SignalSource,
)
from harness.bench.interlock import InterlockUnit, Voltmeter
from harness.bench.lock import BenchLock
from harness.bench.roles import make_instrument
from harness.bench.safety_spec import ContactorSpec, InterlockSpec, WatchdogSpec
from harness.bench.simulated import Connector
from harness.bench.spec import BenchSpec
from harness.bench.watchdog import orders_of, start_watchdog
from harness.bus.diagnostics import Diagnostics
from harness.bus.master import Master
from harness.bus.port import BusPort, PortError
from harness.bus.traffic import RequestMade, Run
from harness.clock import MS, Clock, S, WallClock
from harness.files.build import Build
from harness.record.result import Exchange
from protocol import exchange
from protocol.decoder import FrameReceived
from protocol.device import Device
from protocol.signals import unpack

T = TypeVar("T")
_NO_INSTRUMENT = ("lin", "programming")

_SUPERVISED_NS = 100 * MS  # between two looks at interlock, watchdog and both sides, while the bus is idle
_SHARE = 4  # on a simulated bench also a share of the time that has passed: what it shows later changes slowly


@dataclass
class Bench:
    """Everything a run acts on. A role that the bench does not have is None."""

    spec: BenchSpec
    device: Device
    clock: Clock
    master: Master
    diagnostics: Diagnostics
    supply_12v: PowerSupply
    injector: CurrentStimulus | None
    source: PowerSupply | None
    load: CurrentStimulus | None
    recorder: Recorder | None
    gate_supply: SignalSource | None
    bus_signal: SignalSource | None
    ntc: SignalSource | None
    isolation: IsolationMonitor | None
    interlock: InterlockUnit | None
    voltmeter: Voltmeter | None
    bank: PowerSupply | None  # the charger of the capacitor bank
    exchanges: list[Exchange]
    _response_errors: Counter[bool]  # status frames by their response_error
    _connector: Callable[[], Connector]
    start_watchdog: Callable[[Path], Watchdog]  # its log goes into this folder. Raises InstrumentError
    _lock: BenchLock | None = None
    high_voltage: HighVoltage | None = None  # where the bench has all that it takes

    @property
    def attended(self) -> Clock:
        """The clock of whoever waits for something at the bench: the bus goes on meanwhile, as long as it can."""
        return _Attended(self.clock, self.master)

    @property
    def simulated(self) -> bool:
        """Whether every role lives in this process."""
        return self.spec.simulated

    @property
    def mark(self) -> str | None:
        """What every screen of a run must say where the breaker behind it is a simulated one."""
        served = any("SIMULATED" in instrument.identity.upper() for instrument in self.instruments)
        return simulated.MARK if self.simulated or served else None

    @property
    def signals(self) -> dict[str, SignalSource]:
        """The stand-ins for sensors and rails that this bench has, by role."""
        found = {"gate_supply": self.gate_supply, "bus_signal": self.bus_signal, "ntc": self.ntc}
        return {role: signal for role, signal in found.items() if signal is not None}

    def take_response_errors(self) -> int:
        """How many status frames since the last call said that the node had found a faulty frame."""
        self.master.flush()
        number, self._response_errors[True] = self._response_errors[True], 0
        return number

    def flash(self, build: Build, deadline_s: float) -> FlashRun:
        """Put ``build`` in with the bench's `flash` command; the bus is silent meanwhile. Raises InstrumentError."""
        try:
            connector = self._connector()
        except OSError as error:
            raise InstrumentError(f"programming: {error}") from error
        values = {"{build}": str(build.path), "{image}": str(build.image), "{programming}": connector.resource}
        try:
            ran = run_flash(self.spec.commands["flash"], values, deadline_s, connector.serve)
        finally:
            connector.close()
        self.master.silence_until(self.clock.now_ns())
        self.master.forget_session()
        return ran

    def idle(self, duration_ns: int) -> None:
        """Let the slow schedule run for ``duration_ns``; a gate that there is, is looked after meanwhile."""
        began_ns = self.clock.now_ns()
        end_ns = began_ns + duration_ns
        while self.high_voltage is not None:
            self.high_voltage.look_after()
            slice_ns = _SUPERVISED_NS if self.high_voltage.in_doubt else REBOUND_NS
            if self.simulated:
                slice_ns = max(slice_ns, (self.clock.now_ns() - began_ns) // _SHARE)
            if end_ns - self.clock.now_ns() <= slice_ns:
                break
            self.master.run_until(self.clock.now_ns() + slice_ns)
        self.master.run_until(end_ns)

    def take_exchanges(self) -> list[Exchange]:
        """Diagnostic requests since the last call."""
        taken = self.exchanges.copy()
        self.exchanges.clear()
        return taken

    def close(self) -> None:
        """Give every port and link back; switches nothing. What is lost already cannot be closed, and need not be."""
        for close in (self.master.close, *(instrument.close for instrument in self.instruments)):
            try:
                close()
            except (PortError, InstrumentError):
                continue
        if self._lock is not None:
            self._lock.release()

    @property
    def instruments(self) -> list[Instrument]:
        """Every instrument that this bench has."""
        found = (self.supply_12v, self.injector, self.source, self.load, self.recorder, *self.signals.values())
        more = (self.isolation, self.interlock, self.voltmeter, self.bank)
        return [instrument for instrument in (*found, *more) if instrument is not None]


@dataclass(frozen=True)
class _Attended:
    clock: Clock
    master: Master

    def now_ns(self) -> int:
        """See Clock."""
        return self.clock.now_ns()

    def sleep_until(self, instant_ns: int) -> None:
        """See Clock. A breaker does not miss its master; a bus that is lost keeps nobody from waiting."""
        with suppress(PortError):
            self.master.run_until(max(instant_ns, self.clock.now_ns()))
        self.clock.sleep_until(instant_ns)


def open_bench(spec: BenchSpec, device: Device) -> Bench:
    """Open every role; instruments are reset, so every output is off.

    Raises PortError or InstrumentError; BenchInUse where another process has one of its resources open.
    """
    opened: list[Callable[[], None]] = []
    lock = BenchLock(spec.claimed)
    try:
        bench = _open(spec, device, opened)
    except BaseException:
        for close in opened:
            close()
        lock.release()
        raise
    bench._lock = lock
    return bench


def _open(spec: BenchSpec, device: Device, opened: list[Callable[[], None]]) -> Bench:
    clock, port, link, connector, watchdog = _simulated(spec, device) if spec.simulated else _real(spec, device)
    opened.append(port.close)

    def role(name: str, kind: type[T]) -> T | None:
        if getattr(spec, name) is None:
            return None
        its_link = link(name)
        opened.append(its_link.close)
        instrument = make_instrument(spec, name, its_link)
        assert isinstance(instrument, kind)
        return instrument

    exchanges: list[Exchange] = []
    response_errors: Counter[bool] = Counter()
    status = device.node.frames[device.status.frame]

    def observe(traffic: Run | RequestMade) -> None:
        if isinstance(traffic, RequestMade):
            _note(traffic, exchanges)
        elif isinstance(traffic.event, FrameReceived) and traffic.event.frame_id == status.frame_id:
            error = unpack(status, traffic.event.payload)[device.status.response_error_signal]
            response_errors[bool(error)] += traffic.count

    master = Master(port, clock, device, observe)
    supply = role("supply_12v", PowerSupply)
    assert supply is not None
    return Bench(
        spec,
        device,
        clock,
        master,
        Diagnostics(master, device),
        supply,
        injector=role("injector", CurrentStimulus),
        source=role("source", PowerSupply),
        load=role("load", CurrentStimulus),
        recorder=role("recorder", Recorder),
        gate_supply=role("gate_supply", SignalSource),
        bus_signal=role("bus_signal", SignalSource),
        ntc=role("ntc", SignalSource),
        isolation=role("isolation", IsolationMonitor),
        interlock=role("interlock", InterlockUnit),
        voltmeter=role("voltmeter", Voltmeter),
        bank=role("bank", PowerSupply),
        exchanges=exchanges,
        _response_errors=response_errors,
        _connector=connector,
        start_watchdog=watchdog,
    )


class _Named:
    """A programming connector that is there by itself, or that the command finds on its own."""

    def __init__(self, resource: str) -> None:
        self.resource = resource

    def serve(self) -> None:
        """See Connector."""

    def close(self) -> None:
        """See Connector."""


_Parts = tuple[Clock, BusPort, Callable[[str], Link], Callable[[], Connector], Callable[[Path], Watchdog]]


def _simulated(spec: BenchSpec, device: Device) -> _Parts:
    assert spec.seed is not None
    roles = [role for role in spec.resources if role not in _NO_INSTRUMENT]
    parts = simulated.build(device, spec.seed, roles, spec.noise_seed)

    def watchdog(folder: Path) -> Watchdog:
        interlock, contactor, dog = _wanted(spec)
        return parts.watchdog(orders_of(interlock, contactor), round(dog.silence * S), folder)

    return parts.clock, parts.port, parts.links.__getitem__, parts.connector, watchdog


def _real(spec: BenchSpec, device: Device) -> _Parts:
    from harness.bench.visa import VisaLink
    from harness.bus.serial_port import SerialPort

    clock = WallClock()
    port = SerialPort(spec.lin.port, device.node, clock, spec.lin.break_method)
    programming = "" if spec.programming is None else spec.programming.resource

    def watchdog(folder: Path) -> Watchdog:
        return start_watchdog(*_wanted(spec), folder, clock, spec.dialects)

    def link(role: str) -> Link:
        return VisaLink(spec.resources[role], beat=clock.now_ns)

    return clock, port, link, lambda: _Named(programming), watchdog


def _wanted(spec: BenchSpec) -> tuple[InterlockSpec, ContactorSpec, WatchdogSpec]:
    """What a watchdog takes. Raises InstrumentError where the bench has it not."""
    if spec.interlock is None or spec.contactor is None or spec.watchdog is None:
        raise InstrumentError(f"bench {spec.name}: high voltage takes an interlock, a contactor and a watchdog")
    return spec.interlock, spec.contactor, spec.watchdog


def _note(traffic: RequestMade, exchanges: list[Exchange]) -> None:
    answer: bytes | None
    match traffic.outcome:
        case exchange.Answer(payload):
            answer, note = payload, "positive"
        case exchange.Refused(response):
            answer, note = response.encode(), response.name
        case exchange.Unanswered(reason, heard):
            answer, note = heard or None, reason
    exchanges.append(Exchange(traffic.start_ns, traffic.request, answer, note))
