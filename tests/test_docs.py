"""The documents are true: commands, folders and the state tables."""

from __future__ import annotations

from enum import Enum
from pathlib import Path

import pytest
from click.testing import CliRunner

from harness.bench import gate, watchdog_table
from harness.bench.making_safe import ACTIONS
from harness.cautions import CAUTIONS
from harness.cli import COMMANDS, main
from mocks.firmware import states
from protocol import exchange, transport

ROOT = Path(__file__).parent.parent


def state_table(title: str, rows: dict[tuple[Enum, Enum], Enum]) -> str:
    """A Markdown table: states down, events across."""
    downward, across = list(dict.fromkeys(s for s, _ in rows)), list(dict.fromkeys(e for _, e in rows))
    head = f"| | {' | '.join(event.value for event in across)} |"
    lines = [f"**{title}**", "", head, "|---" * (len(across) + 1) + "|"]
    for state in downward:
        cells = [rows[state, event].value if (state, event) in rows else "-" for event in across]
        lines.append(f"| {state.value} | {' | '.join(cells)} |")
    return "\n".join(lines)


def state_diagram(rows: dict[tuple[Enum, Enum], Enum]) -> str:
    """A Mermaid diagram of what changes the state; it begins in the first."""
    first, _ = next(iter(rows))
    edges = [
        f"    {state.value} --> {then.value} : {event.value}"
        for (state, event), then in rows.items()
        if then is not state
    ]
    return "\n".join(["```mermaid", "stateDiagram-v2", f"    [*] --> {first.value}", *edges, "```"])


def flat(table: dict[Enum, dict[Enum, Enum]]) -> dict[tuple[Enum, Enum], Enum]:
    return {(state, event): then for state, row in table.items() for event, then in row.items()}


def tables() -> str:
    safe = "\n".join(f"{number}. {name}" for number, name in enumerate((action.name for action in ACTIONS), 1))
    return "\n\n".join(
        [
            state_table("Reassembly of a message (`protocol/transport.py`)", dict(transport.ACTIONS)),
            state_table("A diagnostic exchange (`protocol/exchange.py`)", flat(exchange.TRANSITIONS)),  # type: ignore[arg-type]
            state_table("The mock's switch (`mocks/firmware/states.py`)", flat(states.NEXT)),  # type: ignore[arg-type]
            state_table("The gate (`harness/bench/gate.py`)", flat(gate.TRANSITIONS)),  # type: ignore[arg-type]
            state_diagram(flat(gate.TRANSITIONS)),  # type: ignore[arg-type]
            state_table("The watchdog (`harness/bench/watchdog_table.py`)", flat(watchdog_table.TRANSITIONS)),  # type: ignore[arg-type]
            state_diagram(flat(watchdog_table.TRANSITIONS)),  # type: ignore[arg-type]
            f"**Making safe (`harness/bench/making_safe.py`)**, each tried whatever came of the one before:\n\n{safe}",
        ]
    )


def test_the_state_tables_in_developers_are_those_of_the_code() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text()
    found = text.partition("<!-- tables -->\n")[2].partition("\n<!-- /tables -->")[0]

    assert found == tables(), f"`python tests/test_docs.py` puts in, between the marks of the tables:\n{tables()}"


def test_a_diagram_holds_what_changes_the_state_and_no_more() -> None:
    one, two = watchdog_table.State.IDLE, watchdog_table.State.ACTED
    stop, released = watchdog_table.Event.STOP, watchdog_table.Event.RELEASED

    assert state_diagram({(one, stop): two, (one, released): one, (two, stop): two}).splitlines() == [
        "```mermaid",
        "stateDiagram-v2",
        "    [*] --> idle",
        "    idle --> acted : the watchdog was told to end",
        "```",
    ]


# EN 50191, EN 50110-1 and 29 CFR 1910.333 as read in secondary sources; the first is the one of this device.
@pytest.mark.parametrize(
    "word",
    [
        "does not isolate", "700 V d.c. kills", "apacitors stay charged", "arc that does not go out", " hot", " fly",
        "wo people", "qualified", "lock out and tag", "discharge stick", "emergency stop", "not a safety function",
        "guidance, not compliance", "local codes, standards, site rules and licensed practice come first",
    ],
)  # fmt: skip
def test_every_caution_stands_in_readme_and_program(word: str) -> None:
    assert word in readme_cautions()
    assert word in " ".join(CAUTIONS)


def test_the_first_caution_is_that_it_does_not_isolate_and_the_last_that_it_is_guidance() -> None:
    in_readme = readme_cautions().split(" - ")

    for cautions in (CAUTIONS, in_readme):
        assert cautions[0].removeprefix("- ").startswith("An open solid-state breaker does not isolate")
        assert cautions[-1].startswith("This is guidance, not compliance")


def readme_cautions() -> str:
    """The list under its heading, in one line."""
    _, _, rest = (ROOT / "README.md").read_text().partition("## Read this before connecting anything\n\n")
    return " ".join(rest.partition("\n\n")[0].replace("**", "").split())


@pytest.mark.parametrize("command", list(COMMANDS))
def test_every_command_is_documented_and_has_help(command: str) -> None:
    shown = CliRunner().invoke(main, [command, "--help"])

    assert shown.exit_code == 0
    assert shown.output.startswith(f"Usage: main {command}")
    assert f"breakerbench {command}" in (ROOT / "README.md").read_text() or command in ("demo",)


def test_help_lists_every_command() -> None:
    shown = CliRunner().invoke(main, ["--help"]).output

    assert all(f"  {command} " in shown for command in COMMANDS)


def test_an_unknown_command_is_a_usage_error() -> None:
    assert CliRunner().invoke(main, ["nonsense"]).exit_code == 2


if __name__ == "__main__":
    path = ROOT / "DEVELOPERS.md"
    head, _, rest = path.read_text().partition("<!-- tables -->\n")
    path.write_text(f"{head}<!-- tables -->\n{tables()}\n<!-- /tables -->{rest.partition('<!-- /tables -->')[2]}")
