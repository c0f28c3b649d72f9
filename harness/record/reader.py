"""The run record as it is read: by reports, comparisons, and anyone whose run was cut short."""

from __future__ import annotations

import json
import sqlite3
import zlib
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any, TypeVar

from harness.record.layout import APPLICATION_ID, FORMAT, JOURNAL_NAME, bring_up
from harness.record.note import Event, IdentityReading, Input, InstrumentNote, PlanNote, StepNote
from harness.record.result import Applied, Coverage, Exchange, Measurement, Result, Verdict, Waveform

T = TypeVar("T")


class RecordError(Exception):
    """The record cannot be read: not there, not a run record, damaged, or of a newer format."""


class Record:
    """Read access to one run's folder. Safe beside a writer, and after one that was killed."""

    def __init__(self, folder: Path) -> None:
        """Open the record in ``folder``. Raises RecordError."""
        self._folder = folder
        path = self._path = folder / JOURNAL_NAME
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
        return dict(self._read("SELECT key, value FROM about ORDER BY key", lambda key, value: (key, value)))

    def inputs(self) -> list[Input]:
        """Each input file, in the order in which they were kept."""
        return self._read("SELECT path, sha256, stored_as, role FROM input ORDER BY rowid", Input)

    def plans(self) -> list[PlanNote]:
        """Each plan that the run was to go through, in order; a format-1 record has none."""
        return self._read("SELECT name, title, device, note, path, steps, digest FROM plan ORDER BY number", _plan)

    def identities(self) -> list[IdentityReading]:
        """Each time that a unit was asked who it is, in order."""
        return self._read(
            "SELECT at_ns, device, moment, reading FROM identity ORDER BY number",
            lambda at_ns, device, moment, reading: IdentityReading(at_ns, device, moment, _mapping(reading)),
        )

    def instruments(self) -> list[InstrumentNote]:
        """Each instrument of the bench."""
        sql = "SELECT role, resource, identity, calibrated, due FROM instrument ORDER BY rowid"
        return self._read(sql, InstrumentNote)

    def events(self) -> list[Event]:
        """Every event in order."""
        return self._read(
            "SELECT at_ns, kind, detail FROM event ORDER BY number",
            lambda at_ns, kind, detail: Event(at_ns, kind, _mapping(detail)),
        )

    def stopped_at(self) -> str | None:
        """Which step, as plan/step, was running when a run that did not end stopped; None for one that ended.

        Of a run that is still going on, the step that it is at. In words where no step was running.
        """
        if "ended" in self.about():
            return None
        begun = [event for event in self.events() if event.kind == "begun"]
        if not begun:
            return "before the first step"
        step = f"{begun[-1].detail.get('plan')}/{begun[-1].detail.get('step')}"
        done = self._read("SELECT 1 FROM result WHERE id = ? AND superseded = 0", int, step)
        return f"after {step}" if done else step

    def ledger(self) -> list[Event]:
        """What each device was left with: its event ``ledger``; of a run cut short, its changes as journalled."""
        events = self.events()
        final = [event for event in events if event.kind == "ledger"]
        return final or [event for event in events if event.kind in ("set_point", "levels", "quarantine")]

    def watchdog(self) -> list[Event]:
        """What the watchdog wrote beside the record, in its order, as events; a line that was cut off is left out."""
        try:
            lines = (self._folder / "watchdog.jsonl").read_bytes().split(b"\n")[:-1]
        except OSError:
            return []
        found = [json.loads(line) for line in lines]
        return [Event(line.pop("at_ns"), "watchdog", line) for line in found]

    def results(self) -> Iterator[Result]:
        """Every committed result in order, whole; not those of a plan that was begun anew, see ``superseded``."""
        yield from self._results(False)

    def superseded(self) -> Iterator[Result]:
        """Results of a run that was cut short amid a plan, which was then begun anew."""
        yield from self._results(True)

    def measurements(self, step: str) -> list[Measurement]:
        """Measured values of the result ``step`` (plan/step), without reading the rest of it."""
        sql = "SELECT measurements FROM result WHERE id = ? AND superseded = 0"
        return [each for its in self._read(sql, _measurements, step) for each in its]

    def measured(self) -> list[tuple[str, str]]:
        """Result and name of every measured value, in order."""
        sql = "SELECT id, measurements FROM result WHERE superseded = 0 ORDER BY number"
        found = self._read(sql, lambda result, its: [(result, each.name) for each in _measurements(its)])
        return [each for its in found for each in its]

    def close(self) -> None:
        """Close the file. A second call does nothing."""
        self._db.close()

    def _results(self, superseded: bool) -> Iterator[Result]:
        sql = f"SELECT number, {_RESULT} FROM result WHERE superseded = ? ORDER BY number"
        for number, result in self._read(sql, lambda number, *row: (number, _result(*row)), superseded):
            yield replace(result, exchanges=self._exchanges(number), waveforms=self._waveforms(number))

    def _exchanges(self, number: int) -> tuple[Exchange, ...]:
        sql = "SELECT at_ns, request, answer, note FROM exchange WHERE result = ? ORDER BY rowid"
        return tuple(self._read(sql, Exchange, number))

    def _waveforms(self, number: int) -> tuple[Waveform, ...]:
        sql = "SELECT channel, unit, start_s, interval_s, samples FROM waveform WHERE result = ? ORDER BY rowid"
        return tuple(self._read(sql, _waveform, number))

    def _read(self, sql: str, build: Callable[..., T], *parameters: object) -> list[T]:
        try:
            return [build(*row) for row in self._db.execute(sql, parameters)]
        except (sqlite3.Error, zlib.error, ValueError, TypeError, KeyError) as error:
            raise RecordError(f"{self._path}: damaged run record: {_plain(error)}") from error


_RESULT = (
    "id, plan, step, kind, section, place, verdict, reasons, measurements, coverage, function, start_ns, end_ns, facts,"
    " device, stimulus, set_points"
)

_MAPPINGS = ("facts", "stimulus", "set_points")


def _result(*row: Any) -> Result:
    names = [name.strip() for name in _RESULT.replace("place", "where").split(",")]
    fields = dict(zip(names, row, strict=True))
    facts, stimulus, points = (None if (text := fields[name]) is None else _mapping(text) for name in _MAPPINGS)
    return Result(
        **fields
        | {
            "verdict": Verdict(fields["verdict"]),
            "reasons": tuple(json.loads(fields["reasons"])),
            "measurements": _measurements(fields["measurements"]),
            "coverage": Coverage(fields["coverage"]),
            "facts": facts,
            "stimulus": None if stimulus is None else Applied(**stimulus),
            "set_points": points,
        }
    )


def _waveform(channel: str, unit: str, start_s: float, interval_s: float, samples: bytes) -> Waveform:
    return Waveform(channel, unit, start_s, interval_s, zlib.decompress(samples))


def _measurements(text: str) -> tuple[Measurement, ...]:
    return tuple(Measurement(**fields) for fields in json.loads(text))


def _plan(name: str, title: str, device: str, note: str | None, path: str, steps: str, digest: str) -> PlanNote:
    return PlanNote(name, title, device, note, path, tuple(StepNote(*step) for step in json.loads(steps)), digest)


def _plain(error: Exception) -> str:
    """One line of a message that may quote what is damaged."""
    return "".join(each if each.isprintable() else "?" for each in str(error))[:200]


def _mapping(text: str) -> dict[str, Any]:
    value = json.loads(text)
    if not isinstance(value, dict):
        raise ValueError(f"{text[:40]!r} is not a mapping")
    return value


def _brought_up(path: Path, old: sqlite3.Connection, found: int) -> sqlite3.Connection:
    """A copy in memory, in the newest format; the file stays as it is."""
    new = sqlite3.connect(":memory:", isolation_level=None)
    try:
        old.backup(new)
        bring_up(new, found)
    except (sqlite3.Error, UnicodeDecodeError) as error:
        new.close()
        raise RecordError(f"{path}: format {found} cannot be read: {_plain(error)}") from error
    finally:
        old.close()
    return new
