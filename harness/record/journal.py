"""The run record while it is written: one folder a run, one SQLite file in it, each step committed before the next.

WAL with synchronous FULL: what was acknowledged survives a killed process and a lost supply. Other modules see
methods, never SQL. A later format adds a row to ``_MIGRATIONS``; nothing here is ever edited in place.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
import zlib
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path

from harness.record.result import Result

APPLICATION_ID = 0x62726B62
"""SQLite's application_id of a run record."""
JOURNAL_NAME = "journal.sqlite"

_MIGRATIONS: tuple[str, ...] = (
    """
    CREATE TABLE about (key TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT;
    CREATE TABLE input (path TEXT NOT NULL, sha256 TEXT NOT NULL, stored_as TEXT NOT NULL) STRICT;
    CREATE TABLE result (
        number INTEGER PRIMARY KEY, id TEXT NOT NULL UNIQUE, plan TEXT NOT NULL, step TEXT NOT NULL,
        kind TEXT NOT NULL, section TEXT NOT NULL, place TEXT NOT NULL, verdict TEXT NOT NULL, reasons TEXT NOT NULL,
        measurements TEXT NOT NULL, coverage TEXT NOT NULL, function TEXT, start_ns INTEGER NOT NULL,
        end_ns INTEGER NOT NULL, facts TEXT
    ) STRICT;
    CREATE TABLE exchange (
        result INTEGER NOT NULL REFERENCES result, at_ns INTEGER NOT NULL, request BLOB NOT NULL, answer BLOB,
        note TEXT NOT NULL
    ) STRICT;
    CREATE TABLE waveform (
        result INTEGER NOT NULL REFERENCES result, channel TEXT NOT NULL, unit TEXT NOT NULL, start_s REAL NOT NULL,
        interval_s REAL NOT NULL, samples BLOB NOT NULL
    ) STRICT;
    CREATE TABLE event (
        number INTEGER PRIMARY KEY, at_ns INTEGER NOT NULL, kind TEXT NOT NULL, detail TEXT NOT NULL
    ) STRICT;
    """,
)
FORMAT = len(_MIGRATIONS)
"""Newest format of a record that this version writes and reads (SQLite's user_version)."""


class JournalError(Exception):
    """The record cannot be written: no space, no permission, folder in use."""


class Journal:
    """Writer of one run's record. One writer, one thread; a reader may look at any time."""

    def __init__(self, folder: Path) -> None:
        """Make ``folder`` and the empty record in it. Raises JournalError."""
        self.folder = folder
        self._waiting: list[tuple[str, tuple[object, ...]]] = []
        try:
            (folder / "inputs").mkdir(parents=True)
            self._db = sqlite3.connect(folder / JOURNAL_NAME, isolation_level=None)
            self._db.execute("PRAGMA journal_mode=WAL")
            self._db.execute("PRAGMA synchronous=FULL")
            self._db.execute(f"PRAGMA application_id={APPLICATION_ID}")
            for number, script in enumerate(_MIGRATIONS, start=1):
                self._db.executescript(f"BEGIN IMMEDIATE; {script} PRAGMA user_version={number}; COMMIT;")
        except (OSError, sqlite3.Error) as error:
            raise JournalError(f"{folder}: cannot make the run record: {error}") from error

    def about(self, **values: str) -> None:
        """Note facts about the run as a whole; a later value of a key replaces the earlier one."""
        self._write([("INSERT OR REPLACE INTO about VALUES (?, ?)", row) for row in values.items()])

    def keep_input(self, path: Path) -> None:
        """Copy an input file into the record, with its SHA-256. Raises JournalError."""
        try:
            content = path.read_bytes()
            digest = hashlib.sha256(content).hexdigest()
            stored = Path("inputs") / f"{digest[:12]}-{path.name}"
            (self.folder / stored).write_bytes(content)
        except OSError as error:
            raise JournalError(f"{path}: cannot copy it into the run record: {error}") from error
        self._write([("INSERT INTO input VALUES (?, ?, ?)", (str(path), digest, str(stored)))])

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
