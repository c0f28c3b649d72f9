"""The run record as it is read: by reports, comparisons, and anyone whose run was cut short."""

from __future__ import annotations

import json
import sqlite3
import zlib
from collections.abc import Iterator
from pathlib import Path

from harness.record.layout import APPLICATION_ID, FORMAT, JOURNAL_NAME, bring_up
from harness.record.note import Event, IdentityReading, Input, InstrumentNote, PlanNote, StepNote
from harness.record.result import Applied, Coverage, Exchange, Measurement, Result, Verdict, Waveform


class RecordError(Exception):
    """The record cannot be read: not there, not a run record, damaged, or of a newer format."""


class Record:
    """Read access to one run's folder. Safe beside a writer, and after one that was killed."""

    def __init__(self, folder: Path) -> None:
        """Open the record in ``folder``. Raises RecordError."""
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
        if found < FORMAT:
            self._db = _brought_up(path, self._db, found)

    def about(self) -> dict[str, str]:
        """Facts about the run as a whole."""
        return dict(self._rows("SELECT key, value FROM about ORDER BY key"))

    def inputs(self) -> list[Input]:
        """Each input file, in the order in which they were kept."""
        return [Input(*row) for row in self._rows("SELECT path, sha256, stored_as, role FROM input ORDER BY rowid")]

    def plans(self) -> list[PlanNote]:
        """Each plan that the run was to go through, in order; a format-1 record has none."""
        rows = self._rows("SELECT name, title, device, note, path, steps, digest FROM plan ORDER BY number")
        return [
            PlanNote(name, title, device, note, path, tuple(StepNote(*step) for step in json.loads(steps)), digest)
            for name, title, device, note, path, steps, digest in rows
        ]

    def identities(self) -> list[IdentityReading]:
        """Each time that a unit was asked who it is, in order."""
        rows = self._rows("SELECT at_ns, device, moment, reading FROM identity ORDER BY number")
        return [IdentityReading(at_ns, device, moment, json.loads(values)) for at_ns, device, moment, values in rows]

    def instruments(self) -> list[InstrumentNote]:
        """Each instrument of the bench."""
        return [InstrumentNote(*row) for row in self._rows("SELECT * FROM instrument ORDER BY rowid")]

    def stopped_at(self) -> str | None:
        """Which step, as plan/step, was running when a run that did not end stopped; None for one that ended.

        Of a run that is still going on, the step that it is at. In words where no step was running.
        """
        if "ended" in self.about():
            return None
        begun = [event for event in self.events() if event.kind == "begun"]
        if not begun:
            return "before the first step"
        step = f"{begun[-1].detail['plan']}/{begun[-1].detail['step']}"
        done = self._rows("SELECT 1 FROM result WHERE id = ? AND superseded = 0", step)
        return f"after {step}" if done else step

    def ledger(self) -> list[Event]:
        """What each device was left with: its event ``ledger``; of a run cut short, its changes as journalled."""
        events = self.events()
        final = [event for event in events if event.kind == "ledger"]
        return final or [event for event in events if event.kind in ("set_point", "levels", "quarantine")]

    def events(self) -> list[Event]:
        """Every event in order."""
        rows = self._rows("SELECT at_ns, kind, detail FROM event ORDER BY number")
        return [Event(at_ns, kind, json.loads(detail)) for at_ns, kind, detail in rows]

    def results(self) -> Iterator[Result]:
        """Every committed result in order, whole; not those of a plan that was begun anew, see ``superseded``."""
        yield from self._results(False)

    def superseded(self) -> Iterator[Result]:
        """Results of a run that was cut short amid a plan, which was then begun anew."""
        yield from self._results(True)

    def _results(self, superseded: bool) -> Iterator[Result]:
        columns = (
            "number, id, plan, step, kind, section, place, verdict, reasons, measurements, coverage, function,"
            " start_ns, end_ns, facts, device, stimulus, set_points"
        )
        for number, *row in self._rows(
            f"SELECT {columns} FROM result WHERE superseded = ? ORDER BY number", superseded
        ):
            result_id, plan, step, kind, section, where, verdict, reasons, measurements, coverage, *rest = row
            function, start_ns, end_ns, facts, device, stimulus, set_points = rest
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
                device,
                None if stimulus is None else Applied(**json.loads(stimulus)),
                None if set_points is None else json.loads(set_points),
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


def _brought_up(path: Path, old: sqlite3.Connection, found: int) -> sqlite3.Connection:
    """A copy in memory, in the newest format; the file stays as it is."""
    new = sqlite3.connect(":memory:", isolation_level=None)
    try:
        old.backup(new)
        bring_up(new, found)
    except sqlite3.Error as error:
        new.close()
        raise RecordError(f"{path}: format {found} cannot be read: {error}") from error
    finally:
        old.close()
    return new
