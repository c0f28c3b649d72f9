"""``breakerbench schema``: JSON Schemas for editors and other programs."""

from __future__ import annotations

import json

import click

from harness.schema import SCHEMAS


@click.command()
@click.argument("kind", type=click.Choice(list(SCHEMAS)))
def schema(kind: str) -> None:
    """Print the JSON Schema of a plan, device profile, bench file, or result line."""
    click.echo(json.dumps(SCHEMAS[kind](), indent=2))
