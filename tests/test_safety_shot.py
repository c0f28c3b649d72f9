"""Short circuits from the bank of a served bench: real SCPI over sockets, a person at a terminal, the watchdog."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from safety_rig import PATIENCE_S, Panel, ServedBench, TerminalRun, served_bench, terminal_run, wait

from harness.record.reader import Record

SHOT = """
format: 1
name: shot
title: A short circuit from the bank
device: heater
steps:
  - power_cycle: {duration: 200 ms}
  - write_set_points: {values: {short_circuit_threshold: 150 A}}
  - calibrate_loop: {voltage: 80 V}
  - close
  - short_circuit: {voltage: 400 V}
clean_up:
  - open
  - clear_codes
"""
ATTEMPTS = 3


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ServedBench]:
    with served_bench(tmp_path_factory.mktemp("served")) as bench:
        yield bench


def bank_volts(panel: Panel) -> float:
    return float(dict(part.split("=") for part in panel.ask("STATE?").split())["volts_bank"])


@contextmanager
def attended(folder: Path, served: ServedBench) -> Iterator[TerminalRun]:
    """A run that has come to the question; a machine under load misses LIN slots before."""
    for attempt in range(ATTEMPTS):
        with terminal_run(folder / str(attempt), served.file, SHOT) as run:
            if run.attend(served.panel, lambda: "press the arm button" in run.shown):
                yield run
                return
    raise AssertionError("no run came to the question")


def test_a_shot_over_real_links_passes_and_leaves_the_bank_dead(tmp_path: Path, served: ServedBench) -> None:
    with attended(tmp_path, served) as run:
        most = 0.0

        def over() -> bool:
            nonlocal most
            most = max(most, bank_volts(served.panel))
            return run.process.poll() is not None

        run.attend(served.panel, over)
        assert run.process.wait(PATIENCE_S) == 0, (run.lines(), run.shown)
        assert most > 380
        record = Record(run.folder)
        (shot,) = [result for result in record.results() if result.kind == "short_circuit"]
        proof = next(event.detail for event in record.events() if event.kind == "proof")
        record.close()
        assert {wave.channel for wave in shot.waveforms} >= {"current", "switch_voltage", "bank"}
        assert len(shot.measurements) == 5
        assert (proof["state"], proof["reasons"]) == ("safe", [])
        assert bank_volts(served.panel) < 14
        assert "energise 400 V on served" in run.shown


def test_a_harness_that_is_killed_while_the_bank_is_charged_leaves_it_to_the_watchdog(
    tmp_path: Path, served: ServedBench
) -> None:
    with attended(tmp_path, served) as run:
        assert run.attend(served.panel, lambda: bank_volts(served.panel) > 150), run.shown
        os.kill(run.process.pid, signal.SIGKILL)

        wait(lambda: served.panel.standing().off and bank_volts(served.panel) < 14, "the bank is discharged", 5.0)

        record = Record(run.folder)
        done = [event.detail["action"] for event in record.watchdog() if event.detail["event"] == "act"]
        record.close()
        assert done[-1] == "bank's discharge on"
        assert {"bank's charger off", "making switch open"} <= set(done)
