"""A served bench with its panel, and runs of the harness on it at a pseudo-terminal: for tests and for the figures."""

from __future__ import annotations

import json
import multiprocessing
import os
import pty
import re
import select
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from harness.bench.spec import load_bench
from harness.record.inspection import Measured, write_measured
from harness.run.cut_time import NEEDED

PATIENCE_S = 60.0  # for anything that another process does, on a busy machine

TRIP = """
format: 1
name: short
title: Current through the switch, then a trip
device: heater
steps:
  - power_cycle: {duration: 200 ms}
  - write_set_points: {values: {overload_pickup: 32 A, overload_time_constant: 2 s}}
  - close
  - expect_no_trip: {name: holds, draw: 30 A, voltage: 700 V, duration: 1 s}
  - expect_trip: {name: trips, draw: 55 A, voltage: 700 V, function: overload}
clean_up:
  - open
  - clear_codes
"""
LONG = """
format: 1
name: long
title: Current through the switch for as long as it takes to disturb it
device: heater
steps:
  - power_cycle: {duration: 200 ms}
  - write_set_points: {values: {overload_pickup: 32 A, overload_time_constant: 2 s}}
  - close
  - expect_no_trip: {name: holds, draw: 30 A, voltage: 700 V, duration: 60 s}
clean_up:
  - open
"""


@dataclass(frozen=True)
class Standing:
    """How the bench stands, by its panel: what really is, not what anybody measured."""

    source: bool
    contactor: bool
    enabled: bool
    source_side: float  # V
    load_side: float  # V

    @property
    def off(self) -> bool:
        """Nothing is fed any more."""
        return not self.source and not self.contactor


class Panel:
    """The operator's hands."""

    def __init__(self, address: str) -> None:
        host, _, port = address.partition(":")
        self._socket = socket.create_connection((host, int(port)), PATIENCE_S)
        self._lines = self._socket.makefile("rb")

    def ask(self, line: str) -> str:
        self._socket.sendall(line.encode() + b"\n")
        return self._lines.readline().decode().rstrip()

    def do(self, line: str) -> None:
        answer = self.ask(line)
        assert answer == "OK", answer

    def standing(self) -> Standing:
        found = dict(part.split("=") for part in self.ask("STATE?").split())
        flags = (found[name] == "1" for name in ("source", "contactor", "enable"))
        return Standing(*flags, float(found["volts_source"]), float(found["volts_load"]))

    def close(self) -> None:
        self._lines.close()
        self._socket.close()


class ServedBench:
    """`serve` on any free ports, in a process of its own; ``file`` is its bench file, ``panel`` its panel."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.file = folder / "served.json"
        self.process = start("serve", "--port-base", "0", "--ready", str(self.file), stderr=subprocess.DEVNULL)
        with suppress(OSError):  # real instruments are not slowed down by a busy machine either
            os.setpriority(os.PRIO_PROCESS, self.process.pid, -5)
        wait(self.file.exists, "the served bench gets ready")
        self.content: dict[str, Any] = json.loads(self.file.read_text())
        self.panel = Panel(self.content["served"]["panel"])

    def end(self) -> None:
        self.panel.close()
        self.process.kill()
        self.process.wait(PATIENCE_S)


@contextmanager
def served_bench(folder: Path) -> Iterator[ServedBench]:
    bench = ServedBench(folder)
    try:
        yield bench
    finally:
        bench.end()


class Running(Protocol):
    """As much of a process as is needed here."""

    @property
    def pid(self) -> int: ...

    def poll(self) -> int | None: ...

    def wait(self, timeout: float) -> int: ...


Begin = Callable[[tuple[str, ...], str, Path], Running]
"""Starts the harness with arguments, at a terminal, with standard output to a file."""


def begin_fresh(arguments: tuple[str, ...], terminal: str, out: Path) -> Running:
    """By the command line, as a person does."""
    tty = os.open(terminal, os.O_RDWR | os.O_NOCTTY)
    try:
        with out.open("w") as to:
            return start(*arguments, stdin=tty, stdout=to, stderr=tty, start_new_session=True)
    finally:
        os.close(tty)


class Forked:
    """The same from a process that has everything imported already: half a second of each of hundreds of runs."""

    def __init__(self, arguments: tuple[str, ...], terminal: str, out: Path) -> None:
        context = multiprocessing.get_context("forkserver")
        context.set_forkserver_preload(["harness.cli.run", "harness.bench.visa", "pyvisa_py"])
        self._process = context.Process(target=_run_forked, args=(arguments, terminal, str(out)))
        self._process.start()

    @property
    def pid(self) -> int:
        assert self._process.pid is not None
        return self._process.pid

    def poll(self) -> int | None:
        return self._process.exitcode

    def wait(self, timeout: float) -> int:
        self._process.join(timeout)
        assert self._process.exitcode is not None, "still running"
        return self._process.exitcode


def _run_forked(arguments: tuple[str, ...], terminal: str, out: str) -> None:
    from harness.cli import main

    os.setsid()
    tty, to = os.open(terminal, os.O_RDWR | os.O_NOCTTY), os.open(out, os.O_WRONLY)
    for number, handle in enumerate((tty, to, tty)):
        os.dup2(handle, number)
    sys.stdin, sys.stdout, sys.stderr = os.fdopen(0), os.fdopen(1, "w"), os.fdopen(2, "w")
    sys.argv = ["breakerbench", *arguments]
    main()


def keep_cut_time(runs: Path, bench_file: Path) -> None:
    """As if this bench had been inspected before: without a measured cut time nothing is energised."""
    spec = load_bench(bench_file)
    write_measured(runs, Measured(spec.name, spec.digest, "2026-01-31T10:00:00+00:00", dict.fromkeys(NEEDED, 0.3)))


class TerminalRun:
    """A run at a pseudo-terminal. ``attend`` plays the person: types the phrase, presses the arm button."""

    def __init__(self, folder: Path, bench_file: Path, text: str, begin: Begin) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        plan = folder / "plan.yaml"
        plan.write_text(text)
        self._runs = folder / "runs"
        keep_cut_time(self._runs, bench_file)
        self._master, slave = pty.openpty()
        out = folder / "out.jsonl"
        self._out = out.open("w+")
        arguments = ("run", str(plan), "--bench", str(bench_file), "--runs", str(self._runs), "--json")
        self._slave = slave  # kept, so that the terminal is there before the run has opened it
        self.process = begin(arguments, os.ttyname(slave), out)
        self.shown = ""

    def attend(self, panel: Panel, until: Callable[[], bool]) -> bool:
        """Do what the terminal asks for until ``until``; False where the run ended before."""
        give_up = time.monotonic() + PATIENCE_S
        typed_at = pressed_at = 0.0
        while not until():
            if self.process.poll() is not None:
                self._read(0.0)
                return until()
            assert time.monotonic() < give_up, f"nothing comes of it: {self.shown[-2000:]}"
            self._read(0.002)
            now = time.monotonic()
            if "press the arm button" in self.shown:
                if now - pressed_at > 1.0:
                    panel.do("PRESS ARM 0.3")
                    pressed_at = now
            elif (phrase := re.search(r"type exactly: (energise [ -~]+)", self.shown)) and now - typed_at > 1.0:
                self.type(phrase[1])
                typed_at = now
        return True

    def type(self, line: str) -> None:
        """As the person does who has just read a question."""
        time.sleep(0.1)  # what is typed ahead of the question does not count
        os.write(self._master, line.encode() + b"\n")

    def finish(self, panel: Panel) -> int:
        """Attend to the end; the exit code."""
        self.attend(panel, lambda: self.process.poll() is not None)
        return int(self.process.wait(PATIENCE_S))

    @property
    def folder(self) -> Path:
        """Of the run's record."""
        (found,) = (journal.parent for journal in self._runs.glob("*/journal.sqlite"))
        return found

    def lines(self) -> list[dict[str, Any]]:
        """Result lines that the run has put out whole: what it acknowledged."""
        self._out.seek(0)
        whole = self._out.read().rpartition("\n")[0]
        return [json.loads(line) for line in whole.splitlines()]

    def end_process(self) -> None:
        """Whatever state it is in, stopped ones included."""
        if self.process.poll() is None:
            os.kill(self.process.pid, signal.SIGKILL)
        self.process.wait(PATIENCE_S)

    def end(self) -> None:
        """The process, and the terminal with it."""
        self.end_process()
        with suppress(OSError):
            os.close(self._master)
        os.close(self._slave)
        self._out.close()

    def _read(self, at_most_s: float) -> None:
        while select.select([self._master], [], [], at_most_s)[0]:
            try:
                chunk = os.read(self._master, 1 << 16)
            except OSError:  # the other side has gone
                return
            if not chunk:
                return
            self.shown += chunk.decode(errors="replace")
            at_most_s = 0.0


@contextmanager
def terminal_run(folder: Path, bench_file: Path, text: str, begin: Begin | None = None) -> Iterator[TerminalRun]:
    run = TerminalRun(folder, bench_file, text, begin or begin_fresh)
    try:
        yield run
    finally:
        run.end()


class Cable:
    """A link between a program and a port that can be cut: bytes pass through until then."""

    def __init__(self, port: int) -> None:
        self._to = port
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self._ends: list[socket.socket] = []
        self._cut = False
        threading.Thread(target=self._serve, daemon=True).start()

    def cut(self) -> None:
        """Both ends go, and nobody gets through any more."""
        self._cut = True
        with suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        for end in self._ends:
            with suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)

    def _serve(self) -> None:
        while not self._cut:
            try:
                near, _ = self._listener.accept()
                far = socket.create_connection(("127.0.0.1", self._to), PATIENCE_S)
            except OSError:
                return
            for end in (near, far):
                end.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._ends += [near, far]
            threading.Thread(target=_carry, args=(near, far), daemon=True).start()
            threading.Thread(target=_carry, args=(far, near), daemon=True).start()


def cabled(bench: ServedBench, role: str, folder: Path) -> tuple[Cable, Path]:
    """A cable in the way to ``role``, and the bench file that goes through it; `watchdog.source` is a role here too."""
    content = json.loads(json.dumps(bench.content))
    section, _, key = role.rpartition(".")
    place, name = (content[section], key) if section else (content["roles"][role], "resource")
    cable = Cable(int(place[name].split("::")[2]))
    place[name] = f"TCPIP::127.0.0.1::{cable.port}::SOCKET"
    folder.mkdir(parents=True, exist_ok=True)
    file = folder / "cabled.json"
    file.write_text(json.dumps(content))
    return cable, file


def start(*arguments: str, **options: Any) -> subprocess.Popen[bytes]:
    return subprocess.Popen([sys.executable, "-m", "harness", *arguments], **options)


def wait(true: Callable[[], bool], what: str, at_most_s: float = PATIENCE_S) -> float:
    """Seconds until ``true``, looked at every millisecond or two."""
    began = time.monotonic()
    while not true():
        assert time.monotonic() - began < at_most_s, f"not within {at_most_s:g} s: {what}"
        time.sleep(0.0015)
    return time.monotonic() - began


def _carry(source: socket.socket, to: socket.socket) -> None:
    with suppress(OSError):
        while chunk := source.recv(1 << 16):
            to.sendall(chunk)
    for end in (source, to):
        with suppress(OSError):
            end.shutdown(socket.SHUT_RDWR)
        end.close()
