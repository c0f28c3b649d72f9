"""The harness's side of the watchdog process: starts it, beats, asks to be guarded, hears whether it lives."""

from __future__ import annotations

import contextlib
import os
import select
import subprocess
import sys
import time
from collections.abc import Callable, Mapping
from pathlib import Path

from harness.bench.dialect import Dialect
from harness.bench.instrument import InstrumentError
from harness.bench.safety_spec import PAST, ContactorSpec, InterlockSpec, WatchdogSpec
from harness.bench.watchdog_acts import Orders
from harness.bench.watchdog_process import Config
from harness.clock import S, WallClock

_START_S = 20.0  # a machine under load takes some seconds to start an interpreter and open two links
_ANSWER_S = 2.0
_END_S = 2.0
_CHUNK = 4096
_LOOKS = 2  # looks of the watchdog in the time between two beats
_MOST_LOOK_SHARE = 8  # the line is fed as often in the time that it holds


class WatchdogProcess:
    """A watchdog that runs. Beats go out with the clock, whoever waits on it; see harness.bench.high_voltage."""

    def __init__(self, config: Config, spec: WatchdogSpec, clock: WallClock) -> None:
        """Start it and wait until its links are open. Raises InstrumentError."""
        self._clock = clock
        self._patience_ns = round(spec.stop_within * S)
        self._most_wait_s = config.orders.maximum_wait + _END_S
        self._acted: str | None = None
        self._hushed = False
        self._unfinished = b""
        self._said: set[str] = set()
        root = str(Path(__file__).resolve().parents[2])  # the very harness that runs, wherever it was started
        path = os.pathsep.join(part for part in (root, os.environ.get("PYTHONPATH")) if part)
        self._process = subprocess.Popen(
            [sys.executable, "-m", "harness.bench.watchdog_process"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            bufsize=0,
            start_new_session=True,
            env=os.environ | {"PYTHONPATH": path},
        )
        assert self._process.stdin is not None and self._process.stdout is not None
        self._in, self._out = self._process.stdin, self._process.stdout
        self._in.write(config.encode())
        os.set_blocking(self._in.fileno(), False)
        self._heard_ns = time.monotonic_ns()
        if not self._wait(lambda: "ready" in self._said, _START_S):
            problem = self._acted or "it does not start"
            self.close()
            raise InstrumentError(f"the watchdog process: {problem}")
        clock.beat_every(round(spec.heartbeat * S), self.beat)

    def guard(self, on: bool) -> None:
        """See Watchdog. Returns when the hardware line is fed, or no longer, or the watchdog has acted instead."""
        said = "guarding" if on else "idle"
        self._said.discard(said)
        self._send(f"guard {'on' if on else 'off'}")
        self._wait(lambda: said in self._said, _ANSWER_S)

    def beat(self) -> None:
        """See Watchdog."""
        if not self._hushed:
            self._send("beat")

    def alive(self) -> bool:
        """See Watchdog: it has not acted, it runs, and it said so lately."""
        self._listen(0.0)
        lately = time.monotonic_ns() - self._heard_ns <= self._patience_ns
        return self._acted is None and self._process.poll() is None and lately

    def hush(self) -> None:
        """See Watchdog."""
        self._hushed = True
        self._clock.beat_every(0, None)

    def close(self) -> None:
        """See Watchdog. One that is busy making safe is waited for, and never ended."""
        self._clock.beat_every(0, None)
        if not self._in.closed:
            self._send("end")
            self._in.close()
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._process.wait(self._most_wait_s)
        self._out.close()

    def _send(self, text: str) -> None:
        with contextlib.suppress(OSError, ValueError):  # gone, or its pipe is full: alive() says so
            self._in.write(text.encode() + b"\n")

    def _wait(self, true: Callable[[], bool], at_most_s: float) -> bool:
        deadline = time.monotonic() + at_most_s
        while not true() and self._acted is None and time.monotonic() < deadline:
            if not self._listen(deadline - time.monotonic()):
                break
        return true()

    def _listen(self, at_most_s: float) -> bool:
        """Take in what it says; False where it has ended."""
        while not self._out.closed and select.select([self._out], [], [], max(0.0, at_most_s))[0]:
            chunk = os.read(self._out.fileno(), _CHUNK)
            if not chunk:
                self._acted = self._acted or "it has ended"
                return False
            self._heard_ns = time.monotonic_ns()
            *lines, self._unfinished = (self._unfinished + chunk).split(b"\n")
            for line in lines:
                self._take(line.decode(errors="replace"))
            at_most_s = 0.0
        return True

    def _take(self, line: str) -> None:
        if line.startswith(("acted", "failed")):
            self._acted = line
        elif line != ".":
            self._said.add(line)


def start_watchdog(
    interlock: InterlockSpec,
    contactor: ContactorSpec,
    spec: WatchdogSpec,
    folder: Path,
    clock: WallClock,
    dialects: Mapping[str, Dialect] | None = None,
) -> WatchdogProcess:
    """The watchdog process of a real bench; it writes what it does into ``folder``. Raises InstrumentError.

    ``dialects`` by role: its links speak to interlock and source as the harness's do.
    """
    if interlock.watchdog_relay is None:
        raise InstrumentError("the interlock has no hardware watchdog line: nothing can be energised without it")
    look = min(spec.heartbeat / _LOOKS, interlock.watchdog_hold / _MOST_LOOK_SHARE)
    doors, stop = interlock.doors, interlock.emergency_stop
    config = Config(
        spec.interlock,
        spec.source,
        (doors[0], doors[1], stop[0], stop[1]),
        orders_of(interlock, contactor),
        silence_ns=round(spec.silence * S),
        look_ns=round(look * S),
        folder=str(folder.resolve()),
        origin_ns=time.monotonic_ns() - clock.now_ns(),
        dialects={role: (dialect.identity, dict(dialect.verbs)) for role, dialect in (dialects or {}).items()},
        bank=spec.bank,
    )
    return WatchdogProcess(config, spec, clock)


def orders_of(interlock: InterlockSpec, contactor: ContactorSpec) -> Orders:
    """What the watchdog of a bench switches. The interlock has a watchdog relay."""
    assert interlock.watchdog_relay is not None
    relays = interlock.relays
    return Orders(
        interlock.watchdog_relay,
        relays["contactor"],
        relays["discharge"],
        contactor.breaking_current,
        contactor.maximum_wait,
        relays.get("pulse"),
        relays.get("bank_discharge"),
        tuple(relays[name] for name in PAST if name in relays),
    )
