"""``breakerbench compare``: what a new build changed."""

from __future__ import annotations

import json
from pathlib import Path

import click


@click.command()
@click.argument("before", type=click.Path(path_type=Path))
@click.argument("after", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="One JSON object on stdout.")
@click.option("--html", type=click.Path(path_type=Path, dir_okay=False), help="Write it as one HTML page as well.")
def compare(before: Path, after: Path, as_json: bool, html: Path | None) -> None:
    """Compare the record in folder AFTER with the one in BEFORE; a folder of records is a side with repeats.

    Exit codes: 0 no regression; 1 a regression: new fails, drift, other fault codes, something not shown any more; 2 a
    record cannot be read; 3 not comparable: another unit, bench, calibration or ambient, or a run that did not end.
    """
    from harness.record.reader import RecordError
    from harness.report.compare import compare as compared
    from harness.report.compare import load_side
    from harness.report.comparison_page import page, text, values

    try:
        found = compared(load_side(before), load_side(after))
        if html is not None:
            html.write_text(page(found), encoding="utf-8")
    except (RecordError, OSError) as error:
        click.echo(str(error), err=True)
        raise SystemExit(2) from error
    click.echo(json.dumps(values(found)) if as_json else text(found), nl=as_json)
    raise SystemExit(found.exit_code)
