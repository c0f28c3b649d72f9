"""The command line. Commands are imported when they are called, so that --help is instant."""

from __future__ import annotations

import importlib
import sys

import click

COMMANDS: dict[str, tuple[str, str]] = {
    "demo": ("harness.cli.demo:demo", "Run the first plans for the heater branch on the simulated bench."),
    "check": ("harness.cli.check:check", "Check plans, profiles and bench files; run nothing."),
    "bench": ("harness.cli.bench:bench", "Look at a bench before its first use, with at most 50 V."),
    "run": ("harness.cli.run:run", "Run test plans on a bench and record the verdicts."),
    "unit": ("harness.cli.unit:unit", "Show what a unit has been through; release it from quarantine."),
    "report": ("harness.cli.report:report", "Write the report of a run as one HTML page."),
    "export": ("harness.cli.export:export", "Write a run as JUnit XML, CSV or JSON Lines."),
    "compare": ("harness.cli.compare:compare", "Compare two runs: what a new build changed."),
    "history": ("harness.cli.history:history", "Follow a measured value over all the records of a folder."),
    "curve": ("harness.cli.curve:curve", "Show the time-current characteristic with its tolerance band."),
    "serve": ("harness.cli.serve:serve", "Serve the simulated bench on real ports, in real time."),
    "ports": ("harness.cli.ports:ports", "List the serial ports of this machine."),
    "schema": ("harness.cli.schema:schema", "Print the JSON Schema of a plan, device, bench or result."),
}
"""Command -> (where it is, its one line of help)."""


class _LazyGroup(click.Group):
    """Knows every command's name and help, and imports the one that is called."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        module, _, name = COMMANDS[cmd_name][0].partition(":")
        command: click.Command = getattr(importlib.import_module(module), name)
        return command

    def invoke(self, ctx: click.Context) -> object:
        """Ctrl-C where nothing is on yet, or any more: 130 all the same."""
        try:
            return super().invoke(ctx)
        except KeyboardInterrupt:
            click.echo("interrupted", err=True)
            sys.exit(130)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, (_, text) in COMMANDS.items()])


@click.group(cls=_LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="breakerbench", prog_name="breakerbench")
def main() -> None:
    """Regression harness for a high-voltage solid-state breaker on LIN.

    700 V d.c. kills, capacitors stay charged, and an open solid-state breaker does not isolate. High-voltage work is
    for qualified staff, two at a time, with interlock and emergency stop in hardware; local rules come first.

    Exit codes: 0 all passed; 1 something failed; 2 usage or file error; 3 something inconclusive or not run; 4 refused
    by the gate; 5 bench or bus error; 130 interrupted, after making safe.
    """
