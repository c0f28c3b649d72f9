"""What the record's file looks like inside, format after format. Nothing here is ever edited in place."""

from __future__ import annotations

import sqlite3

APPLICATION_ID = 0x62726B62
"""SQLite's application_id of a run record."""
JOURNAL_NAME = "journal.sqlite"
INPUTS_NAME = "inputs"

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
    # Results of a plan that was begun anew are superseded, so an id stands once only among those that are not.
    # In format 1 the bench file came first, and profiles lay in folders called `devices`.
    """
    ALTER TABLE input ADD COLUMN role TEXT NOT NULL DEFAULT '';
    UPDATE input SET role = CASE
        WHEN rowid = (SELECT min(rowid) FROM input) THEN 'bench' WHEN path LIKE '%.ldf' THEN 'ldf'
        WHEN path LIKE '%devices/%' THEN 'profile' ELSE 'plan' END;
    CREATE TABLE result_2 (
        number INTEGER PRIMARY KEY, id TEXT NOT NULL, plan TEXT NOT NULL, step TEXT NOT NULL,
        kind TEXT NOT NULL, section TEXT NOT NULL, place TEXT NOT NULL, verdict TEXT NOT NULL, reasons TEXT NOT NULL,
        measurements TEXT NOT NULL, coverage TEXT NOT NULL, function TEXT, start_ns INTEGER NOT NULL,
        end_ns INTEGER NOT NULL, facts TEXT, device TEXT NOT NULL DEFAULT '', stimulus TEXT, set_points TEXT,
        superseded INTEGER NOT NULL DEFAULT 0
    ) STRICT;
    INSERT INTO result_2 (number, id, plan, step, kind, section, place, verdict, reasons, measurements, coverage,
        function, start_ns, end_ns, facts)
        SELECT number, id, plan, step, kind, section, place, verdict, reasons, measurements, coverage,
        function, start_ns, end_ns, facts FROM result;
    DROP TABLE result;
    ALTER TABLE result_2 RENAME TO result;
    CREATE UNIQUE INDEX result_current ON result (id) WHERE superseded = 0;
    CREATE INDEX exchange_result ON exchange (result);
    CREATE INDEX waveform_result ON waveform (result);
    CREATE TABLE identity (
        number INTEGER PRIMARY KEY, at_ns INTEGER NOT NULL, device TEXT NOT NULL, moment TEXT NOT NULL,
        reading TEXT NOT NULL
    ) STRICT;
    CREATE TABLE instrument (
        role TEXT PRIMARY KEY, resource TEXT NOT NULL, identity TEXT NOT NULL, calibrated TEXT, due TEXT
    ) STRICT;
    CREATE TABLE plan (
        number INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE, title TEXT NOT NULL, device TEXT NOT NULL, note TEXT,
        path TEXT NOT NULL, digest TEXT NOT NULL, steps TEXT NOT NULL
    ) STRICT;
    """,
)
FORMAT = len(_MIGRATIONS)
"""Newest format of a record that this version writes and reads (SQLite's user_version)."""


def bring_up(db: sqlite3.Connection, found: int) -> None:
    """Bring a record of format ``found`` (0: empty) to the newest one. Raises sqlite3.Error."""
    for number, script in enumerate(_MIGRATIONS[found:], start=found + 1):
        db.executescript(f"BEGIN IMMEDIATE; {script} PRAGMA user_version={number}; COMMIT;")
