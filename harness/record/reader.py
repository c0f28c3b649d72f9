"""The run record as it is read: by reports, comparisons, and anyone whose run was cut short."""

from __future__ import annotations

import json
import sqlite3
import zlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from harness.record.journal import APPLICATION_ID, FORMAT, JOURNAL_NAME
from harness.record.result import Coverage, Exchange, Measurement, Result, Verdict, Waveform


class RecordError(Exception):
    """The record cannot be read: not there, not a run record, damaged, or of a newer format."""


@dataclass(frozen=True)
class Event:
    """Something that happened between results: a change of the ledger, a step of making safe, a bus fault."""

    at_ns: int
    kind: str
    detail: Mapping[str, object]


class Record:
    """Read access to one run's folder. Safe beside a writer, and after one that was killed."""

    def __init__(self, folder: Path) -> None:
        """Open the record in ``folder``. Raises RecordError."""
        self._folder = folder
        path = folder / JOURNAL_NAME
        if not path.is_file():
            raise RecordError(f"{folder}: no run record here (no {JOURNAL_NAME})")
        try:
            self._db = sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)
            application = self._db.execute("PRAGMA application_id").fetchone()[0]
            found = self._db.execute("PRAGMA user_version").fetchone()[0]
        except sqlite3.Error as error:
            raise RecordError(f"{path}: not readable as a run record: {error}") from error
        if application != APPLICATION_ID:
            self._db.close()
            raise RecordError(f"{path}: a database, but not a run record")
        if found > FORMAT:
            self._db.close()
            raise RecordError(f"{path}: format {found} is newer than {FORMAT}; use a newer breakerbench")

    def about(self) -> dict[str, str]:
        """Facts about the run as a whole."""
        return dict(self._rows("SELECT key, value FROM about ORDER BY key"))

    def inputs(self) -> list[tuple[str, str]]:
        """Path and SHA-256 of each input file."""
        return [(path, digest) for path, digest in self._rows("SELECT path, sha256 FROM input")]

    def events(self) -> list[Event]:
        """Every event in order."""
        rows = self._rows("SELECT at_ns, kind, detail FROM event ORDER BY number")
        return [Event(at_ns, kind, json.loads(detail)) for at_ns, kind, detail in rows]

    def watchdog(self) -> list[Event]:
        """What the watchdog wrote beside the record, in its order, as events; a line that was cut off is left out."""
        try:
            lines = (self._folder / "watchdog.jsonl").read_bytes().split(b"\n")[:-1]
        except OSError:
            return []
        found = [json.loads(line) for line in lines]
        return [Event(line.pop("at_ns"), "watchdog", line) for line in found]

    def results(self) -> Iterator[Result]:
        """Every committed result in order, whole."""
        columns = (
            "number, id, plan, step, kind, section, place, verdict, reasons, measurements, coverage, function,"
            " start_ns, end_ns, facts"
        )
        for number, *row in self._rows(f"SELECT {columns} FROM result ORDER BY number"):
            result_id, plan, step, kind, section, where, verdict, reasons, measurements, coverage, *rest = row
            function, start_ns, end_ns, facts = rest
            yield Result(
                result_id,
                plan,
                step,
                kind,
                section,
                where,
                Verdict(verdict),
                tuple(json.loads(reasons)),
                tuple(Measurement(**fields) for fields in json.loads(measurements)),
                Coverage(coverage),
                function,
                start_ns,
                end_ns,
                self._exchanges(number),
                self._waveforms(number),
                None if facts is None else json.loads(facts),
            )

    def close(self) -> None:
        """Close the file. A second call does nothing."""
        self._db.close()

    def _exchanges(self, number: int) -> tuple[Exchange, ...]:
        rows = self._rows("SELECT at_ns, request, answer, note FROM exchange WHERE result = ? ORDER BY rowid", number)
        return tuple(Exchange(*row) for row in rows)

    def _waveforms(self, number: int) -> tuple[Waveform, ...]:
        sql = "SELECT channel, unit, start_s, interval_s, samples FROM waveform WHERE result = ? ORDER BY rowid"
        return tuple(
            Waveform(channel, unit, start_s, interval_s, zlib.decompress(samples))
            for channel, unit, start_s, interval_s, samples in self._rows(sql, number)
        )

    def _rows(self, sql: str, *parameters: object) -> list[tuple]:  # type: ignore[type-arg]  # columns vary by query
        try:
            return self._db.execute(sql, parameters).fetchall()
        except sqlite3.Error as error:
            raise RecordError(f"damaged run record: {error}") from error
