"""A simulated world on real ports: one thread, one loop, the world's clock paced by the wall clock.

Before anything looks at the world or acts on it, the world is brought to the present; between looks the loop sleeps
until the world's next event, at most 5 ms, since trips and comparators are no events of the clock. All ports are on
the loopback interface. A long answer (a million samples) keeps everybody else waiting while it is made.
"""

from __future__ import annotations

import selectors
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from types import TracebackType

from mocks.lanes import HOST, Lane, LineTalk, TextTalk
from mocks.pty_line import PtyLine, make_link, remove_link
from mocks.uart import Uart
from mocks.world import World
from protocol.device import NodeDescription
from protocol.frame import MASTER_REQUEST, MAX_LENGTH, protected_id

ROLES = (
    *("supply_12v", "source", "load", "injector", "recorder", "gate_supply", "bus_signal", "ntc"),
    *("interlock", "voltmeter", "isolation", "watchdog_interlock", "watchdog_source"),
)
"""Instruments in the order of their ports: the LIN line has the first port, these follow, then `programming`, and the
panel and the roles of MORE_ROLES come last."""
MORE_ROLES = ("bank", "watchdog_bank")

_NAP_NS = 5_000_000
_S = 1_000_000_000


class Server:
    """Serves ``world``; use as a context manager, call ``run``. ``resources`` tells what listens where, by role.

    lin: URL for harness.bus.urls; pty: path of the pseudo-terminal, or of ``pty_link`` to it; the others: VISA
    resource names.
    """

    def __init__(self, world: World, node: NodeDescription, port_base: int = 0, pty_link: Path | None = None) -> None:
        """Listen on ``port_base`` and the ports after it, on any where 0. Raises OSError and gives all back."""
        self._world = world
        self._pty_link = pty_link
        # Not the default selector: epoll rounds a timeout up to whole milliseconds, later than a LIN byte lasts.
        self._selector = selectors.SelectSelector()
        self._lanes: list[Lane] = []
        self._pty: PtyLine | None = None
        self.resources: Mapping[str, str] = {}
        try:
            self.resources = self._listen(node, port_base)
        except BaseException:
            self.close()
            raise
        self._epoch_ns = time.monotonic_ns() - world.clock.now_ns()

    def run(self, stopped: Callable[[], bool]) -> None:
        """Serve until ``stopped`` says so; it is asked every few milliseconds."""
        while not stopped():
            self._catch_up()
            next_ns = self._world.clock.next_ns
            now_ns = self._world.clock.now_ns()
            rest_ns = _NAP_NS if next_ns is None else min(_NAP_NS, max(0, next_ns - now_ns))
            for key, mask in self._selector.select(rest_ns / _S):
                self._catch_up()
                current = self._selector.get_map().get(key.fd)
                if current is not None and current.fileobj is key.fileobj:  # not closed by one handled before it
                    key.data(mask)

    def close(self) -> None:
        """Take all ports and the link away. A second call does nothing."""
        while self._lanes:
            self._lanes.pop().close()
        if self._pty is not None:
            if self._pty_link is not None:
                remove_link(self._pty_link, self._pty.device)
            self._selector.unregister(self._pty)
            self._pty.close()
            self._pty = None
        self._selector.close()

    def __enter__(self) -> Server:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _listen(self, node: NodeDescription, port_base: int) -> dict[str, str]:
        def uart(deliver: Callable[[bytes], None]) -> Uart:
            return Uart(self._world.wire, self._world.clock, node.bit_rate, deliver)

        line = self._lane(LineTalk(node.bit_rate, uart), port_base)
        resources = {"lin": f"linwire://{HOST}:{line.port}"}
        for offset, role in enumerate(ROLES, start=1):
            lane = self._lane(TextTalk(self._world.scpi(role).handle), port_base and port_base + offset)
            resources[role] = f"TCPIP::{HOST}::{lane.port}::SOCKET"
        offset = len(ROLES) + 1
        lane = self._lane(TextTalk(self._world.programmer.handle), port_base and port_base + offset)
        resources["programming"] = f"TCPIP::{HOST}::{lane.port}::SOCKET"
        panel = self._lane(TextTalk(self._world.bench.panel.handle), port_base and port_base + offset + 1)
        resources["panel"] = f"{HOST}:{panel.port}"
        for more, role in enumerate(MORE_ROLES, start=offset + 2):
            lane = self._lane(TextTalk(self._world.scpi(role).handle), port_base and port_base + more)
            resources[role] = f"TCPIP::{HOST}::{lane.port}::SOCKET"
        pty = PtyLine(node.bit_rate, _sent_by_master(node), uart)
        self._pty = pty
        self._selector.register(pty, selectors.EVENT_READ, lambda _: pty.ready())
        if self._pty_link is not None:
            make_link(self._pty_link, pty.device)
        resources["pty"] = str(self._pty_link or pty.device)
        return resources

    def _lane(self, talk: LineTalk | TextTalk, port: int) -> Lane:
        try:
            lane = Lane(self._selector, talk, port)
        except OSError as error:
            raise OSError(
                error.errno,
                f"port {port} cannot be listened on ({error.strerror}): give another --port-base, 0 for any",
            ) from error
        self._lanes.append(lane)
        return lane

    def _catch_up(self) -> None:
        self._world.advance(time.monotonic_ns() - self._epoch_ns)


def _sent_by_master(node: NodeDescription) -> dict[int, int]:
    """Protected identifier -> bytes that a master sends after it, checksum included."""
    own = [layout for layout in node.frames.values() if layout.publisher == node.master]
    return {protected_id(layout.frame_id): layout.length + 1 for layout in own} | {
        protected_id(MASTER_REQUEST): MAX_LENGTH + 1
    }
