"""``breakerbench report``: a run record as one HTML page."""

from __future__ import annotations

from pathlib import Path

import click


@click.command()
@click.argument("run", type=click.Path(path_type=Path))
@click.option("--out", type=click.Path(path_type=Path, dir_okay=False), help="Where to write; else RUN/report.html.")
def report(run: Path, out: Path | None) -> None:
    """Write the report of the record in folder RUN as one self-contained HTML file."""
    from harness.record.reader import Record, RecordError
    from harness.report.page import report as page

    try:
        record = Record(run)
        try:
            text = page(record, run)
        finally:
            record.close()
        target = out or run / "report.html"
        target.write_text(text, encoding="utf-8")
    except (RecordError, OSError) as error:
        click.echo(str(error), err=True)
        raise SystemExit(2) from error
    click.echo(f"report: {target}")
