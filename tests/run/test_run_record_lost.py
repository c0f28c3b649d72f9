"""A record that takes nothing more in mid-run: the bench is made safe, and it is said what could not be put back."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

import pytest
from test_run_engine import Nobody, supply_after

from harness.bench.bench import Bench, open_bench
from harness.bench.spec import load_bench, shipped_bench
from harness.files.profile import load_device, shipped_device
from harness.plan.plan import load_plan
from harness.record.journal import Journal, JournalError
from harness.record.reader import Record
from harness.run import engine as engine_module
from harness.run.engine import Engine

DEVICE = load_device(shipped_device("heater"))
PLAN = """
format: 1
name: short
title: Write, close, apply
device: heater
steps:
  - write_set_points: {values: {overload_pickup: 20 A}}
  - close
  - expect_no_trip: {inject: 10 A, duration: 1 s}
  - identify
"""


@pytest.fixture
def bench() -> Bench:
    return open_bench(load_bench(shipped_bench("simulated")), DEVICE)


def fill(journal: Journal) -> None:
    """From here on SQLite itself says that the disk is full."""
    pages = journal._db.execute("PRAGMA page_count").fetchone()[0]
    journal._db.execute(f"PRAGMA max_page_count={pages}")
    with suppress(JournalError):
        while True:
            journal.event(0, "filler", {})
    journal._waiting.clear()


@pytest.mark.parametrize("last", ["short/write_set_points_1", "short/close_1", "short/expect_no_trip_1"])
def test_a_full_disk_makes_the_bench_safe(
    tmp_path: Path, bench: Bench, last: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[object] = []
    monkeypatch.setattr(engine_module, "put_back", asked.append)  # it would write what cannot be recorded
    (tmp_path / "short.yaml").write_text(PLAN)
    journal = Journal(tmp_path / "run")

    class FullAfter(Nobody):
        def finished(self, result: object) -> None:
            super().finished(result)  # type: ignore[arg-type]
            if self.seen[-1] == last:
                fill(journal)

    watcher = FullAfter()
    ending = Engine(DEVICE, bench, journal, watcher).run([load_plan(tmp_path / "short.yaml")])
    with pytest.raises(JournalError):
        journal.close()  # what still waits to be written is not dropped without a word

    assert asked == []
    assert ending.record_lost is not None and "disk is full" in ending.record_lost
    assert ending.exit_code == 5
    assert [action.problem for action in ending.made_safe] == [None] * len(ending.made_safe) != []
    assert supply_after(bench) < 1
    assert ending.not_put_back == ["short: overload_pickup was not put back to 27.5: it could not be recorded"]
    record = Record(tmp_path / "run")
    assert [result.id for result in record.results()] == watcher.seen == [result.id for result in ending.results]
    record.close()
