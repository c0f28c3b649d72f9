"""``breakerbench history``: a measured value over all the records of a folder."""

from __future__ import annotations

from pathlib import Path

import click


@click.command()
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False))
@click.option("--value", help="Which one, as 'plan/step: name'; without it, the values that there are.")
@click.option(
    "--picture", type=click.Path(path_type=Path, dir_okay=False), help="Draw it as well: an .svg or .png file."
)
def history(folder: Path, value: str | None, picture: Path | None) -> None:
    """Follow a measured value over all the run records in FOLDER.

    Exit codes: 0 shown; 2 no such value, no readable record, or the picture cannot be written.
    """
    from harness.report.history import PICTURES, HistoryError, draw, follow, text, values_of

    kind = "" if picture is None else picture.suffix.lstrip(".").lower()
    if picture is not None and kind not in PICTURES:
        raise click.UsageError(f"--picture {picture}: want a name that ends in .svg or .png")
    if picture is not None and value is None:
        raise click.UsageError("--picture shows one value: say which with --value")
    try:
        if value is None:
            click.echo("\n".join(values_of(folder)))
            return
        found = follow(folder, value)
        if picture is not None:
            picture.write_bytes(draw(found, kind))
    except (HistoryError, OSError) as error:
        click.echo(str(error), err=True)
        raise SystemExit(2) from error
    click.echo(text(found), nl=False)
