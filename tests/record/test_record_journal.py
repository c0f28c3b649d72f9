"""The run record: what goes in comes out, whoever was killed in between."""

from __future__ import annotations

import os
import shutil
import signal
import sqlite3
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from harness.record.journal import Journal, JournalError, new_folder
from harness.record.layout import APPLICATION_ID, FORMAT, JOURNAL_NAME
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


def test_a_folder_in_use_is_refused(tmp_path: Path) -> None:
    Journal(tmp_path / "run").close()

    with pytest.raises(JournalError, match="cannot make the run record"):
        Journal(tmp_path / "run")


def test_new_folders_never_clash(tmp_path: Path) -> None:
    first = new_folder(tmp_path)
    first.mkdir()

    assert new_folder(tmp_path) != first
