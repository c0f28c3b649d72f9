"""The run record: what goes in comes out, whoever was killed in between."""

from __future__ import annotations

import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from harness.record.journal import Journal, JournalError, new_folder
from harness.record.layout import APPLICATION_ID, FORMAT, INPUTS_NAME, JOURNAL_NAME
from harness.record.note import IdentityReading, Input, InstrumentNote, PlanNote, StepNote
from harness.record.reader import Record, RecordError
from harness.record.result import Applied, Coverage, Exchange, Measurement, Result, Verdict, Waveform


def a_result(number: int = 1) -> Result:
    return Result(
        id=f"plan/step_{number}",
        plan="plan",
        step=f"step_{number}",
        kind="expect_trip",
        section="steps",
        where="plan.yaml:3:5",
        verdict=Verdict.FAIL,
        reasons=("operate time 2.5 s is too late: wanted 1 s to 2 s",),
        measurements=(Measurement("operate time", 2.5, "s", 1.0, 2.0, 1.5, 0.01),),
        coverage=Coverage.SECONDARY,
        function="overload",
        start_ns=1,
        end_ns=2_500_000_001,
        exchanges=(Exchange(7, b"\x22\x01\x01", b"\x62\x01\x01\x0a\xbe", ""), Exchange(9, b"\x3e\x00", None, "silent")),
        waveforms=(Waveform("gate", "V", -0.01, 0.001, bytes(4000)),),
        facts={"start_level": [0.0, 0.02]},
        device="heater",
        stimulus=Applied("draw", 60.0, "A", 700.0, "cold"),
        set_points={"overload_pickup": 20.0},
    )


def test_round_trip(tmp_path: Path) -> None:
    plan = tmp_path / "plan.yaml"
    plan.write_text("format: 1\n")
    journal = Journal(tmp_path / "run")
    journal.about(version="1", mark="SIMULATED")
    journal.keep_input(plan, "plan")
    journal.event(5, "set_point", {"name": "overload_pickup", "value": "20"})
    journal.result(a_result(1))
    journal.result(a_result(2))
    journal.close()

    record = Record(tmp_path / "run")

    assert list(record.results()) == [a_result(1), a_result(2)]
    assert record.about() == {"mark": "SIMULATED", "version": "1"}
    assert record.measured() == [("plan/step_1", "operate time"), ("plan/step_2", "operate time")]
    assert tuple(record.measurements("plan/step_2")) == a_result(2).measurements
    # SHA-256 of the bytes "format: 1\n", by coreutils' sha256sum
    digest = "1f7b96350b268e336c5e28904d72911aee7f7e1db0f53f263667af74f3ebc23f"
    assert record.inputs() == [Input(str(plan), digest, "inputs/1f7b96350b26-plan.yaml", "plan")]
    assert [(event.at_ns, event.kind, event.detail["name"]) for event in record.events()] == [
        (5, "set_point", "overload_pickup")
    ]
    record.close()


def test_what_stands_beside_the_results(tmp_path: Path) -> None:
    journal = Journal(tmp_path / "run")
    step = StepNote("step_1", "identify", "steps", "plan.yaml:3:5")
    plan = PlanNote("plan", "A plan", "heater", None, "plan.yaml", (step, step._replace(name="step_2")), "ab12")
    meter = InstrumentNote("injector", "TCPIP::127.0.0.1::5025::SOCKET", "maker,model,1,2", "2026-01-02", "2027-01-02")
    journal.plan(plan)
    journal.instrument(InstrumentNote("injector", "old", "old"))
    journal.instrument(meter)
    journal.identity(7, "heater", "start", {"serial_number": "1"})
    journal.identity(9, "heater", "after reset", {"serial_number": "2"})
    journal.close()

    record = Record(tmp_path / "run")

    assert record.plans() == [plan]
    assert record.instruments() == [meter]
    assert record.identities() == [
        IdentityReading(7, "heater", "start", {"serial_number": "1"}),
        IdentityReading(9, "heater", "after reset", {"serial_number": "2"}),
    ]
    record.close()


def test_it_says_where_a_run_stopped(tmp_path: Path) -> None:
    journal, said = Journal(tmp_path / "run"), []
    record = Record(tmp_path / "run")

    said.append(record.stopped_at())
    journal.begun(1, "heater", "plan", "step_1")
    said.append(record.stopped_at())
    journal.result(a_result(1))
    said.append(record.stopped_at())
    journal.about(ended="2026-01-02T03:04:05+00:00")
    said.append(record.stopped_at())
    journal.close()
    record.close()

    assert said == ["before the first step", "plan/step_1", "after plan/step_1", None]


def test_a_record_of_format_1_is_read(tmp_path: Path) -> None:
    """tests/record/format_1 was written by the last version that knew no other format."""
    folder = tmp_path / "old"
    shutil.copytree(Path(__file__).parent / "format_1", folder)
    before = (folder / JOURNAL_NAME).read_bytes()

    record = Record(folder)

    results = list(record.results())
    assert [result.step for result in results[3:]] == [
        "write_set_points_1",
        "set_points_over_power_cycle",
        "read_set_points_1",
        "step_1",
    ]
    assert results[-1] == replace(a_result(1), device="", stimulus=None, set_points=None)
    assert [(Path(each.path).name, each.role) for each in record.inputs()] == [
        ("simulated.yaml", "bench"),
        ("04_persistence.yaml", "plan"),
        ("heater.yaml", "profile"),
        ("heater.ldf", "ldf"),
    ]
    assert all((folder / each.stored_as).is_file() for each in record.inputs())
    assert record.about()["ended"] == "yes"
    assert record.plans() == record.identities() == record.instruments() == []
    assert record.stopped_at() is None
    record.close()
    assert (folder / JOURNAL_NAME).read_bytes() == before


def test_a_record_that_was_just_made_needs_no_change_to_be_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A kill in the change of its journal's mode would leave a file to roll back, which no reader may."""

    def killed(self: Journal, folder: Path) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(Journal, "_open", killed)
    with pytest.raises(KeyboardInterrupt):
        Journal(tmp_path / "run")
    header = (tmp_path / "run" / JOURNAL_NAME).read_bytes()[18:20]
    assert header == b"\x02\x02"  # write and read version: WAL (the SQLite file format, 1.3.3)
    Record(tmp_path / "run").close()


def test_an_interruption_in_a_transaction_leaves_none_open(tmp_path: Path) -> None:
    journal = Journal(tmp_path / "run")

    def rows() -> Iterator[tuple[str, tuple[str, str]]]:  # Ctrl-C after the first
        yield "INSERT OR REPLACE INTO about VALUES (?, ?)", ("half", "written")
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        journal._write(rows())  # type: ignore[arg-type]
    journal.about(after="written")
    journal.close()
    record = Record(tmp_path / "run")
    assert (record.about().get("half"), record.about()["after"]) == (None, "written")
    record.close()


def test_results_are_readable_while_the_run_goes_on(tmp_path: Path) -> None:
    journal = Journal(tmp_path / "run")
    journal.result(a_result(1))

    record = Record(tmp_path / "run")

    assert [result.id for result in record.results()] == ["plan/step_1"]
    record.close()
    journal.close()


def test_an_id_stands_once(tmp_path: Path) -> None:
    journal = Journal(tmp_path / "run")
    journal.result(a_result(1))

    with pytest.raises(JournalError, match="UNIQUE"):
        journal.result(a_result(1))

    record = Record(tmp_path / "run")
    assert len(list(record.results())) == 1
    record.close()
    journal.close()


WRITER = """
import sys
sys.path.insert(0, sys.argv[2])
from pathlib import Path
from harness.record.journal import Journal
from test_record_journal import a_result
journal = Journal(Path(sys.argv[1]))
for number in range(1, 100000):
    journal.result(a_result(number))
    print(number, flush=True)
"""


def test_nothing_acknowledged_is_lost_to_a_kill(tmp_path: Path) -> None:
    for attempt in range(3):
        folder = tmp_path / f"run{attempt}"
        writer = subprocess.Popen(
            [sys.executable, "-c", WRITER, str(folder), str(Path(__file__).parent)], stdout=subprocess.PIPE, text=True
        )
        assert writer.stdout is not None
        acknowledged = 0
        while acknowledged < 20 + 7 * attempt:
            acknowledged = int(writer.stdout.readline())
        os.kill(writer.pid, signal.SIGKILL)
        acknowledged = int(([str(acknowledged), *writer.stdout.read().split()])[-1])
        writer.stdout.close()
        writer.wait()

        record = Record(folder)
        numbers = [int(result.step.removeprefix("step_")) for result in record.results()]
        record.close()

        assert numbers[:acknowledged] == list(range(1, acknowledged + 1))
        assert len(numbers) <= acknowledged + 1


def test_refusals_say_what_is_wrong(tmp_path: Path) -> None:
    foreign, newer = tmp_path / "foreign", tmp_path / "newer"
    for folder, application, found in ((foreign, 1, 1), (newer, APPLICATION_ID, FORMAT + 1)):
        folder.mkdir()
        db = sqlite3.connect(folder / JOURNAL_NAME)
        db.execute(f"PRAGMA application_id={application}")
        db.execute(f"PRAGMA user_version={found}")
        db.execute("CREATE TABLE t (x)")
        db.close()
    (tmp_path / "text").mkdir()
    (tmp_path / "text" / JOURNAL_NAME).write_text("no database " * 100)

    with pytest.raises(RecordError, match="no run record here"):
        Record(tmp_path / "nowhere")
    with pytest.raises(RecordError, match="not a run record"):
        Record(foreign)
    with pytest.raises(RecordError, match=f"format {FORMAT + 1} is newer"):
        Record(newer)
    with pytest.raises(RecordError, match="not readable"):
        Record(tmp_path / "text")


def read_all(folder: Path) -> None:
    record = Record(folder)
    try:
        list(record.results()), list(record.superseded()), record.about(), record.inputs(), record.plans()
        record.identities(), record.instruments(), record.events(), record.stopped_at(), record.ledger()
    finally:
        record.close()


def test_a_damaged_record_is_read_or_refused(tmp_path: Path) -> None:
    """Bytes overwritten, and files cut off, at places all over the file: never anything but a RecordError."""
    whole = Path(__file__).parent / "format_1" / JOURNAL_NAME
    good, chance, refused = whole.read_bytes(), random.Random(1), []
    (tmp_path / "run").mkdir()
    for number in range(300):
        bad = bytearray(good)
        at = chance.randrange(len(good))
        bad[at : at + 20] = chance.randbytes(20)
        (tmp_path / "run" / JOURNAL_NAME).write_bytes(bad if number % 4 else bad[:at])
        try:
            read_all(tmp_path / "run")
        except RecordError as error:
            refused.append(str(error))

    assert 50 < len(refused) < 300
    assert all(line.isprintable() and str(tmp_path) in line for line in refused)


def test_a_whole_record_is_one_file_that_reading_leaves_alone(tmp_path: Path) -> None:
    journal = Journal(tmp_path / "run")
    journal.result(a_result(1))
    journal.close()
    journal.close()

    read_all(tmp_path / "run")

    assert sorted(path.name for path in (tmp_path / "run").iterdir()) == [INPUTS_NAME, JOURNAL_NAME]


def test_what_is_gathered_is_there_as_a_whole_or_not_at_all(tmp_path: Path) -> None:
    journal = Journal(tmp_path / "run")
    record = Record(tmp_path / "run")

    with journal.whole():
        journal.about(host="bench-1")
        journal.event(1, "bus", {})
        assert record.about() == {} and record.events() == []
    assert record.about() == {"host": "bench-1"}
    assert [event.kind for event in record.events()] == ["bus"]
    record.close()
    journal.close()


def test_going_on_supersedes_results_and_keeps_them(tmp_path: Path) -> None:
    journal = Journal(tmp_path / "run")
    journal.result(a_result(1))
    journal.result(replace(a_result(1), id="other/step_1", plan="other"))
    journal.about(ended="now", exit_code="130", host="bench-1")
    with pytest.raises(JournalError, match="still going on in another process"):
        Journal.reopen(tmp_path / "run", ["plan"])
    journal.close()

    journal = Journal.reopen(tmp_path / "run", ["plan"])
    journal.result(replace(a_result(1), kind="again"))
    journal.close()

    record = Record(tmp_path / "run")
    assert [(result.id, result.kind) for result in record.results()] == [
        ("other/step_1", "expect_trip"),
        ("plan/step_1", "again"),
    ]
    assert list(record.superseded()) == [a_result(1)]
    assert record.about() == {"host": "bench-1"}
    assert [event.detail for event in record.events()] == [{"plans": ["plan"]}]
    record.close()


def test_a_folder_in_use_is_refused(tmp_path: Path) -> None:
    Journal(tmp_path / "run").close()

    with pytest.raises(JournalError, match="cannot make the run record"):
        Journal(tmp_path / "run")


def test_new_folders_never_clash(tmp_path: Path) -> None:
    first = new_folder(tmp_path)
    first.mkdir()

    assert new_folder(tmp_path) != first
