"""The watchdog of a real bench: a process of its own that outlives the harness by as long as making safe takes.

    python -m harness.bench.watchdog_process

Standard input: one line of JSON (``Config``), then messages, a line each: ``guard on``, ``guard off``, ``beat``,
``end``. Its end without ``end`` means that the harness is gone. Standard output: ``ready``, ``.`` for every look,
``guarding`` once the hardware line is fed, ``acted REASON``.

It is in a session of its own, so a terminal that goes takes it not along; it ignores SIGINT and SIGHUP, and SIGTERM
makes it act and end. SIGKILL, or SIGSTOP, leaves the hardware line unfed, which takes source enable away.
"""

from __future__ import annotations

import contextlib
import json
import os
import select
import signal
import sys
import time
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path

from harness.bench.dialect import Dialect, Translated
from harness.bench.instrument import InstrumentError, Link
from harness.bench.visa import VisaLink
from harness.bench.watchdog_acts import LOOK_NS, Log, Orders, acts
from harness.bench.watchdog_table import Event, State, Watch
from harness.clock import S

_LINK_MS = 150  # an instrument that has not answered by then is lost: less than the hardware line holds
_CHUNK = 4096
_NICE = -10


@dataclass(frozen=True)
class Config:
    """What the harness tells the process about bench and run."""

    interlock: str  # resources of the watchdog's own
    source: str
    inputs: tuple[int, int, int, int]  # two channels of the doors, two of the emergency stop
    orders: Orders
    silence_ns: int
    look_ns: int  # between two looks, which feed the line
    folder: str
    origin_ns: int  # of the run's clock, on the machine's monotonic clock
    dialects: Mapping[str, tuple[str, Mapping[str, str]]] = field(default_factory=dict)  # role -> identity, verbs
    bank: str | None = None  # the charger of the capacitor bank, where there is one

    def encode(self) -> bytes:
        """One line."""
        return json.dumps(asdict(self)).encode() + b"\n"

    @classmethod
    def decode(cls, line: bytes) -> Config:
        """The same back. Raises ValueError, TypeError or KeyError for anything else."""
        fields = json.loads(line)
        fields["orders"] = Orders(**fields["orders"])
        fields["inputs"] = tuple(fields["inputs"])
        return cls(**fields)


class Process:
    """Links, messages and clock around the table."""

    def __init__(self, config: Config, interlock: Link, source: Link, charger: Link | None) -> None:
        self._config = config
        self._charger = charger
        self._interlock = interlock
        self._source = source
        self._watch = Watch(config.silence_ns)
        self._log = Log(Path(config.folder), lambda: time.monotonic_ns() - config.origin_ns)
        self._unfinished = b""
        self._told_to_stop = False
        self._ended = False

    def stop(self) -> None:
        """Act and end; what SIGTERM asks for."""
        self._told_to_stop = True

    def run(self) -> None:
        """Watch until the harness has said goodbye or is gone."""
        say("ready")
        next_ns = time.monotonic_ns()
        while not self._ended:
            rest_ns = max(0, next_ns - time.monotonic_ns())
            if select.select([0], [], [], rest_ns / S)[0]:
                self._hear(os.read(0, _CHUNK))
            if self._told_to_stop:
                self._happened(Event.STOP)
                self._ended = True
            if time.monotonic_ns() >= next_ns:
                self._look()
                next_ns = time.monotonic_ns() + self._config.look_ns

    def _hear(self, chunk: bytes) -> None:
        if not chunk:
            self._happened(Event.LINK_LOST)
            self._ended = True
            return
        *lines, self._unfinished = (self._unfinished + chunk).split(b"\n")
        for line in lines:
            self._message(line)

    def _message(self, line: bytes) -> None:
        match line:
            case b"beat":
                self._watch.heard(time.monotonic_ns())
            case b"guard on" | b"guard off":
                before = self._watch.state
                self._watch.guard(line == b"guard on", time.monotonic_ns())
                self._look()
                if self._watch.state is State.IDLE:
                    self._starve()
                if self._watch.state is not before and self._watch.state is not State.ACTED:
                    self._log.note(self._watch.state.value)
                say(self._watch.state.value)
            case b"end":
                self._happened(Event.RELEASED)
                self._ended = True

    def _look(self) -> None:
        """See whether all is well; feed the line, or let it go."""
        say(".")
        if self._watch.state is not State.GUARDING:
            return
        try:
            closed = self._closed()
            for link in (self._source, *([] if self._charger is None else [self._charger])):
                link.query("OUTP?")  # nobody may find out that this link is gone when it is needed
        except InstrumentError as error:
            self._log.note("link lost", problem=str(error))
            self._happened(Event.LINK_LOST)
            return
        if self._watch.look(time.monotonic_ns(), closed) is State.ACTED:
            self._act()
            return
        try:
            self._interlock.write(f"ROUT:CLOS (@{self._config.orders.watchdog_relay})")
        except InstrumentError:
            self._happened(Event.LINK_LOST)

    def _starve(self) -> None:
        """Both sides are proved dead: the line need not wait to fall by itself."""
        with contextlib.suppress(InstrumentError):
            self._interlock.write(f"ROUT:OPEN (@{self._config.orders.watchdog_relay})")

    def _closed(self) -> bool:
        """Whether every channel of doors and emergency stop says closed; one that disagrees counts as open."""
        answer = self._interlock.query(f"SENS:DATA? (@{','.join(map(str, self._config.inputs))})")
        return [part.strip() for part in answer.split(",")] == ["1"] * len(self._config.inputs)

    def _happened(self, event: Event) -> None:
        before = self._watch.state
        if self._watch.handle(event) is State.ACTED and before is not State.ACTED:
            self._act()

    def _act(self) -> None:
        """Make safe. The first thing takes source enable away, so that the disk is waited for with the source off."""
        reason = self._watch.reason
        assert reason is not None
        noted = False
        for act in acts(self._interlock, self._source, self._config.orders, time.monotonic_ns, self._charger):
            if act is None:
                time.sleep(LOOK_NS / S)
                continue
            if not noted:
                say(f"acted {reason.value}")  # a harness that lives makes safe by itself meanwhile
                self._log.note("acted", reason=reason.value)
                noted = True
            self._log.act(act)


def say(text: str) -> None:
    """A line to the harness, which may be gone or too busy to read it: that keeps nobody from watching."""
    with contextlib.suppress(OSError):
        os.write(1, text.encode() + b"\n")


def _go_first() -> None:
    """Be scheduled ahead of what is watched, where the system lets us: a busy machine must not delay making safe."""
    with contextlib.suppress(OSError):
        os.setpriority(os.PRIO_PROCESS, 0, _NICE)


def _first_line() -> bytes:
    """Byte by byte: what follows it is left for the loop, which looks at the file itself and not at a buffer."""
    line = b""
    while not line.endswith(b"\n") and (byte := os.read(0, 1)):
        line += byte
    return line


def _opened(config: Config, role: str) -> Link:
    """A link of this process's own, to who is expected there. Raises InstrumentError."""
    dialect = Dialect(*config.dialects.get(role, ("", {})))
    resource = {"interlock": config.interlock, "source": config.source, "bank": config.bank}[role]
    assert resource is not None
    link = Translated(role, VisaLink(resource, _LINK_MS), dialect)
    link.query("*IDN?")
    return link


def main() -> int:
    """Read the configuration, open the links, watch."""
    for number in (signal.SIGINT, signal.SIGHUP, signal.SIGPIPE):
        signal.signal(number, signal.SIG_IGN)
    _go_first()
    try:
        config = Config.decode(_first_line())
        interlock, source = _opened(config, "interlock"), _opened(config, "source")
        charger = None if config.bank is None else _opened(config, "bank")
    except (InstrumentError, ValueError, TypeError, KeyError) as error:
        say(f"failed: {error}")
        return 5
    os.set_blocking(1, False)
    process = Process(config, interlock, source, charger)
    signal.signal(signal.SIGTERM, lambda number, frame: process.stop())
    process.run()
    for link in (interlock, source, charger):
        if link is not None:
            link.close()
    return 0


if __name__ == "__main__":
    sys.exit(main())
