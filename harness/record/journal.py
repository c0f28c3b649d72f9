"""The run record while it is written: one folder a run, one SQLite file in it, each step committed before the next.

WAL with synchronous FULL: what was acknowledged survives a killed process and a lost supply. Other modules see
methods, never SQL.
"""

from __future__ import annotations

import fcntl
import hashlib
import json
import os
import sqlite3
import zlib
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
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
        try:
            (folder / INPUTS_NAME).mkdir(parents=True)
            _make(folder)
        except (OSError, sqlite3.Error) as error:
            raise JournalError(f"{folder}: cannot make the run record: {error}") from error
        self._open(folder)

    @classmethod
    def reopen(cls, folder: Path, anew: Iterable[str]) -> Journal:
        """Go on with the record in ``folder``; results of the plans ``anew`` are superseded, and kept.

        Raises JournalError, also where its run is still going on.
        """
        journal = cls.__new__(cls)
        journal._open(folder)
        plans = list(anew)
        journal.remark(0, "resumed", {"plans": plans})
        journal._write(
            [
                ("DELETE FROM about WHERE key IN ('ended', 'verdict', 'exit_code', 'bench_s', 'wall_s')", ()),
                *(("UPDATE result SET superseded = 1 WHERE plan = ?", (plan,)) for plan in plans),
            ]
        )
        return journal

    def _open(self, folder: Path) -> None:
        self.folder = folder
        self._waiting: list[tuple[str, tuple[object, ...]]] = []
        self._gathering = False
        try:
            self._lock: int | None = _lock(folder)
            self._db = sqlite3.connect(folder / JOURNAL_NAME, isolation_level=None)
            self._db.execute("PRAGMA journal_mode=WAL")
        except (OSError, sqlite3.Error) as error:
            raise JournalError(f"{folder}: cannot write the run record: {error}") from error

    @contextmanager
    def whole(self) -> Iterator[None]:
        """Commit whatever is written inside as one: after a kill all of it is there, or nothing."""
        self._gathering = True
        try:
            yield
        finally:
            self._gathering = False
        self._write([])

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
        self.remark(at_ns, "begun", {"device": device, "plan": plan, "step": step})
        self._write([], durable=False)  # it outlives this process; before a loss of power matters, more is written

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
        """Write what waits, fold the write-ahead log into the file and close it. A second call does nothing.

        Without a log the file is read where nothing can be written, too; a reader that looks on just then keeps it.
        """
        try:
            if self._waiting:
                self._write([])
            with suppress(sqlite3.Error):
                self._db.execute("PRAGMA journal_mode=DELETE")
        finally:
            self._db.close()
            if self._lock is not None:
                os.close(self._lock)
                self._lock = None

    def _write(self, statements: list[tuple[str, tuple[object, ...]]], durable: bool = True) -> None:
        """One transaction; ``durable``: on the disk before this returns, else only out of this process' hands."""
        if self._gathering:
            self._waiting += statements
            return
        try:
            self._db.execute(f"PRAGMA synchronous={'FULL' if durable else 'NORMAL'}")
            self._db.execute("BEGIN IMMEDIATE")
            for sql, row in (*self._waiting, *statements):
                self._db.execute(sql, row)
            self._db.execute("COMMIT")
            self._waiting.clear()
        except BaseException as error:  # an interruption as well: what is half written must not meet the next one
            if self._db.in_transaction:
                self._db.execute("ROLLBACK")
            if not isinstance(error, sqlite3.Error):
                raise
            raise JournalError(f"{self.folder}: cannot write the run record: {error}") from error


def _make(folder: Path) -> None:
    """The empty record, under its name only once it is whole: whoever is killed here leaves no half of one."""
    raw = folder / f"{JOURNAL_NAME}.new"
    db = sqlite3.connect(raw, isolation_level=None)
    try:
        db.execute(f"PRAGMA application_id={APPLICATION_ID}")
        bring_up(db, 0)
        db.execute("PRAGMA journal_mode=WAL")  # later, a kill amid it leaves what no reader may roll back
    finally:
        db.close()
    raw.rename(folder / JOURNAL_NAME)


def _lock(folder: Path) -> int:
    """Keep any other writer out for as long as this process has the record open."""
    file = os.open(folder, os.O_RDONLY | os.O_CLOEXEC)
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        os.close(file)
        raise JournalError(f"{folder}: its run is still going on in another process") from None
    return file


def new_folder(root: Path) -> Path:
    """A path below ``root`` for a run that starts now; it sorts by time and does not exist yet."""
    stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%SZ")
    candidates = (root / (stamp if number == 1 else f"{stamp}-{number}") for number in range(1, 10_000))
    return next(path for path in candidates if not path.exists())
