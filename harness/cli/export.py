"""``breakerbench export``: a run record for other programs."""

from __future__ import annotations

import sys
from pathlib import Path

import click


@click.command()
@click.argument("run", type=click.Path(path_type=Path))
@click.option("--junit", type=click.Path(path_type=Path), help="JUnit XML, as build servers read it.")
@click.option("--csv", "table", type=click.Path(path_type=Path), help="CSV, a line a measured value.")
@click.option(
    "--jsonl", type=click.Path(path_type=Path), help="JSON Lines, a line a step: `breakerbench schema result`."
)
def export(run: Path, junit: Path | None, table: Path | None, jsonl: Path | None) -> None:
    """Write the record in folder RUN for other programs. The file `-` is standard output."""
    from harness.record.reader import Record, RecordError
    from harness.report import junit as junit_report
    from harness.report.table import csv_text, json_lines

    if junit is None and table is None and jsonl is None:
        raise click.UsageError("nothing to write: want --junit, --csv or --jsonl")
    try:
        record = Record(run)
        try:
            if junit is not None:
                _write(junit, junit_report.junit(record))
            if table is not None:
                _write(table, csv_text(record).encode())
            if jsonl is not None:
                _write(jsonl, "".join(f"{line}\n" for line in json_lines(record)).encode())
        finally:
            record.close()
    except (RecordError, OSError) as error:
        click.echo(str(error), err=True)
        sys.exit(2)


def _write(file: Path, content: bytes) -> None:
    if str(file) == "-":
        sys.stdout.buffer.write(content)
    else:
        file.write_bytes(content)
