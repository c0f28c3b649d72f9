"""``breakerbench ports``: what serial ports this machine has, for the ``lin: {port: ...}`` of a bench file."""

from __future__ import annotations

import json

import click
from serial.tools.list_ports import comports


@click.command()
@click.option("--json", "as_json", is_flag=True, help="JSON Lines: one port a line.")
def ports(as_json: bool) -> None:
    """List the serial ports of this machine."""
    found = sorted(comports(), key=lambda port: port.device)
    for port in found:
        if as_json:
            fields = ("device", "description", "manufacturer", "product", "serial_number", "hwid")
            click.echo(json.dumps({field: getattr(port, field) for field in fields}))
        else:
            click.echo(f"{port.device}\t{port.description}")
    if not found:
        click.echo("no serial port; served lines (linwire://HOST:PORT) and pseudo-terminals are never listed", err=True)
