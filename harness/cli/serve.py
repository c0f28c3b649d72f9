"""``breakerbench serve``: the simulated bench on real ports and in real time, for a run from another process."""

from __future__ import annotations

import json
import os
import signal
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import click

from harness.bench.simulated import MARK, serve_bench
from harness.bench.spec import BenchFile, shipped_bench
from harness.files.load import load
from harness.files.marks import FileErrors
from harness.files.profile import load_device, shipped_device
from protocol.device import Device

_PORT_BASE = 47110
_LAST_PORT_BASE = 65535 - 15  # instruments, programming connector and panel follow


@click.command()
@click.option(
    "--device", "device_name", default="heater", show_default=True, help="A shipped device's name, or a profile."
)
@click.option("--ready", type=click.Path(path_type=Path), help="Bench file to write when everything listens.")
@click.option(
    "--port-base",
    type=click.IntRange(0, _LAST_PORT_BASE),
    default=_PORT_BASE,
    show_default=True,
    help="TCP port of the LIN line, the others on those after it; 0: any free ones.",
)
@click.option(
    "--pty-link",
    type=click.Path(path_type=Path),
    help="Symbolic link to make to the pseudo-terminal; on the default ports /tmp/breakerbench-DEVICE.tty.",
)
@click.option(
    "--seed", type=click.IntRange(0), default=1, show_default=True, help="Of the unit's tolerances and noise."
)
def serve(device_name: str, ready: Path | None, port_base: int, pty_link: Path | None, seed: int) -> None:
    """Serve the simulated bench on ports of this machine (loopback only) until it is interrupted.

    One client a port. A client that leaves changes nothing: outputs stay as they were set. Ctrl-C ends with 130,
    SIGTERM with 0.

    The port called panel takes the place of hands at the bench, a line each: DOOR OPEN and DOOR CLOSE, STOP PRESS and
    STOP RELEASE, PRESS ARM 0.5 (seconds), HOLD ARM and RELEASE ARM; STATE? says how the bench really stands.
    """
    device = _device(device_name)
    if ready is not None:
        _clear(ready)
    if pty_link is None and port_base == _PORT_BASE:
        pty_link = Path(f"/tmp/breakerbench-{device.name}.tty")  # where the shipped bench file looks
    sys.exit(_serve(device, ready, port_base, pty_link, seed))


def _serve(device: Device, ready: Path | None, port_base: int, pty_link: Path | None, seed: int) -> int:
    written = b""

    def on_ready(resources: Mapping[str, str]) -> None:
        nonlocal written
        _announce(device, resources)
        if ready is not None:
            written = _write_ready(ready, device, resources)

    with _signals() as received:
        try:
            serve_bench(device, seed, port_base, pty_link, on_ready, lambda: bool(received))
        except OSError as error:
            file = error.filename2 or error.filename  # of a link, the second is the one to be made
            click.echo(f"cannot serve: {f'{file}: ' if file else ''}{error.strerror or error}", err=True)
            return 5
        finally:
            if ready is not None and written and ready.is_file() and ready.read_bytes() == written:
                ready.unlink()
    return 130 if received[0] == signal.SIGINT else 0


def _device(name: str) -> Device:
    try:
        return load_device(Path(name) if Path(name).suffix else shipped_device(name))
    except KeyError as error:
        raise click.UsageError(str(error.args[0])) from error
    except FileErrors as errors:
        click.echo(str(errors), err=True)
        sys.exit(2)


def _clear(ready: Path) -> None:
    """Remove the ready file of a server that was killed, lest somebody take it for this one's; nothing else."""
    if not ready.exists():
        return
    try:
        stale = "served" in json.loads(ready.read_bytes())
    except (OSError, TypeError, ValueError):
        stale = False
    if not stale:
        raise click.UsageError(f"{ready} is there already and was not written by serve: give another --ready")
    ready.unlink()


def _announce(device: Device, resources: Mapping[str, str]) -> None:
    click.echo(MARK, err=True)
    click.echo(f"{device.name}: {device.title}", err=True)
    for role, resource in resources.items():
        click.echo(f"  {role:<20}{resource}", err=True)
    click.echo("Ctrl-C ends it.", err=True)


def _write_ready(path: Path, device: Device, resources: Mapping[str, str]) -> bytes:
    """Write the bench file whole or not at all, and return what was written. JSON is YAML."""
    content = json.dumps(_bench_file(device, resources), indent=2).encode() + b"\n"
    fresh = path.with_name(f".{path.name}.{os.getpid()}")
    fresh.write_bytes(content)
    fresh.replace(path)
    return content


def _bench_file(device: Device, resources: Mapping[str, str]) -> dict[str, Any]:
    """The shipped served bench, its figures as they are, with the ports that were bound."""
    content = load(shipped_bench("served"), BenchFile).model.model_dump(mode="json", by_alias=True, exclude_none=True)
    content["title"] = f"Served bench with {device.title}"
    content["lin"] = {"port": resources["lin"], "break": "break_condition"}
    for role, section in content["roles"].items():
        section["resource"] = resources[role]
    for link in ("interlock", "source", "bank"):
        content["watchdog"][link] = resources[f"watchdog_{link}"]
    content["served"] = {"pid": os.getpid(), "pty": resources["pty"], "panel": resources["panel"]}
    return content


@contextmanager
def _signals() -> Iterator[list[int]]:
    """SIGINT and SIGTERM only note themselves in the list, so that the loop ends where nothing is half done."""
    received: list[int] = []
    before = {
        number: signal.signal(number, lambda number, _: received.append(number))
        for number in (signal.SIGINT, signal.SIGTERM)
    }
    try:
        yield received
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
