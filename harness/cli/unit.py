"""``breakerbench unit``: what a unit has been through, and a person's word that it may be used again."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from harness.bench.lock import user_name
from harness.record.wear import UnitWear, WearError, append, path_of, read


class _Refusal(click.ClickException):
    """One line, exit code 2."""

    exit_code = 2


@click.command()
@click.argument("serial")
@click.option(
    "--runs", type=click.Path(path_type=Path), default=Path("runs"), show_default=True, help="Folder of run records."
)
@click.option("--release", "reason", metavar="REASON", help="End its quarantine; the serial number is asked for again.")
def unit(serial: str, runs: Path, reason: str | None) -> None:
    """Show what the unit with this SERIAL number has been through on real benches, over all runs in --runs.

    A unit that failed to interrupt is quarantined: no run applies anything to it until a person who has looked at it
    releases it here, at a terminal, with a reason that is kept.
    """
    path = path_of(runs, serial)
    try:
        known = read(path)
        if reason is not None:
            _release(path, serial, known, reason)
            known = read(path)
    except WearError as error:
        raise _Refusal(str(error)) from error
    if not path.exists():
        click.echo(f"unit {serial}: nothing is known of it in {runs}")
        return
    _show(serial, known)


def _show(serial: str, known: UnitWear) -> None:
    for kind, amount in sorted(known.spent.items()):
        click.echo(f"{kind.replace('_', ' ')}: {amount:.6g}{' J' if 'energy' in kind else ''}")
    if known.damaged:
        click.echo(f"{known.damaged} lines are no entries, as a kill leaves them, and do not count")
    for entry in known.entries:
        if entry.get("entry") in ("quarantined", "released"):
            who = f" by {entry['name']}" if "name" in entry else ""
            click.echo(f"{entry.get('at')} {entry['entry']}{who}: {entry.get('reason')}")
    click.echo(f"unit {serial}: " + ("free" if known.quarantine is None else f"QUARANTINED: {known.quarantine}"))


def _release(path: Path, serial: str, known: UnitWear, reason: str) -> None:
    if known.quarantine is None:
        raise _Refusal(f"unit {serial} is not quarantined")
    if not reason.strip():
        raise _Refusal("--release: want the reason in words, such as what was looked at and found")
    if not sys.stdin.isatty():
        raise _Refusal("--release wants a person at a terminal")
    click.echo(f"quarantined: {known.quarantine}")
    typed = click.prompt(
        f"{user_name()}, who releases it: type the serial number again", default="", show_default=False
    )
    if typed.strip() != serial:
        raise _Refusal("that is another serial number: nothing was changed")
    append(path, serial, "released", reason=reason.strip(), name=user_name())
