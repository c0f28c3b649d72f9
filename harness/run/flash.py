"""A build put into the breaker: programmed, started by a power-up of its own, and recognised before anything is tested.

A breaker that does not run the build that was meant is not tested: a result would be booked on the wrong build.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from fractions import Fraction
from typing import Any

from harness.bench.bench import Bench
from harness.bench.flash import FlashRun
from harness.clock import MS, S
from harness.files.build import CHECKSUM, VERSION, Build
from harness.plan.steps import Flash
from harness.quantity import show
from harness.run.context import Context, Outcome
from harness.run.identity import Identity
from harness.run.ledger import Ledger
from harness.run.observe import read_identity, read_set_points, stable_status
from harness.run.step_errors import StepError, StepFail, StepNotRun
from harness.run.supply import power_up
from protocol.device import Device

_READS = 3
"""Times that a unit is asked who it is before nobody can say so: asking changes nothing, and one frame may be lost."""
_OFF_NS = 500 * MS  # long enough for any supply to have fallen; common practice, no source


class FlashError(Exception):
    """The breaker does not run the build, or nobody can say so: nothing more may be tested in this run.

    Example scenarios: the command failed; the breaker is silent afterwards; it fell back to the image it had before.
    """


def run_flash(step: Flash, context: Context, outcome: Outcome) -> None:
    """Put the run's build in once more, in mid-plan, and compare set-points as the profile has it."""
    if context.build is None:
        raise StepNotRun("no build to put in: name one with --build")
    held = put_in(context.build, context.device, context.bench, context.ledger)
    outcome.facts |= {"build": context.build.name, **(context.ledger.unit.records if context.ledger.unit else {})}
    for text in held:
        outcome.fail(text)


def put_in(build: Build, device: Device, bench: Bench, ledger: Ledger) -> list[str]:
    """Program ``build``, power-cycle, and compare: identity with the build, set-points with what the profile says.

    Returns, in words, set-points that are not as they should be. The ledger then has the unit and the set-points as
    they are. Raises FlashError, StepError where the switch is closed or the bench has no command, and what a lost
    bench raises.
    """
    command = bench.spec.commands.get("flash")
    if command is None:
        raise StepError("this bench has no command `flash`")
    if (switch := stable_status(device, bench).switch) != "open":
        raise StepError(f"the switch is {switch}: nothing is put in while it is not open")
    before, points = read_identity(device, bench), read_set_points(device, bench, device.set_points)
    limit_s = (device.programming.longest_ns if device.programming else 600 * S) / S
    about = {"build": build.name, "version": build.version, "checksum": build.checksum, "sha256": build.sha256}
    ledger.flashing(bench.clock.now_ns(), about)
    ran = bench.flash(build, limit_s)
    after, verdict = None, ran.problem and f"the command {ran.problem}"
    if verdict is None:
        after, verdict = _restarted(device, bench, ledger)
    if after is not None:
        verdict = unlike(build, before, after)
    ledger.flashed(bench.clock.now_ns(), about | _detail(ran, before, after, verdict))
    if verdict is not None or after is None:
        last = ran.output.strip().splitlines()[-1:]
        raise FlashError(f"build {build.name}: {verdict}{f' ({last[0]})' if last and ran.problem else ''}")
    now = read_set_points(device, bench, device.set_points)
    ledger.found(now)
    ledger.unit = after
    return _set_point_faults(device, points, now)


def _restarted(device: Device, bench: Bench, ledger: Ledger) -> tuple[Identity | None, str | None]:
    """Take the supply away and bring it back, so that the boot loader decides; the identity, or what is wrong."""
    ledger.powered_down(bench.clock.now_ns())
    bench.supply_12v.off()
    bench.master.silence_until(bench.clock.now_ns() + _OFF_NS)
    try:
        power_up(device, bench, ledger)
    except StepFail as error:
        return None, str(error)
    problem = None
    for _ in range(_READS):
        try:
            return read_identity(device, bench), None
        except (StepFail, StepError) as error:
            problem = str(error)
    return None, problem


def unlike(build: Build, before: Identity, after: Identity) -> str | None:
    """Why a breaker that is ``after``, and was ``before``, does not run ``build``; None where it does."""
    wanted = {VERSION: build.version} | ({} if build.checksum is None else {CHECKSUM: build.checksum})
    found = {name: after.records.get(name, "").strip("\0 ") for name in wanted}
    had = {name: before.records.get(name, "").strip("\0 ") for name in wanted}
    changed = [
        name for name in ("serial_number", "hardware_version") if before.records.get(name) != after.records.get(name)
    ]
    if changed or after.product != before.product:
        return f"another unit answers now: {' and '.join(changed) or 'product identification'} changed"
    if found == wanted:
        return None
    said = f"it runs {_words(found)}, the build is {_words(wanted)}"
    if found == had:
        return f"the breaker fell back to the image that it had before: {said}"
    if _number(found[VERSION]) < _number(build.version):
        return f"an older image: {said}"
    return f"not the image that was meant: {said}"


def _words(values: Mapping[str, str]) -> str:
    return ", ".join(f"{name.removeprefix('application_')} {value or '(empty)'}" for name, value in values.items())


def _number(version: str) -> tuple[int, ...]:
    return tuple(map(int, re.findall(r"\d+", version)))


def _set_point_faults(device: Device, before: Mapping[str, Fraction], after: Mapping[str, Fraction]) -> list[str]:
    if device.programming is None:
        return []
    kept = device.programming.set_points == "kept"
    wanted = before if kept else {name: point.default for name, point in device.set_points.items()}
    word = "kept" if kept else "reset to its default"
    return [
        f"{name} is {show(float(after[name]), point.field.unit)} after programming, wanted"
        f" {show(float(wanted[name]), point.field.unit)}: the profile says that it is {word}"
        for name, point in device.set_points.items()
        if after[name] != wanted[name]
    ]


def _detail(ran: FlashRun, before: Identity, after: Identity | None, verdict: str | None) -> dict[str, Any]:
    return {
        "command": list(ran.command),
        "exit_code": ran.exit_code,
        "output": ran.output,
        "wall_s": ran.wall_s,
        "before": dict(before.records),
        "after": None if after is None else dict(after.records),
        "problem": verdict,
    }
