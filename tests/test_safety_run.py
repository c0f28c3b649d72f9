"""High voltage on a served bench, from outside: a person at a terminal, nobody there, signals; the figures in small."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from safety_rig import (
    LONG,
    PATIENCE_S,
    TRIP,
    ServedBench,
    TerminalRun,
    keep_cut_time,
    served_bench,
    start,
    terminal_run,
    wait,
)

from harness.record.reader import Record

ROOT = Path(__file__).parent.parent
ATTEMPTS = 4
STATEMENT = "I have verified that both sides are dead"
LINKS = ("watchdog.interlock", "watchdog.source", "watchdog.bank", "interlock", "voltmeter", "source", "load", "bank")


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ServedBench]:
    with served_bench(tmp_path_factory.mktemp("served")) as bench:
        yield bench


@contextmanager
def begun(folder: Path, served: ServedBench, text: str) -> Iterator[TerminalRun]:
    """A run that has come to the question; a machine under load misses LIN slots before, and then it is begun anew."""
    for attempt in range(ATTEMPTS):
        with terminal_run(folder / str(attempt), served.file, text) as run:
            if run.attend(served.panel, lambda: "press the arm button" in run.shown) or attempt + 1 == ATTEMPTS:
                yield run
                return


def record_of(run: TerminalRun) -> Record:
    return Record(run.folder)


def test_a_person_at_the_terminal_confirms_and_the_run_passes(tmp_path: Path, served: ServedBench) -> None:
    seen = []
    with begun(tmp_path, served, TRIP) as run:
        run.attend(served.panel, lambda: (seen.append(served.panel.standing()), run.process.poll() is not None)[1])
        code = run.process.wait(PATIENCE_S)

        assert code == 0, (run.lines(), run.shown)
        assert [line["verdict"] for line in run.lines()] == ["pass"] * 8
        record = record_of(run)
        events = record.events()
        proof = next(event.detail for event in events if event.kind == "proof")
        watched = [event.detail["event"] for event in record.watchdog()]
        record.close()
    assert any(standing.source and standing.contactor and standing.load_side > 600 for standing in seen)
    assert "type exactly: energise 700 V on served" in run.shown
    assert (proof["state"], proof["reasons"]) == ("safe", [])
    assert watched == ["guarding", "idle"]  # from before energising until both sides were proved dead
    after = served.panel.standing()
    assert after.off
    assert max(after.source_side, after.load_side) < 60


def test_without_a_terminal_nothing_is_energised(tmp_path: Path, served: ServedBench) -> None:
    plan = tmp_path / "plan.yaml"
    plan.write_text(TRIP)
    keep_cut_time(tmp_path / "runs", served.file)
    arguments = ("run", str(plan), "--bench", str(served.file), "--runs", str(tmp_path / "runs"), "--json")
    quiet = subprocess.DEVNULL
    process = start(*arguments, stdin=quiet, stdout=subprocess.PIPE, stderr=quiet)
    seen = []
    while process.poll() is None:
        seen.append(served.panel.standing())
        time.sleep(0.002)
    out, _ = process.communicate()

    assert process.returncode == 4
    assert b'"not-run"' in out
    assert len(seen) > 10
    assert not any(standing.source or standing.contactor or standing.enabled for standing in seen)


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_an_interrupted_run_proves_itself_dead(tmp_path: Path, served: ServedBench, number: signal.Signals) -> None:
    with begun(tmp_path, served, LONG) as run:
        assert run.attend(served.panel, lambda: served.panel.standing().load_side > 600), run.shown
        os.kill(run.process.pid, number)
        wait(lambda: served.panel.standing().off, "source and contactor off", 5.0)

        assert run.process.wait(PATIENCE_S) == 130, run.shown
        record = record_of(run)
        proofs = [event.detail["state"] for event in record.events() if event.kind == "proof"]
        record.close()
    assert proofs[-1] == "safe"


def test_a_run_that_hung_finds_the_bench_made_safe_and_ends(tmp_path: Path, served: ServedBench) -> None:
    with begun(tmp_path, served, LONG) as run:
        assert run.attend(served.panel, lambda: served.panel.standing().load_side > 600), run.shown
        os.kill(run.process.pid, signal.SIGSTOP)
        wait(lambda: served.panel.standing().off, "source and contactor off", 5.0)
        os.kill(run.process.pid, signal.SIGCONT)

        # On a busy machine both sides are dead before it goes on: nobody saw them fall, and a person has to state it.
        if run.attend(served.panel, lambda: STATEMENT in run.shown):
            run.type(STATEMENT)
        assert run.process.wait(PATIENCE_S) == 5, run.shown
        record = record_of(run)
        (acted,) = [event.detail for event in record.watchdog() if event.detail["event"] == "acted"]
        why = [event.detail.get("why") for event in record.events() if event.detail.get("after") == "discharging"]
        record.close()
    assert acted["reason"] == "the harness has not beaten for too long"
    assert why == ["the watchdog does not answer"]


def test_a_killed_run_leaves_the_bench_in_doubt_until_a_person_states_it_dead(
    tmp_path: Path, served: ServedBench
) -> None:
    with begun(tmp_path, served, LONG) as run:
        assert run.attend(served.panel, lambda: served.panel.standing().load_side > 600), run.shown
        os.kill(run.process.pid, signal.SIGKILL)
        wait(lambda: served.panel.standing().off, "source and contactor off", 5.0)
        folder = run.folder.parents[1]
    left = folder / "runs" / "benches" / "served.in_doubt"
    assert left.read_text() == "energised for 700 V\n"

    for _ in range(ATTEMPTS):  # a machine under load loses the bus before it comes to the question
        with terminal_run(folder, served.file, LONG) as again:
            if again.attend(served.panel, lambda: "Only then type exactly" in again.shown):
                again.type(STATEMENT)
            assert again.finish(served.panel) == 5
        if not left.exists():
            break

    assert not left.exists(), again.shown
    assert "an earlier run left it in doubt (energised for 700 V)" in again.shown
    assert "energise 700 V on served" not in again.shown


def test_the_figures_in_small() -> None:
    """Every link is cut once."""
    trials = ["--kills", "3", "--stops", "1", "--cuts", str(len(LINKS))]
    path = os.pathsep.join(["tests", ".", os.environ.get("PYTHONPATH", "")])
    done = subprocess.run(
        [sys.executable, "tests/benchmarks/safety.py", *trials, "--messages", "2000"],
        cwd=ROOT,
        env=os.environ | {"PYTHONPATH": path},
        capture_output=True,
        text=True,
        timeout=110,
        check=False,
    )

    assert done.returncode == 0, done.stdout + done.stderr
    for line in ("SIGKILL: 3 of 3", "SIGSTOP: 1 of 1", "link cut: 8 of 8", "mock server: 2000", "harness link: 2000"):
        assert line in done.stdout
    for link in LINKS:
        assert f"ok  link of {link} cut " in done.stdout
