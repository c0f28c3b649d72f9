"""The circumstances of a run in words: bus health, bench time, units, instruments, what the device was left with."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from harness.quantity import show
from harness.record.note import Event, IdentityReading, InstrumentNote
from harness.record.result import Result, Verdict


@dataclass(frozen=True)
class PlanTime:
    """Bench time that one plan took: seconds, share of the whole, its longest step."""

    plan: str
    steps: int
    seconds: str
    share: float
    longest: str


def plan_times(plans: Mapping[str, Sequence[Result]]) -> list[PlanTime]:
    """A row for each plan."""
    spent = {plan: [(each.end_ns - each.start_ns) / 1e9 for each in results] for plan, results in plans.items()}
    whole = sum(map(sum, spent.values())) or 1.0
    rows = []
    for plan, seconds in spent.items():
        longest = max(range(len(seconds)), key=seconds.__getitem__)
        name = plans[plan][longest].step
        rows.append(
            PlanTime(
                plan,
                len(seconds),
                duration(sum(seconds)),
                sum(seconds) / whole,
                f"{name} ({duration(seconds[longest])})",
            )
        )
    return rows


def duration(seconds: float) -> str:
    """A time as people say it: 85 min 27 s."""
    if seconds < 60:
        return show(seconds, "s")
    hours, rest = divmod(round(seconds), 3600)
    minutes, left = divmod(rest, 60)
    return f"{hours} h {minutes} min" if hours else f"{minutes} min {left} s"


def bus_lines(events: Iterable[Event]) -> list[tuple[str, str]]:
    """What the bus was like, as (what, value); empty where the record does not say. A resumed run has several parts."""
    parts = [event.detail for event in events if event.kind == "bus"]
    rows: list[tuple[str, str]] = []
    for number, part in enumerate(parts, start=1):
        label = f" (part {number})" if len(parts) > 1 else ""
        faults = part.get("faults")
        counted = faults.items() if isinstance(faults, dict) else ()
        rows += [
            (f"frames{label}", f"{part['frames']}"),
            (f"headers without a response{label}", f"{part['no_response']}"),
            (f"requests sent again{label}", f"{part['retries']}"),
            (f"frames without their own echo{label}", f"{part['no_echo']}"),
            (f"wire faults{label}", ", ".join(f"{kind}: {count}" for kind, count in counted) or "none"),
            (
                f"lateness of a slot{label}",
                f"half of them at most {part['late_us_half']} us, 99 of 100 at most {part['late_us_99_of_100']} us, "
                f"worst {part['late_us_worst']} us; {part['slots_missed']} slots missed",
            ),
        ]
    return rows


@dataclass(frozen=True)
class Unit:
    """One unit: who it said that it was at the start, and each time that it said something else."""

    device: str
    values: Mapping[str, str]
    readings: int
    changes: tuple[str, ...]


def units(readings: Sequence[IdentityReading]) -> list[Unit]:
    """The units of a run, each once."""
    found = []
    for device in dict.fromkeys(reading.device for reading in readings):
        own = [reading for reading in readings if reading.device == device]
        changes, before = [], own[0].values
        for reading in own[1:]:
            now = reading.values
            changes += [
                f"{reading.moment}, at {duration(reading.at_ns / 1e9)}: {name} went from {before.get(name, 'nothing')} "
                f"to {now.get(name, 'nothing')}"
                for name in {**before, **now}
                if before.get(name) != now.get(name)
            ]
            before = now
        found.append(Unit(device, own[0].values, len(own), tuple(changes)))
    return found


def overdue(instruments: Iterable[InstrumentNote], started: str) -> list[str]:
    """A line for each instrument whose calibration had run out on the day that the run started."""
    day = started[:10]
    return [f"{each.role}: calibration was due on {each.due}" for each in instruments if each.due and each.due < day]


def left_with(events: Iterable[Event]) -> list[tuple[str, str]]:
    """What each device was left with, of event ``ledger``; of a run cut short, nothing is said."""
    rows = []
    for event in events:
        if event.kind != "ledger":
            continue
        detail, device = event.detail, event.detail["device"]
        rows += [
            (f"{device}: set-points not put back", _pairs(detail["not_put_back"]) or "none"),
            (f"{device}: trips seen", f"{detail['trips']}"),
            *_wear(str(device), detail),
            (f"{device}: thermal levels at the end", _levels(detail["levels"]) or "none kept"),
            (f"{device}: quarantine", f"{detail['quarantine'] or 'no'}"),
            (f"{device}: set-points", _pairs(detail["set_points"])),
        ]
    return rows


def _wear(device: str, detail: Mapping[str, object]) -> list[tuple[str, str]]:
    """What the run used the unit up by, and what is left of each budget; an older record knows of writes alone."""
    wear = detail.get("wear")
    if not isinstance(wear, dict):
        return [(f"{device}: non-volatile writes spent", f"{detail['writes']}")]
    whose = f"unit {wear['serial']}" if wear["serial"] is not None else "a unit without a serial number"
    counted = "over all its runs" if wear["kept"] else "for this run alone: a simulated unit is new each time"
    rows = []
    for kind, spent in wear["spent"].items():
        left = f", {wear['left'][kind]:.6g} left" if kind in wear["left"] else ", no budget"
        rows.append(
            (f"{device}: {kind.replace('_', ' ')} spent", f"{spent:.6g}{' J' if 'energy' in kind else ''}{left}")
        )
    return [*rows, (f"{device}: wear is counted", f"of {whose}, {counted}")]


def _pairs(values: object) -> str:
    return ", ".join(f"{name} {value:.6g}" for name, value in values.items()) if isinstance(values, dict) else ""


def _levels(values: object) -> str:
    if not isinstance(values, dict):
        return ""
    return ", ".join(f"{name} {100 * low:.2g} % to {100 * high:.2g} %" for name, (low, high) in values.items())


def made_safe(events: Iterable[Event]) -> list[tuple[str, str]]:
    """Each step of making safe and what came of it."""
    return [
        (f"{event.detail['action']}", f"{event.detail['problem'] or 'done'}")
        for event in events
        if event.kind == "making_safe"
    ]


SHOWN_EVENTS = ("quarantine", "flashing", "flash", "resumed", "identity", "isolation", "loop")
"""Events that are told one by one; the others are counted."""


def told(events: Sequence[Event]) -> tuple[list[tuple[str, str, str]], list[tuple[str, int]]]:
    """Events worth telling, as (when, kind, words), and how many there are of every kind."""
    lines = [
        (duration(event.at_ns / 1e9), event.kind, ", ".join(f"{name}: {value}" for name, value in event.detail.items()))
        for event in events
        if event.kind in SHOWN_EVENTS
    ]
    kinds = sorted({event.kind for event in events})
    return lines, [(kind, sum(event.kind == kind for event in events)) for kind in kinds]


def not_run(results: Iterable[Result]) -> list[tuple[str, str]]:
    """Why steps were not run, as (reason, which): each reason once, however many steps it kept back."""
    found: dict[str, dict[str, int]] = {}
    for result in results:
        if result.verdict is Verdict.NOT_RUN:
            plans = found.setdefault("; ".join(result.reasons) or "no reason recorded", {})
            plans[result.plan] = plans.get(result.plan, 0) + 1
    return [
        (reason, ", ".join(f"{count} {'step' if count == 1 else 'steps'} of {plan}" for plan, count in plans.items()))
        for reason, plans in found.items()
    ]
