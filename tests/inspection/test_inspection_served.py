"""`breakerbench bench` on a served bench, from outside: at a pseudo-terminal, without one, interrupted."""

from __future__ import annotations

import json
import os
import pty
import re
import select
import signal
import subprocess
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import pytest
from safety_rig import PATIENCE_S, ServedBench, begin_fresh, served_bench, start, wait

HANDS = {
    "Now: open the doors.": "DOOR OPEN",
    "Now: close the doors.": "DOOR CLOSE",
    "Now: press the emergency stop.": "STOP PRESS",
    "Now: release the emergency stop.": "STOP RELEASE",
    "Now: press the arm button.": "HOLD ARM",
    "Now: let the arm button go.": "RELEASE ARM",
    "Now: press the emergency stop with 50 V on.": "STOP PRESS",
    "Now: open the doors with 50 V on.": "DOOR OPEN",
}


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ServedBench]:
    with served_bench(tmp_path_factory.mktemp("served")) as bench:
        yield bench


class Terminal:
    """An inspection at a pseudo-terminal, and the person before it."""

    def __init__(self, folder: Path, bench: ServedBench, *more: str) -> None:
        self._bench = bench
        self._master, self._slave = pty.openpty()
        self._out = folder / "out.jsonl"
        self.runs = folder / "runs"
        arguments = ("bench", str(bench.file), "--runs", str(self.runs), "--json", *more)
        self.process = begin_fresh(arguments, os.ttyname(self._slave), self._out)
        self.shown = ""
        self.most = 0.0
        self._handled = 0

    def attend(self, until: Callable[[], bool], hands: Mapping[str, str] = HANDS, phrase: str | None = None) -> None:
        """Do what is asked until ``until`` or the end."""
        give_up = time.monotonic() + PATIENCE_S / 2
        while self.process.poll() is None and not until():
            assert time.monotonic() < give_up, self.shown[-2000:]
            self._read()
            standing = self._bench.panel.standing()
            self.most = max(self.most, standing.source_side, standing.load_side)
            new = self.shown[self._handled :]
            if found := re.search(r"type exactly: (check [ -~]+?)\r?\n", new):
                time.sleep(0.2)  # what is typed ahead of the question does not count
                os.write(self._master, (phrase or found[1]).encode() + b"\n")
                self._handled += found.end()
            for asked, words in hands.items():
                if asked in new:
                    self._bench.panel.do(words)
                    self._handled += new.index(asked) + len(asked)
                    break
        self._read()

    def finish(self, **how: Any) -> int:
        self.attend(lambda: False, **how)
        return self.process.wait(PATIENCE_S)

    def lines(self) -> list[dict[str, Any]]:
        return [json.loads(line) for line in self._out.read_text().splitlines()]

    def end(self) -> None:
        if self.process.poll() is None:
            os.kill(self.process.pid, signal.SIGKILL)
            self.process.wait(PATIENCE_S)
        os.close(self._master)
        os.close(self._slave)

    def _read(self) -> None:
        while select.select([self._master], [], [], 0.005)[0]:
            with suppress(OSError):
                text = os.read(self._master, 1 << 16).decode(errors="replace")
                self.shown += re.sub(r"\x1b\[\d*m", "", text)  # without its colours


@contextmanager
def terminal(folder: Path, bench: ServedBench, *more: str) -> Iterator[Terminal]:
    at = Terminal(folder, bench, *more)
    try:
        yield at
    finally:
        at.end()


def test_a_good_bench_passes_with_a_person_at_a_terminal(tmp_path: Path, served: ServedBench) -> None:
    with terminal(tmp_path, served) as at:
        code = at.finish()
        *rows, summary = at.lines()

    assert code == 0, ([row for row in rows if row["verdict"] != "ok"], at.shown)
    assert 49 < at.most < 51
    assert at.shown.index("does not isolate") < at.shown.index("type exactly: check served with 50 V")
    assert "waiting for somebody to" in at.shown
    assert summary["mark"] == "SIMULATED BENCH: no evidence about a real breaker"
    kept = json.loads((at.runs / "benches" / "served.json").read_text())
    assert kept["digest"] == summary["digest"]
    assert kept["cut_s"] == summary["cut_s"]
    assert 0.2 < kept["cut_s"]["watchdog process"] < 0.5  # silence of 200 ms, stop_within of 500 ms
    assert all(0.005 < kept["cut_s"][name] < 0.2 for name in ("emergency stop", "doors"))
    assert [row["done"] for row in rows if row["role"] == "bank"][-1] == "making switch closed and opened"
    after = served.panel.standing()
    assert after.off and not after.enabled and max(after.source_side, after.load_side) < 6


def test_without_a_terminal_nothing_is_switched_on(tmp_path: Path, served: ServedBench) -> None:
    quiet = subprocess.DEVNULL
    arguments = ("bench", str(served.file), "--runs", str(tmp_path / "runs"), "--json")
    process = start(*arguments, stdin=quiet, stdout=subprocess.PIPE, stderr=quiet)
    seen = []
    while process.poll() is None:
        seen.append(served.panel.standing())
        time.sleep(0.002)
    out, _ = process.communicate()
    *rows, summary = map(json.loads, out.splitlines())

    assert process.returncode == 3
    assert len(seen) > 10
    assert not any(standing.source or standing.contactor or standing.enabled for standing in seen)
    left_out = {row["found"] for row in rows if row["verdict"] == "not looked at"}
    assert left_out == {"nobody is at a terminal to do it"}
    assert summary["counts"]["fault"] == 0
    assert not (tmp_path / "runs").exists()


def test_who_types_something_else_has_not_agreed(tmp_path: Path, served: ServedBench) -> None:
    with terminal(tmp_path, served) as at:
        assert at.finish(phrase="yes") == 3
        found = {row["found"] for row in at.lines() if row.get("verdict") == "not looked at"}

    assert found == {"nobody agreed to it"}
    assert at.most < 1


def test_one_channel_of_a_door_is_found(tmp_path: Path, served: ServedBench) -> None:
    with terminal(tmp_path, served, "--within", "1") as at:
        code = at.finish(hands={**HANDS, "Now: open the doors.": "DOOR1 OPEN"})
        row = next(row for row in at.lines() if row.get("done") == "doors opened and closed")
    served.panel.do("DOOR CLOSE")

    assert code == 5
    assert row["found"] == "channel 2 did not follow when asked to open the doors"
    assert "contact and wires of channel 2" in row["fix"]


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_an_interrupted_inspection_leaves_nothing_on(
    tmp_path: Path, served: ServedBench, number: signal.Signals
) -> None:
    with terminal(tmp_path, served) as at:
        at.attend(lambda: served.panel.standing().source_side > 40)
        assert at.process.poll() is None, at.shown
        os.kill(at.process.pid, number)

        assert at.process.wait(PATIENCE_S) == 130
        assert at.lines()[-1]["trouble"] == ["interrupted; everything was switched off"]
        assert at.lines()[-2]["done"] == "everything switched off"
    assert served.panel.standing().off
    wait(lambda: served.panel.standing().source_side < 6, "discharged", 5.0)


def test_a_killed_inspection_loses_source_enable_by_the_line(tmp_path: Path, served: ServedBench) -> None:
    with terminal(tmp_path, served) as at:
        at.attend(lambda: served.panel.standing().source_side > 40)
        at.process.kill()  # type: ignore[attr-defined]
        wait(lambda: not served.panel.standing().source, "source off by hardware", 2.0)
