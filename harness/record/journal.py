"""The run record while it is written: one folder a run, one SQLite file in it, each step committed before the next.

WAL with synchronous FULL: what was acknowledged survives a killed process and a lost supply. Other modules see
methods, never SQL.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
import zlib
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path

from harness.record.layout import APPLICATION_ID, INPUTS_NAME, JOURNAL_NAME, bring_up
from harness.record.note import InstrumentNote, Moment, PlanNote, Role
from harness.record.result import Result


class JournalError(Exception):
    """The record cannot be written: no space, no permission, folder in use."""


class Journal:
    """Writer of one run's record. One writer, one thread; a reader may look at any time."""

    def __init__(self, folder: Path) -> None:
        """Make ``folder`` and the empty record in it. Raises JournalError."""
        self.folder = folder
        self._waiting: list[tuple[str, tuple[object, ...]]] = []
        try:
            (folder / INPUTS_NAME).mkdir(parents=True)
            self._db = sqlite3.connect(folder / JOURNAL_NAME, isolation_level=None)
            self._db.execute("PRAGMA journal_mode=WAL")
            self._db.execute("PRAGMA synchronous=FULL")
            self._db.execute(f"PRAGMA application_id={APPLICATION_ID}")
            bring_up(self._db, 0)
        except (OSError, sqlite3.Error) as error:
            raise JournalError(f"{folder}: cannot make the run record: {error}") from error

    def about(self, **values: str) -> None:
        """Note facts about the run as a whole; a later value of a key replaces the earlier one."""
        self._write([("INSERT OR REPLACE INTO about VALUES (?, ?)", row) for row in values.items()])

    def keep_input(self, path: Path, role: Role) -> None:
        """Copy an input file into the record, with its SHA-256. Raises JournalError."""
        try:
            content = path.read_bytes()
            digest = hashlib.sha256(content).hexdigest()
            stored = Path(INPUTS_NAME) / f"{digest[:12]}-{path.name}"
            (self.folder / stored).write_bytes(content)
        except OSError as error:
            raise JournalError(f"{path}: cannot copy it into the run record: {error}") from error
        self._write([("INSERT INTO input VALUES (?, ?, ?, ?)", (str(path), digest, str(stored), role))])

    def plan(self, plan: PlanNote) -> None:
        """Note a plan that this run is to go through; one of the same name takes the place of the earlier."""
        row = (plan.name, plan.title, plan.device, plan.note, plan.path, plan.digest, json.dumps(plan.steps))
        self._write([("INSERT OR REPLACE INTO plan VALUES (NULL, ?, ?, ?, ?, ?, ?, ?)", row)])

    def instrument(self, note: InstrumentNote) -> None:
        """Note an instrument; one of the same role takes the place of the earlier."""
        row = (note.role, note.resource, note.identity, note.calibrated, note.due)
        self._write([("INSERT OR REPLACE INTO instrument VALUES (?, ?, ?, ?, ?)", row)])

    def identity(self, at_ns: int, device: str, moment: Moment, values: Mapping[str, str]) -> None:
        """Note who a unit said that it is."""
        row = (at_ns, device, moment, json.dumps(dict(values)))
        self._write([("INSERT INTO identity VALUES (NULL, ?, ?, ?, ?)", row)])

    def begun(self, at_ns: int, device: str, plan: str, step: str) -> None:
        """Commit that a step begins, so that a run cut short says where it stopped."""
        self.event(at_ns, "begun", {"device": device, "plan": plan, "step": step})

    def event(self, at_ns: int, kind: str, detail: Mapping[str, object]) -> None:
        """Commit one event: a change of the ledger before it is made, a step of making safe, a bus fault."""
        self.remark(at_ns, kind, detail)
        self._write([])

    def remark(self, at_ns: int, kind: str, detail: Mapping[str, object]) -> None:
        """Note an event that changes nothing outside this program: it is committed with whatever is written next."""
        sql = "INSERT INTO event (at_ns, kind, detail) VALUES (?, ?, ?)"
        self._waiting.append((sql, (at_ns, kind, json.dumps(detail))))

    def result(self, result: Result) -> None:
        """Commit a step's result with its exchanges and waveforms, as a whole."""
        row = (
            result.id,
            result.plan,
            result.step,
            result.kind,
            result.section,
            result.where,
            result.verdict.value,
            json.dumps(result.reasons),
            json.dumps([vars(measurement) for measurement in result.measurements]),
            result.coverage.value,
            result.function,
            result.start_ns,
            result.end_ns,
            None if result.facts is None else json.dumps(result.facts),
            result.device,
            None if result.stimulus is None else json.dumps(vars(result.stimulus)),
            None if result.set_points is None else json.dumps(dict(result.set_points)),
            0,
        )
        number = "(SELECT max(number) FROM result)"
        self._write(
            [
                (f"INSERT INTO result VALUES (NULL{', ?' * len(row)})", row),
                *(
                    (f"INSERT INTO exchange VALUES ({number}, ?, ?, ?, ?)", (e.at_ns, e.request, e.answer, e.note))
                    for e in result.exchanges
                ),
                *(
                    (
                        f"INSERT INTO waveform VALUES ({number}, ?, ?, ?, ?, ?)",
                        (w.channel, w.unit, w.start_s, w.interval_s, zlib.compress(w.samples, 1)),
                    )
                    for w in result.waveforms
                ),
            ]
        )

    def close(self) -> None:
        """Write what waits, fold the write-ahead log into the file and close it. A second call does nothing."""
        try:
            if self._waiting:
                self._write([])
        finally:
            self._db.close()

    def _write(self, statements: list[tuple[str, tuple[object, ...]]]) -> None:
        try:
            self._db.execute("BEGIN IMMEDIATE")
            for sql, row in (*self._waiting, *statements):
                self._db.execute(sql, row)
            self._db.execute("COMMIT")
            self._waiting.clear()
        except sqlite3.Error as error:
            if self._db.in_transaction:
                self._db.execute("ROLLBACK")
            raise JournalError(f"{self.folder}: cannot write the run record: {error}") from error


def new_folder(root: Path) -> Path:
    """A path below ``root`` for a run that starts now; it sorts by time and does not exist yet."""
    stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%SZ")
    candidates = (root / (stamp if number == 1 else f"{stamp}-{number}") for number in range(1, 10_000))
    return next(path for path in candidates if not path.exists())
