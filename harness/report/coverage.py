"""What a run showed of each fault code and each set-point of a device."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction

from harness.record.note import Event
from harness.record.result import Coverage, Result, Verdict, strongest
from protocol import answers
from protocol.device import Device
from protocol.identifiers import ALL_CODES, CodeReport, Service
from protocol.layout import LayoutError
from protocol.protection import Parameter
from protocol.records import decode_group

PHYSICAL = (Coverage.PRIMARY, Coverage.SECONDARY)
ASPECTS = ("stimulated physically", "forced by service", "reported", "snapshot right", "cleared")
"""Columns of the matrix. Only the first is coverage of the protection function itself."""


@dataclass
class Cell:
    """What showed one aspect of one code: the results' ids by verdict; empty where nothing did."""

    steps: list[tuple[str, Verdict]] = field(default_factory=list)

    @property
    def verdict(self) -> Verdict | None:
        """The strongest of its verdicts."""
        return strongest(verdict for _, verdict in self.steps) if self.steps else None

    @property
    def strongest(self) -> str:
        """Id of the first step with that verdict."""
        return next(step for step, verdict in self.steps if verdict is self.verdict)


@dataclass(frozen=True)
class CodeRow:
    """One fault code of one device; ``functions`` set it."""

    device: str
    code: str
    meaning: str
    functions: tuple[str, ...]
    cells: Mapping[str, Cell]


def code_matrix(results: Sequence[Result], devices: Mapping[str, Device]) -> list[CodeRow]:
    """A row for each fault code of each of ``devices``."""
    rows = []
    for device in devices.values():
        own = [result for result in results if result.device == device.name and result.verdict is not Verdict.NOT_RUN]
        causing = {name: function.cause for name, function in device.functions.items()}
        cells: dict[str, dict[str, Cell]] = {
            code: {aspect: Cell() for aspect in ASPECTS} for code in device.fault_codes
        }
        stored: set[str] = set()
        for result in own:
            stored = _enter(result, device, causing, cells, stored)
        rows += [
            CodeRow(
                device.name,
                name,
                code.meaning,
                tuple(function for function, cause in causing.items() if cause == name),
                cells[name],
            )
            for name, code in device.fault_codes.items()
        ]
    return rows


def _enter(
    result: Result,
    device: Device,
    causing: Mapping[str, str],
    cells: Mapping[str, Mapping[str, Cell]],
    stored: set[str],
) -> set[str]:
    """Put ``result`` into its cells; returns the codes that are in the fault memory after it, as far as it was read."""
    entry = (result.id, result.verdict)
    cause = causing.get(result.function or "")
    if cause is not None and result.kind != "expect_no_trip":
        if result.coverage in PHYSICAL:
            cells[cause][ASPECTS[0]].steps.append(entry)
        if result.coverage is Coverage.FORCED:
            cells[cause][ASPECTS[1]].steps.append(entry)
    snapshots, cleared = set[str](), set[str]()
    names = {code.dtc: name for name, code in device.fault_codes.items()}
    before = stored
    for exchange in result.exchanges:
        request, answer = exchange.request, exchange.answer or b""
        if request[:2] == bytes((Service.READ_CODES, CodeReport.CODES)):
            stored = _codes(answer, names, stored)
        elif request[:2] == bytes((Service.READ_CODES, CodeReport.SNAPSHOT)):
            snapshots |= {names[dtc] for dtc in (int.from_bytes(request[2:5]),) if dtc in names}
        elif request[:1] == bytes((Service.CLEAR_CODES,)) and answer[:1] == bytes((Service.CLEAR_CODES + 0x40,)):
            group = int.from_bytes(request[1:4])
            cleared |= stored if group == ALL_CODES else stored & {names.get(group, "")}
    if result.kind == "check_codes":
        for code in (before | stored) & cells.keys() if result.verdict is not Verdict.PASS else stored & cells.keys():
            cells[code][ASPECTS[2]].steps.append(entry)
    if result.kind == "check_snapshot":
        for code in snapshots & cells.keys():
            cells[code][ASPECTS[3]].steps.append(entry)
    if result.kind == "clear_codes":
        for code in cleared & cells.keys():
            cells[code][ASPECTS[4]].steps.append(entry)
    return stored


def _codes(answer: bytes, names: Mapping[int, str], before: set[str]) -> set[str]:
    try:
        return {names[code.dtc] for code in answers.CodesAnswer.decode(answer).codes if code.dtc in names}
    except LayoutError:
        return before


@dataclass(frozen=True)
class PointRow:
    """One set-point: values in words, and the steps whose band followed from it."""

    device: str
    name: str
    title: str
    limits: str
    asked: tuple[str, ...]
    read_back: tuple[str, ...]
    never_read: tuple[str, ...]
    enforced: tuple[tuple[str, str, Verdict], ...]  # step, value, verdict


def set_point_rows(results: Sequence[Result], events: Iterable[Event], devices: Mapping[str, Device]) -> list[PointRow]:
    """A row for each set-point of each of ``devices``; what was asked for is what the ledger noted before a write."""
    asked, rows = _asked(events), []
    for device in devices.values():
        own = [result for result in results if result.device == device.name]
        held = _read_back(own, device)
        for point in device.set_points.values():
            say = _sayer(point.field.unit)
            wanted = asked.get((device.name, point.name), set())
            low, high = (say(float(edge)) for edge in (point.minimum, point.maximum))
            found = held.get(point.name, set())
            rows.append(
                PointRow(
                    device.name,
                    point.name,
                    point.title,
                    f"{low} to {high}",
                    tuple(say(value) for value in sorted(wanted)),
                    tuple(say(value) for value in sorted(found)),
                    tuple(say(value) for value in sorted(wanted - found)),
                    tuple(_enforced(own, device, point.name, say)),
                )
            )
    return rows


def _asked(events: Iterable[Event]) -> dict[tuple[str, str], set[float]]:
    """Values by device and set-point: a set-point is of the device whose step had begun last."""
    device, asked = "", dict[tuple[str, str], set[float]]()
    for event in events:
        if event.kind == "begun":
            device = str(event.detail["device"])
        elif event.kind == "set_point":
            value = float(Fraction(str(event.detail["value"])))
            asked.setdefault((device, str(event.detail["name"])), set()).add(value)
    return asked


def _sayer(unit: str) -> Callable[[float], str]:
    """Values with as many digits as tell a limit from the next step beyond it."""
    return lambda value: f"{value:.7g}{'' if unit == '1' else f' {unit}'}"


def _enforced(
    results: Iterable[Result], device: Device, name: str, say: Callable[[float], str]
) -> Iterable[tuple[str, str, Verdict]]:
    """Steps whose function has the set-point ``name`` among its parameters and was made to operate."""
    users = {
        function.name
        for function in device.functions.values()
        for value in vars(function).values()
        if isinstance(value, Parameter) and name in value.names
    }
    for result in results:
        physical = result.coverage in PHYSICAL and result.verdict is not Verdict.NOT_RUN
        if result.function in users and physical and result.set_points and name in result.set_points:
            yield result.id, say(result.set_points[name]), result.verdict


def _read_back(results: Iterable[Result], device: Device) -> dict[str, set[float]]:
    """Every value that the device gave for a set-point when it was asked for it."""
    dids = {point.did for point in device.set_points.values()}
    seen = {
        exchange.answer
        for result in results
        for exchange in result.exchanges
        if exchange.request[:1] == bytes((Service.READ_DATA,)) and exchange.answer
    }
    held: dict[str, set[float]] = {}
    for answer in seen:
        did = int.from_bytes(answer[1:3])
        if answer[0] != Service.READ_DATA + 0x40 or did not in dids:
            continue
        try:
            values = decode_group(device, did, answer[3:])
        except LayoutError:
            continue
        for name, value in values.items():
            held.setdefault(name, set()).add(float(value))
    return held
