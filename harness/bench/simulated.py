"""The one door to the simulated world; nothing else in the harness may import mocks, and this imports it lazily.

A run on this bench says nothing about a real breaker.
"""

from __future__ import annotations

import selectors
from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from harness.bench.instrument import InstrumentError, Link
from harness.bench.watchdog_acts import LOOK_NS, Act, Log, Orders, acts
from harness.bench.watchdog_table import Event, State, Watch
from harness.bus.port import WAKE_BYTE, Capabilities, runs
from harness.clock import Clock, S
from protocol.decoder import BREAK, BusEvent, Decoder
from protocol.device import Device
from protocol.frame import BREAK_BITS, BYTE_BITS, bits_ns, checksum, header_ns, protected_id, response_ns

if TYPE_CHECKING:
    from mocks.world import World

MARK = "SIMULATED BENCH: no evidence about a real breaker"
"""Stands on every screen, page and export of a run on a simulated or served bench."""


_HOLD_NS = 2 * S
_FEED_NS = S  # seldom: each event of the clock costs the world a block of samples


class SimulatedPort:
    """A LIN master's port on the wire of a simulated world."""

    capabilities = Capabilities(
        break_bits=None,
        any_bit_rate=False,
        abort_mid_frame=False,
        bit_errors=False,
        wake_pulse=True,
        latency_ns=0,
        raw_symbols=True,
    )

    def __init__(self, world: World, device: Device) -> None:
        self._clock = world.clock
        self._wire = world.wire
        self._bit_rate = device.node.bit_rate
        lengths = {layout.frame_id: layout.length for layout in device.node.frames.values()}
        self._decoder = Decoder(lengths, self._bit_rate)
        self._heard: deque[BusEvent] = deque()
        self._wire.listen(self._hear)

    def header(self, frame_id: int) -> None:
        """See BusPort."""
        self._send([BREAK, 0x55, protected_id(frame_id)], header_ns(self._bit_rate))

    def respond(self, frame_id: int, payload: bytes) -> None:
        """See BusPort."""
        symbols = [BREAK, 0x55, protected_id(frame_id), *payload, checksum(frame_id, payload)]
        self._send(symbols, header_ns(self._bit_rate) + response_ns(self._bit_rate, len(payload)))

    def send(self, symbols: Sequence[int]) -> None:
        """See BusPort."""
        for run in runs(symbols):
            bits = sum(BREAK_BITS if symbol == BREAK else BYTE_BITS for symbol in run)
            self._send(run, bits_ns(bits, self._bit_rate))

    def wake(self) -> None:
        """See BusPort."""
        self.send([WAKE_BYTE])

    def events(self, until_ns: int) -> Iterator[BusEvent]:
        """See BusPort."""
        while True:
            while self._heard:
                yield self._heard.popleft()
            if self._clock.now_ns() >= until_ns:
                return
            deadline = self._decoder.deadline_ns
            self._clock.step(until_ns if deadline is None else min(until_ns, max(deadline, self._clock.now_ns())))
            self._heard.extend(self._decoder.expire(self._clock.now_ns()))

    def close(self) -> None:
        """See BusPort."""

    def _send(self, symbols: list[int], duration_ns: int) -> None:
        end_ns = self._clock.now_ns() + duration_ns
        self._clock.sleep_until(end_ns)
        self._wire.carry(symbols, end_ns)

    def _hear(self, symbols: Sequence[int], end_ns: int) -> None:
        self._heard.extend(self._decoder.feed(symbols, end_ns))


class SimulatedLink:
    """SCPI text to an instrument of the simulated world, in process."""

    def __init__(self, world: World, role: str) -> None:
        self._role = role
        self._instrument = world.scpi(role)

    def write(self, text: str) -> None:
        """See Link."""
        self._instrument.handle(text)

    def query(self, text: str) -> str:
        """See Link."""
        answer = self._instrument.handle(text)
        if not isinstance(answer, str):
            raise InstrumentError(f"{self._role}: no answer to {text!r}")
        return answer

    def query_block(self, text: str, most: int) -> bytes:
        """See Link."""
        answer = self._instrument.handle(text)
        if not isinstance(answer, bytes) or answer[:1] != b"#":
            raise InstrumentError(f"{self._role}: no block in answer to {text!r}")
        start = 2 + int(answer[1:2])
        length = int(answer[2:start])
        if length > most:
            raise InstrumentError(f"{self._role}: {text!r} was answered with {length} bytes, want {most} at most")
        return answer[start : start + length]

    def close(self) -> None:
        """See Link."""


class Connector(Protocol):
    """A way to the breaker's programming connector, there for as long as the programming command runs."""

    resource: str

    def serve(self) -> None:
        """Answer what the command has said; called again and again."""
        ...

    def close(self) -> None:
        """Take the way away."""
        ...


class SimulatedConnector:
    """The programming connector of a simulated world on a loopback port, so that the command is a program as ever.

    A question about the boot loader's state lets the world run until it is done: how often the command asks, and how
    long it takes, changes nothing.
    """

    def __init__(self, world: World) -> None:
        from mocks.lanes import HOST, Lane, TextTalk

        self._world = world
        self._selector = selectors.SelectSelector()
        self._lane = Lane(self._selector, TextTalk(self._handle), 0)
        self.resource = f"TCPIP::{HOST}::{self._lane.port}::SOCKET"

    def serve(self) -> None:
        """See Connector."""
        for key, mask in self._selector.select(0):
            current = self._selector.get_map().get(key.fd)
            if current is not None and current.fileobj is key.fileobj:  # not closed by one handled before it
                key.data(mask)

    def close(self) -> None:
        """See Connector."""
        self._lane.close()
        self._selector.close()

    def _handle(self, line: str) -> str:
        programmer = self._world.programmer
        if programmer.state == "BUSY":
            self._world.advance(programmer.done_ns)
        return programmer.handle(line)


class SimulatedWatchdog:
    """The watchdog as an event of the world's clock: the same table and the same acts as the process.

    Who moves this clock lives, so a look is a beat as well; ``hung`` takes that away, for tests.
    """

    def __init__(self, world: World, orders: Orders, silence_ns: int, folder: Path) -> None:
        self._world = world
        self._orders = orders
        self._watch = Watch(silence_ns)
        self._silence_ns = silence_ns
        self._log = Log(folder, world.clock.now_ns)
        self._links = SimulatedLink(world, "watchdog_interlock"), SimulatedLink(world, "watchdog_source")
        self._charger = None if orders.making_relay is None else SimulatedLink(world, "watchdog_bank")
        self._acting: Iterator[Act | None] | None = None
        self._looks = 0  # counts what began looking, so that an old one ends
        self.hung = False

    def guard(self, on: bool) -> None:
        """See Watchdog."""
        self._watch.guard(on, self._world.clock.now_ns())
        self._looks += 1
        if self._watch.feeds:
            self._look(self._looks)
        elif self._watch.state is State.IDLE:
            self._world.wiring.starve()

    def beat(self) -> None:
        """See Watchdog."""
        if not self.hung:
            self._watch.heard(self._world.clock.now_ns())

    def alive(self) -> bool:
        """See Watchdog."""
        return self._watch.state is not State.ACTED

    def hush(self) -> None:
        """See Watchdog. It looks seldom, so that it is told when to look next."""
        self.hung = True
        self._looks += 1
        number, clock = self._looks, self._world.clock
        clock.at(clock.now_ns() + self._silence_ns + LOOK_NS, lambda: self._look(number))

    def close(self) -> None:
        """See Watchdog."""
        self.happened(Event.RELEASED)

    def happened(self, event: Event) -> None:
        """What the table is told from outside."""
        before = self._watch.state
        if self._watch.handle(event) is State.ACTED and before is not State.ACTED:
            self._act()

    def _look(self, number: int) -> None:
        if number != self._looks or not self._watch.feeds:
            return
        clock, wiring = self._world.clock, self._world.wiring
        now_ns = clock.now_ns()
        self.beat()
        if self._watch.look(now_ns, all(wiring.doors) and all(wiring.stop)) is State.ACTED:
            self._act()
            return
        wiring.feed(_HOLD_NS)
        clock.at(now_ns + _FEED_NS, lambda: self._look(number))

    def _act(self) -> None:
        assert self._watch.reason is not None
        self._log.note("acted", reason=self._watch.reason.value)
        self._acting = acts(*self._links, self._orders, self._world.clock.now_ns, self._charger)
        self._go_on()

    def _go_on(self) -> None:
        """As far as it goes without waiting: an event of the clock must not sleep."""
        assert self._acting is not None
        for act in self._acting:
            if act is None:
                self._world.clock.at(self._world.clock.now_ns() + LOOK_NS, self._go_on)
                return
            self._log.act(act)


@dataclass(frozen=True)
class SimulatedParts:
    """What a bench is made of, all in one process and on one event clock."""

    clock: Clock
    port: SimulatedPort
    links: dict[str, Link]
    connector: Callable[[], Connector]
    watchdog: Callable[[Orders, int, Path], SimulatedWatchdog]  # its orders, silence in ns, folder of the run
    panel: Callable[[str], str]  # the operator's hands: a line, and what it answers


def build(device: Device, seed: int, roles: list[str], noise_seed: int | None = None) -> SimulatedParts:
    """A simulated world around ``device``, with a port and a link for each of ``roles``; for seeds see World."""
    from mocks.world import World

    world = World(device, seed, noise_seed=noise_seed, guarded="interlock" in roles)
    return SimulatedParts(
        world.clock,
        SimulatedPort(world, device),
        {role: SimulatedLink(world, role) for role in roles},
        lambda: SimulatedConnector(world),
        partial(SimulatedWatchdog, world),
        world.bench.panel.handle,
    )


def serve_bench(
    device: Device,
    seed: int,
    port_base: int,
    pty_link: Path | None,
    on_ready: Callable[[Mapping[str, str]], None],
    stopped: Callable[[], bool],
) -> None:
    """Serve a simulated world on real ports until ``stopped``; ``on_ready`` is told what listens where, by role.

    See mocks.serve for the roles and the ports. Raises OSError where a port or the link cannot be had.
    """
    from mocks.serve import Server
    from mocks.world import World

    with Server(World(device, seed, guarded=True), device.node, port_base, pty_link) as server:
        on_ready(server.resources)
        server.run(stopped)
