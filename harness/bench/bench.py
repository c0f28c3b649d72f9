"""A bench that is open: clock, LIN master, diagnostics and an instrument for each role that the bench file names."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar

from harness.bench import simulated
from harness.bench.instrument import CurrentStimulus, InstrumentError, Link, PowerSupply, Recorder
from harness.bench.spec import BenchSpec
from harness.bus.diagnostics import Diagnostics
from harness.bus.master import Master
from harness.bus.port import BusPort, PortError
from harness.bus.traffic import RequestMade, Run
from harness.clock import Clock, WallClock
from harness.record.result import Exchange
from protocol import exchange
from protocol.device import Device

T = TypeVar("T")


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
    exchanges: list[Exchange]

    @property
    def simulated(self) -> bool:
        """Whether every role lives in this process."""
        return self.spec.simulated

    @property
    def mark(self) -> str | None:
        """What every screen of a run must say where the breaker behind it is a simulated one."""
        served = any("SIMULATED" in instrument.identity.upper() for instrument in self._instruments)
        return simulated.MARK if self.simulated or served else None

    def idle(self, duration_ns: int) -> None:
        """Let the slow schedule run for ``duration_ns``."""
        self.master.run_until(self.clock.now_ns() + duration_ns)

    def take_exchanges(self) -> list[Exchange]:
        """Diagnostic requests since the last call."""
        taken = self.exchanges.copy()
        self.exchanges.clear()
        return taken

    def close(self) -> None:
        """Give every port and link back; switches nothing. What is lost already cannot be closed, and need not be."""
        for close in (self.master.close, *(instrument.close for instrument in self._instruments)):
            try:
                close()
            except (PortError, InstrumentError):
                continue

    @property
    def _instruments(self) -> list[PowerSupply | CurrentStimulus | Recorder]:
        found = (self.supply_12v, self.injector, self.source, self.load, self.recorder)
        return [instrument for instrument in found if instrument is not None]


def open_bench(spec: BenchSpec, device: Device) -> Bench:
    """Open every role; instruments are reset, so every output is off. Raises PortError or InstrumentError."""
    opened: list[Callable[[], None]] = []
    try:
        return _open(spec, device, opened)
    except BaseException:
        for close in opened:
            close()
        raise


def _open(spec: BenchSpec, device: Device, opened: list[Callable[[], None]]) -> Bench:
    clock, port, link = _simulated(spec, device) if spec.simulated else _real(spec, device)
    opened.append(port.close)

    def role(name: str, make: Callable[[str, Link], T]) -> T | None:
        if getattr(spec, name) is None:
            return None
        its_link = link(name)
        opened.append(its_link.close)
        return make(name, its_link)

    exchanges: list[Exchange] = []
    master = Master(port, clock, device, lambda traffic: _note(traffic, exchanges))
    supply = role("supply_12v", PowerSupply)
    assert supply is not None
    channels = {name: channel.number for name, channel in spec.recorder.channels.items()} if spec.recorder else {}
    return Bench(
        spec,
        device,
        clock,
        master,
        Diagnostics(master, device),
        supply,
        injector=role("injector", lambda name, its_link: CurrentStimulus(name, its_link, "OUTP")),
        source=role("source", PowerSupply),
        load=role("load", lambda name, its_link: CurrentStimulus(name, its_link, "INP")),
        recorder=role("recorder", lambda name, its_link: Recorder(name, its_link, channels)),
        exchanges=exchanges,
    )


def _simulated(spec: BenchSpec, device: Device) -> tuple[Clock, BusPort, Callable[[str], Link]]:
    assert spec.seed is not None
    parts = simulated.build(device, spec.seed, [role for role in spec.resources if role != "lin"])
    return parts.clock, parts.port, parts.links.__getitem__


def _real(spec: BenchSpec, device: Device) -> tuple[Clock, BusPort, Callable[[str], Link]]:
    from harness.bench.visa import VisaLink
    from harness.bus.serial_port import SerialPort

    clock = WallClock()
    port = SerialPort(spec.lin.port, device.node, clock, spec.lin.break_method)
    return clock, port, lambda role: VisaLink(spec.resources[role])


def _note(traffic: Run | RequestMade, exchanges: list[Exchange]) -> None:
    if isinstance(traffic, Run):
        return
    answer: bytes | None
    match traffic.outcome:
        case exchange.Answer(payload):
            answer, note = payload, "positive"
        case exchange.Refused(response):
            answer, note = response.encode(), response.name
        case exchange.Unanswered(reason, heard):
            answer, note = heard or None, reason
    exchanges.append(Exchange(traffic.start_ns, traffic.request, answer, note))
