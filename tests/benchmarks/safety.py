"""Whether a served high-voltage run is made safe when the harness dies, hangs or loses a link, and what garbage does.

    PYTHONPATH=tests python tests/benchmarks/safety.py [--kills N] [--stops N] [--cuts N] [--messages N] [--benches N]

Exit code 0 where every figure holds. The bench is a served one: nothing here speaks of a real bench's time to cut off.
"""

from __future__ import annotations

import argparse
import os
import random
import signal
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from mutated_messages import fuzz_harness, fuzz_mock
from safety_rig import (
    LONG,
    Forked,
    Panel,
    ServedBench,
    TerminalRun,
    cabled,
    served_bench,
    terminal_run,
    wait,
)

from harness.record.reader import Record

LIMIT_S = 0.5
"""From the disturbance to source and contactor off, as the served bench declares it (watchdog: stop_within)."""
LINKS = ("watchdog.interlock", "watchdog.source", "watchdog.bank", "interlock", "voltmeter", "source", "load", "bank")
"""Cut in turn: every link that a run on a bench with a bank of capacitors depends on while it is energised."""
_WINDOW_S = 1.5  # random instants lie in so much of the time after the source came on
_PATIENCE_S = 10.0
_DEAD_V = 50.0  # below what counts as live by touch, 60 V, with any voltmeter's error
_ATTEMPTS = 12


class NotEnergised(Exception):
    """There was nothing to disturb."""


@dataclass(frozen=True)
class Trial:
    """One run that was disturbed: seconds until everything was off, and what was wrong beside that."""

    what: str
    off_s: float
    problems: tuple[str, ...]

    @property
    def good(self) -> bool:
        return self.off_s <= LIMIT_S and not self.problems


Disturb = Callable[[TerminalRun], None]
Way = Callable[[ServedBench, Path, float], Trial]


def disturbed(bench: ServedBench, file: Path, folder: Path, what: str, after_s: float, disturb: Disturb) -> Trial:
    """Energise, disturb at an instant, see everything off and discharged, read what is left of the record."""
    panel = bench.panel
    with terminal_run(folder, file, LONG, Forked) as run:
        if not run.attend(panel, lambda: panel.standing().source):
            raise NotEnergised(_tail(run))
        time.sleep(after_s)
        if not panel.standing().source and not _comes_back(panel):
            raise NotEnergised(f"off again before anything was disturbed: {_tail(run)}")
        began = time.monotonic()
        disturb(run)
        try:
            wait(lambda: panel.standing().off, "source and contactor off", _PATIENCE_S)
        except AssertionError as error:
            return Trial(what, _PATIENCE_S, (f"{error}: {_tail(run)}",))
        off_s = time.monotonic() - began
        try:  # by whoever is left of harness and watchdog; the next run finds nothing live
            wait(lambda: _dead(panel), "both sides discharged", _PATIENCE_S)
        except AssertionError as error:
            return Trial(what, off_s, (f"{error}: {_tail(run)}",))
        run.end_process()
        problems = tuple(_problems(run))
        wait(lambda: not panel.standing().enabled, "the hardware line let go", _PATIENCE_S)
    return Trial(what, off_s, problems)


def _dead(panel: Panel) -> bool:
    standing = panel.standing()
    return max(standing.source_side, standing.load_side) < _DEAD_V


def _comes_back(panel: Panel) -> bool:
    """A step switches the source off and on again as it begins."""
    until = time.monotonic() + 1.0
    while time.monotonic() < until:
        if panel.standing().source:
            return True
    return False


def _tail(run: TerminalRun) -> str:
    """The end of what it said, on the screen, in its results and by its watchdog."""
    record = Record(run.folder)
    events = [f"{event.at_ns / 1e9:.3f} {event.kind} {dict(event.detail)}" for event in record.events()[-4:]]
    events += [f"{event.at_ns / 1e9:.3f} {event.kind} {dict(event.detail)}" for event in record.watchdog()]
    record.close()
    return "\n    ".join([run.shown[-200:].replace("\n", " "), *map(str, run.lines()[-1:]), *events])


def _problems(run: TerminalRun) -> list[str]:
    """What a reader of the record misses: every acknowledged step, that it was energised, what the watchdog did."""
    acknowledged = [(line["id"], line["verdict"]) for line in run.lines() if line["type"] == "result"]
    record = Record(run.folder)
    try:
        kept = [(result.id, result.verdict.value) for result in record.results()]
        energised = any(event.detail.get("event") == "energise" for event in record.events())
        wait(lambda: any(event.detail["event"] == "acted" for event in record.watchdog()), "the watchdog's word", 5.0)
    except AssertionError as error:
        return [str(error)]
    finally:
        record.close()
    problems = [] if energised else ["the record does not say that it was energised"]
    if kept[: len(acknowledged)] != acknowledged:
        problems.append(f"acknowledged {acknowledged}, kept {kept}")
    return problems


def kill(bench: ServedBench, folder: Path, after_s: float) -> Trial:
    return disturbed(bench, bench.file, folder, "SIGKILL", after_s, lambda run: _signal(run, signal.SIGKILL))


def stop(bench: ServedBench, folder: Path, after_s: float) -> Trial:
    return disturbed(bench, bench.file, folder, "SIGSTOP", after_s, lambda run: _signal(run, signal.SIGSTOP))


def cut(role: str, bench: ServedBench, folder: Path, after_s: float) -> Trial:
    cable, file = cabled(bench, role, folder)
    try:
        return disturbed(bench, file, folder, f"link of {role} cut", after_s, lambda run: cable.cut())
    finally:
        cable.cut()


def _begun(way: Way, bench: ServedBench, folder: Path, after_s: float) -> Trial:
    """A run that never came to be energised (a machine under load misses LIN slots) is begun anew, and said so."""
    for attempt in range(_ATTEMPTS):
        try:
            return way(bench, folder / str(attempt), after_s)
        except NotEnergised as error:
            print(f"begun anew: {error}", flush=True)
    return Trial("none", 0.0, (f"not energised in {_ATTEMPTS} runs",))


def _signal(run: TerminalRun, number: int) -> None:
    os.kill(run.process.pid, number)


def trials(kills: int, stops: int, cuts: int, benches: int, seed: int, root: Path) -> list[Trial]:
    """All of them, shared out to ``benches`` served benches side by side."""
    draw = random.Random(seed)
    instants = [draw.uniform(0, _WINDOW_S) for _ in range(kills + stops + cuts)]
    ways: list[Way] = [kill] * kills + [stop] * stops + [partial(cut, LINKS[n % len(LINKS)]) for n in range(cuts)]

    def work(number: int) -> list[Trial]:
        found = []
        with served_bench(root / f"bench{number}") as bench:
            for index in range(number, len(ways), benches):
                found.append(_begun(ways[index], bench, root / f"run{index}", instants[index]))
                print(_line(found[-1]), flush=True)
        return found

    with ThreadPoolExecutor(benches) as pool:
        return [trial for part in pool.map(work, range(benches)) for trial in part]


def _line(trial: Trial) -> str:
    problems = f"  {'; '.join(trial.problems)}" if trial.problems else ""
    return f"{'ok ' if trial.good else 'BAD'} {trial.what:<32} off after {trial.off_s * 1000:4.0f} ms{problems}"


def _summary(name: str, found: list[Trial]) -> str:
    times = sorted(trial.off_s * 1000 for trial in found)
    good = sum(trial.good for trial in found)
    half, most = times[len(times) // 2], times[-1]
    return f"{name}: {good} of {len(found)}; off after {half:.0f} ms at the median, {most:.0f} ms at most"


def main() -> int:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--kills", type=int, default=200, help="runs ended by SIGKILL")
    parser.add_argument("--stops", type=int, default=20, help="runs stopped by SIGSTOP")
    parser.add_argument("--cuts", type=int, default=50, help="runs that lose a link of an instrument")
    parser.add_argument("--messages", type=int, default=100_000, help="mutated SCPI messages each way")
    parser.add_argument("--benches", type=int, default=3, help="served benches side by side")
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    began = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="breakerbench-safety-") as root:
        found = trials(asked.kills, asked.stops, asked.cuts, asked.benches, asked.seed, Path(root))
    good = all(trial.good for trial in found)
    for name, belongs in (("SIGKILL", "SIGKILL"), ("SIGSTOP", "SIGSTOP"), ("link cut", "link")):
        group = [trial for trial in found if trial.what.startswith(belongs)]
        if group:
            print(_summary(name, group))
    for name, fuzz in (("mock server", fuzz_mock), ("harness link", fuzz_harness)):
        if asked.messages:
            worst_s = fuzz(asked.messages, asked.seed)
            print(f"{name}: {asked.messages} mutated messages, no traceback, the slowest took {worst_s * 1000:.0f} ms")
    print(f"{time.monotonic() - began:.0f} s in all")
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
