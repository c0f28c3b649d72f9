"""A bench looked at in process, with everything that may be broken on it: each has its own row, and what to fix."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from harness.bench.calibration import Calibration
from harness.bench.dialect import Dialect
from harness.bench.guard import Watchdog
from harness.bench.instrument import InstrumentError, PowerSupply
from harness.bench.interlock import InterlockUnit, Voltmeter
from harness.bench.safety_spec import WatchdogSpec
from harness.bench.spec import BenchSpec, load_bench, shipped_bench
from harness.clock import MS
from harness.files.profile import load_device, shipped_device
from harness.inspection.course import CHECKS, Inspection
from harness.inspection.low_voltage import WATCHDOG
from harness.inspection.opened import Opened, opened
from harness.inspection.operator import StandIn, Task
from harness.inspection.row import Row, Verdict, exit_code
from mocks.clock import EventClock

SPEC = load_bench(shipped_bench("simulated"))
DEVICE = load_device(shipped_device("heater"))
TODAY = "2026-11-25"


Instead = Mapping[Task, str | Callable[[Opened], object]]
"""What is done where something else is asked for: words at the panel, or anything."""


class Hands(StandIn):
    """Does what it is asked to, except where ``instead`` says what else; or is not there."""

    def __init__(self, bench: Opened, instead: Instead, absent: str | None) -> None:
        assert bench.panel is not None
        super().__init__(bench.panel)
        self._bench = bench
        self._own = bench.panel
        self._instead = instead
        self._absent = absent
        self.waited: list[float] = []

    def absent(self) -> str | None:
        return self._absent

    def ask(self, task: Task) -> None:
        instead = self._instead.get(task)
        if instead is None:
            super().ask(task)
        elif isinstance(instead, str):
            assert self._own(instead) == "OK"
        else:
            instead(self._bench)

    def waiting(self, task: Task, left_s: float) -> None:
        self.waited.append(left_s)


@dataclass
class Looked:
    """An inspection, with the greatest voltage that ever was on the bench, whatever was read."""

    bench: Opened
    rows: list[Row] = field(default_factory=list)
    measured: dict[str, float] = field(default_factory=dict)
    waited: list[float] = field(default_factory=list)
    most: float = 0.0
    switched_on: bool = False

    def standing(self) -> dict[str, float]:
        assert self.bench.panel is not None
        return {name: float(value) for name, value in (part.split("=") for part in self.bench.panel("STATE?").split())}

    def row(self, role: str, done: str) -> Row:
        return next(row for row in self.rows if row.role == role and row.done.startswith(done))

    @property
    def faults(self) -> list[tuple[str, str]]:
        return [(row.role, row.done) for row in self.rows if row.verdict is Verdict.FAULT]


@contextmanager
def watched(looked: Looked) -> Iterator[None]:
    """Note what really is on the bench whenever anybody asks an instrument for a voltage."""
    whole = looked.bench.clock.sleep_until

    def sleep(instant_ns: int) -> None:
        whole(instant_ns)
        now = looked.standing()
        looked.most = max(looked.most, now["volts_source"], now["volts_load"], now["volts_bank"])
        looked.switched_on |= bool(now["source"]) or bool(now["contactor"])

    looked.bench.clock.sleep_until = sleep  # type: ignore[method-assign]
    try:
        yield
    finally:
        looked.bench.clock.sleep_until = whole  # type: ignore[method-assign]


def look(
    *before: str,
    spec: BenchSpec = SPEC,
    instead: Instead | None = None,
    absent: str | None = None,
    on_open: Callable[[Opened], object] = lambda bench: None,
) -> Looked:
    rows: list[Row] = []
    with opened(spec, DEVICE, TODAY, rows.append) as bench:
        looked = Looked(bench, rows)
        assert bench.panel is not None
        for line in before:
            assert bench.panel(line) == "OK"
        on_open(bench)
        hands = Hands(bench, instead or {}, absent)
        with watched(looked):
            Inspection(bench, hands, 2.0, rows.append, measured=looked.measured).run()
        looked.waited = hands.waited
    return looked


def test_a_good_bench_passes_and_never_sees_more_than_50_v() -> None:
    looked = look()

    assert exit_code(looked.rows) == 0, looked.faults
    assert len(looked.rows) > len(SPEC.resources) + 10
    assert all(row.found and row.wanted for row in looked.rows)
    assert 49 < looked.most < 50.5
    after = looked.standing()
    assert (after["source"], after["contactor"], after["enable"]) == (0, 0, 0)
    assert max(after["volts_source"], after["volts_load"], after["volts_bank"]) < 6


def test_the_times_that_were_measured_are_those_of_the_bench() -> None:
    """mocks/wiring.py: contacts 15 ms, hold 200 ms; 100 ms of time constant: 10.5 ms to nine tenths. Silence 200 ms."""
    measured = look().measured

    assert 0.010 < measured["source off"] < 0.015
    assert 0.025 < measured["contactor open"] < 0.032
    assert 0.210 < measured["watchdog line"] < 0.216
    assert 0.210 < measured[WATCHDOG] < 0.240


@pytest.mark.parametrize(
    ("before", "role", "done", "found", "fix"),
    [
        ("FAULT sense_source_off ON", "voltmeter", "both sides charged", "the source side reads 0.0 V", "sense lead"),
        ("FAULT sense_load_off ON", "voltmeter", "both sides charged", "50.0 V and 0.0 V", "load side: see its sense"),
        ("FAULT precharge_open ON", "voltmeter", "both sides charged", "50.0 V and 0.0 V", "precharge relay"),
        ("FAULT discharge_stuck ON", "discharge", "both sides discharged", "are left 3 s", "relay and resistors"),
        ("FAULT contactor_welded ON", "interlock", "contactor closed", "still closed after", "welded"),
        ("FAULT source_ignores_off ON", "source", "switched off", "still 50.0 V", "does not go off when it is told"),
        ("FAULT rebound ON", "discharge", "both sides watched", "V at most", "voltage comes back"),
        ("FAULT switch_shorted ON", "voltmeter", "both sides charged", "before it is charged", "a shorted switch"),
        ("FAULT supply_slow ON", "supply_12v", "12 V on and cut", "still 7.5 V", "no fast cut"),
        (
            "FAULT enable_bypassed ON",
            "interlock",
            "emergency stop pressed at",
            "still 50.0 V",
            "stop: source enable does",
        ),
        ("FAULT charger_bypassed ON", "interlock", "emergency stop pressed at", "V on the bank", "charger: its enable"),
        ("FAULT bank_discharge_stuck ON", "bank", "charged to", "discharge does not work", "relay bank_discharge"),
        ("FAULT charger_ignores_off ON", "bank", "charged to", "discharge does not work", "its charger goes off"),
        ("FAULT sense_bank_off ON", "bank", "charged to", "the bank reads 0.0 V where its charger", "sense lead"),
        ("FAULT making_welded ON", "bank", "making switch closed", "a side reads 1", "making switch: welded"),
        ("HOLD ARM", "interlock", "arm button", "held down before", "it hangs, or it is tied down"),
        ("DOOR1 OPEN", "interlock", "doors", "channel 1 open and channel 2 closed", "doors: close"),
        ("STOP1 PRESS", "interlock", "emergency stop", "channel 1 open and channel 2 closed", "emergency stop: "),
    ],
)
def test_each_fault_has_its_row_and_what_to_fix(before: str, role: str, done: str, found: str, fix: str) -> None:
    looked = look(before)

    row = looked.row(role, done)
    assert row.verdict is Verdict.FAULT
    assert found in row.found
    assert fix in row.fix
    assert exit_code(looked.rows) == 5
    assert looked.most < 50.5 or "rebound" in before
    after = looked.standing()
    assert after["contactor"] == (1 if "contactor_welded" in before else 0)
    assert all(not row.fix for row in looked.rows if row.verdict is Verdict.OK)


@pytest.mark.parametrize(
    ("task", "words", "done", "found"),
    [
        (Task.OPEN_DOORS, "DOOR1 OPEN", "doors", "channel 2 did not follow when asked to open the doors"),
        (Task.CLOSE_DOORS, "DOOR1 CLOSE", "doors", "channel 2 did not follow when asked to close the doors"),
        (Task.PRESS_STOP, "STOP1 PRESS", "emergency stop", "channel 2 did not follow when asked to press"),
        (Task.PRESS_STOP, "STOP RELEASE", "emergency stop", "channels 1 and 2 did not follow"),
        (Task.PRESS_BUTTON, "RELEASE ARM", "arm button", "no change when asked to press the arm button"),
        (Task.RELEASE_BUTTON, "HOLD ARM", "arm button", "no change when asked to let the arm button go"),
    ],
)
def test_what_a_person_does_and_the_inputs_do_not_see(task: Task, words: str, done: str, found: str) -> None:
    looked = look(instead={task: words})

    row = looked.row("interlock", done)
    assert (row.verdict, row.found[: len(found)]) == (Verdict.FAULT, found)
    assert looked.waited[:2] == [2.0, pytest.approx(1.0, abs=0.1)]  # the time left, second by second


@pytest.mark.parametrize(
    ("before", "check"),
    [("DOOR1 OPEN", "doors opened and closed"), ("STOP1 PRESS", "emergency stop pressed and released")],
)
def test_an_open_interlock_lets_nothing_be_put_on(before: str, check: str) -> None:
    looked = look(before)

    row = looked.row("source", "switched off")
    assert row.verdict is Verdict.NOT_LOOKED_AT
    assert row.found == f"not before this is in order: interlock: {check}"
    assert looked.most < 1


@pytest.mark.parametrize(
    ("words", "found"), [("DOOR OPEN", "the doors are open"), ("DOOR1 OPEN", "channels of the doors disagree")]
)
def test_an_interlock_that_was_opened_after_its_check_lets_nothing_be_put_on(words: str, found: str) -> None:
    looked = look(instead={Task.RELEASE_BUTTON: words})

    row = looked.row("voltmeter", "both sides charged")
    assert (row.verdict, row.fix) == (Verdict.FAULT, "interlock: put it in order and begin again")
    assert found in row.found
    assert looked.most < 1


@pytest.mark.parametrize("sides", [(100.0, 0.0), (0.0, 100.0), (-650.0, -650.0)])
def test_a_side_that_is_live_beforehand_lets_nothing_be_put_on(sides: tuple[float, float]) -> None:
    def feed(bench: Opened) -> None:
        bench.instruments["voltmeter"].both = lambda: sides  # type: ignore[attr-defined]

    looked = look(on_open=feed)

    row = looked.row("voltmeter", "both sides read")
    assert (row.verdict, "no more than 50 V were put on it" in row.found) == (Verdict.FAULT, True)
    assert looked.row("source", "switched off").found == "not before this is in order: voltmeter: both sides read"
    assert looked.most == 0


def test_an_output_that_is_live_though_off_lets_nothing_be_put_on() -> None:
    def feed(bench: Opened) -> None:
        bench.instruments["source"].voltage = lambda: 100.0  # type: ignore[attr-defined]

    looked = look(on_open=feed)

    row = looked.row("source", "output commanded off")
    assert (row.verdict, row.found) == (Verdict.FAULT, "off, 100.0 V")
    assert looked.row("source", "switched off").found.startswith("not before this is in order: source: ")
    assert looked.most == 0


def test_a_source_that_gives_more_than_it_is_told_is_taken_away() -> None:
    def higher(bench: Opened) -> None:
        source = bench.instruments["source"]
        assert isinstance(source, PowerSupply)
        configure = source.configure

        def by_half(voltage: float, current_limit: float) -> None:
            source.ranges = {}
            configure(1.5 * voltage, current_limit)

        source.configure = by_half  # type: ignore[method-assign]

    looked = look(on_open=higher)

    row = looked.row("voltmeter", "both sides charged")
    assert (row.verdict, "no more than 50 V were put on it" in row.found) == (Verdict.FAULT, True)
    assert looked.row("source", "switched off").verdict is Verdict.NOT_LOOKED_AT
    assert (looked.standing()["source"], looked.standing()["contactor"]) == (0, 0)


def test_a_source_for_less_than_50_v_is_told_no_more_than_it_declares() -> None:
    assert SPEC.source is not None
    source = dataclasses.replace(SPEC.source, voltage=24.0)

    looked = look(spec=dataclasses.replace(SPEC, source=source, bank=None))

    assert 23 < looked.most < 24.5


def test_too_little_isolation_lets_nothing_be_put_on() -> None:
    looked = look("FAULT isolation_low ON")

    row = looked.row("isolation", "resistance read")
    assert (row.verdict, row.found) == (Verdict.FAULT, "60 kohm, at least 500 kohm")
    assert looked.row("source", "switched off").found == "not before this is in order: isolation: resistance read"
    assert looked.most < 1
    assert exit_code(looked.rows) == 5


@pytest.mark.parametrize("after_ms", [1, 60, 250])
def test_a_door_that_opens_while_a_time_is_measured_is_not_taken_for_the_watchdog(after_ms: int) -> None:
    """The watchdog takes 0.9 s here, and the doors' contacts take source enable away at once."""
    assert isinstance(SPEC.watchdog, WatchdogSpec)

    def opens_a_door(bench: Opened) -> None:
        start, clock, panel = bench.start_watchdog, bench.clock, bench.panel
        assert start is not None and panel is not None and isinstance(clock, EventClock)

        def started(folder: Path) -> Watchdog:
            dog = start(folder)
            hush = dog.hush

            def hushed() -> None:
                hush()
                clock.at(clock.now_ns() + after_ms * MS, lambda: panel("DOOR OPEN"))

            dog.hush = hushed  # type: ignore[method-assign]
            return dog

        bench.start_watchdog = started

    looked = look(
        spec=dataclasses.replace(SPEC, watchdog=dataclasses.replace(SPEC.watchdog, silence=0.9)), on_open=opens_a_door
    )

    row = looked.row("watchdog", "beats withheld")
    assert (row.verdict, row.found) == (Verdict.FAULT, "the doors are open")
    assert WATCHDOG not in looked.measured


def test_a_side_that_stays_live_is_told_whichever_way_round_its_leads_are() -> None:
    def reversed_later(bench: Opened) -> None:
        voltmeter, panel = bench.instruments["voltmeter"], bench.panel
        assert isinstance(voltmeter, Voltmeter) and panel is not None
        both, off = voltmeter.both, bench.instruments["source"].off  # type: ignore[attr-defined]

        def stuck() -> None:
            off()
            if "volts_source=5" in panel("STATE?") or "volts_source=49" in panel("STATE?"):
                panel("FAULT discharge_stuck ON")
                voltmeter.both = lambda: (-both()[0], both()[1])  # type: ignore[method-assign]

        bench.instruments["source"].off = stuck  # type: ignore[attr-defined]

    row = look(on_open=reversed_later).row("bench", "everything switched off")
    assert row.verdict is Verdict.FAULT
    assert row.found.startswith("a side still reads ")


def test_with_nobody_there_nothing_is_switched_on() -> None:
    looked = look(absent="nobody is there")

    assert exit_code(looked.rows) == 3
    assert not looked.switched_on
    assert looked.most == 0
    left_out = [row for row in looked.rows if row.verdict is Verdict.NOT_LOOKED_AT]
    assert {row.found for row in left_out} == {"nobody is there"}
    assert len(left_out) == sum(check.person for check in CHECKS)


def test_a_watchdog_that_is_slower_than_declared_is_at_fault() -> None:
    assert isinstance(SPEC.watchdog, WatchdogSpec)
    slow = dataclasses.replace(SPEC.watchdog, silence=0.9)

    looked = look(spec=dataclasses.replace(SPEC, watchdog=slow))

    row = looked.row("watchdog", "beats withheld")
    assert row.verdict is Verdict.FAULT
    assert row.found.startswith("gone after 9") and row.found.endswith("500 ms allowed")
    assert "slower than 'stop_within'" in row.fix


def test_a_line_that_holds_longer_than_declared_is_at_fault() -> None:
    assert SPEC.interlock is not None
    lock = dataclasses.replace(SPEC.interlock, watchdog_hold=0.1)

    row = look(spec=dataclasses.replace(SPEC, interlock=lock)).row("watchdog", "line no longer fed")

    assert (row.verdict, "holds longer than 'hold'" in row.fix) == (Verdict.FAULT, True)


def test_a_declared_capacitor_that_is_not_there_is_at_fault() -> None:
    assert SPEC.discharge is not None
    more = dataclasses.replace(SPEC.discharge, load_side=200e-6)

    row = look(spec=dataclasses.replace(SPEC, discharge=more)).row("discharge", "both sides discharged")

    assert (row.verdict, "faster than resistor and capacitor can" in row.found) == (Verdict.FAULT, True)


def test_strangers_and_overdue_instruments_are_named() -> None:
    spec = dataclasses.replace(
        SPEC,
        dialects={"load": Dialect("Maker,Model")},
        calibrations={"voltmeter": Calibration(due="2026-11-24"), "source": Calibration(due="2026-11-25")},
    )

    looked = look(spec=spec)

    assert looked.row("load", "asked").verdict is Verdict.FAULT
    assert "expects 'Maker,Model'" in looked.row("load", "asked").found
    assert looked.row("load", "output").found == "no answer from load"
    assert looked.row("voltmeter", "calibration").found == "was due on 2026-11-24"
    assert looked.row("source", "calibration").verdict is Verdict.OK


def test_what_the_error_queue_holds_is_told() -> None:
    from mocks.scpi import ScpiError, ScpiInstrument

    def complain(self: ScpiInstrument, *arguments: object) -> None:
        begin(self, *arguments)  # type: ignore[arg-type]
        self._report(ScpiError(-350))

    begin = ScpiInstrument.__init__
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(ScpiInstrument, "__init__", complain)
        looked = look()

    row = looked.row("source", "error queue")
    assert (row.verdict, row.found) == (Verdict.FAULT, '-350,"Queue overflow"')
    assert sum(row.done == "error queue read" for row in looked.rows) == len(SPEC.resources) - 2


@pytest.mark.parametrize("trouble", [KeyboardInterrupt, RuntimeError])
def test_whatever_ends_it_everything_is_switched_off(trouble: type[BaseException]) -> None:
    looked: list[Looked] = []

    def interrupt(bench: Opened) -> None:
        source = bench.instruments["source"]
        assert isinstance(source, PowerSupply)
        output, counted = source.output, []

        def third(on: bool) -> None:
            output(on)
            counted.append(on)
            if counted.count(True) == 3:
                standing = looked_at.standing()
                assert (standing["source"], standing["contactor"]) == (1, 1)
                raise trouble

        looked_at = Looked(bench)
        looked.append(looked_at)
        source.output = third  # type: ignore[method-assign]

    with pytest.raises(trouble):
        look(on_open=interrupt)

    looked[0].bench.clock.sleep_until(looked[0].bench.clock.now_ns() + 100_000_000)
    after = looked[0].standing()
    assert (after["source"], after["contactor"], after["enable"]) == (0, 0, 0)


def test_a_source_is_never_told_more_than_50_v() -> None:
    looked = look()
    source = looked.bench.instruments["source"]
    assert isinstance(source, PowerSupply)

    with pytest.raises(InstrumentError, match="range of 0 to 50: nothing was sent"):
        source.go(50.5)
    bank = looked.bench.instruments["bank"]
    assert isinstance(bank, PowerSupply)
    with pytest.raises(InstrumentError, match="nothing was sent"):
        bank.go(50.0)  # 2 mF: three times what is dead there are 42.4 V
    for role in ("load", "injector"):
        with pytest.raises(InstrumentError, match="range of 0 to 0: nothing was sent"):
            looked.bench.instruments[role].apply(1.0, 1.0, 1.0)  # type: ignore[attr-defined]


def test_a_bench_without_high_voltage_is_asked_for_what_it_has() -> None:
    names = ("source", "load", "interlock", "voltmeter", "isolation", "contactor", "discharge", "precharge", "watchdog")
    looked = look(spec=dataclasses.replace(SPEC, **dict.fromkeys(names)))

    assert exit_code(looked.rows) == 0
    assert not {row.role for row in looked.rows} & set(names)


def test_a_contactor_that_is_closed_when_it_ends_is_opened() -> None:
    opened_benches: list[Opened] = []

    def interrupt(bench: Opened) -> None:
        opened_benches.append(bench)
        lock = bench.instruments["interlock"]
        assert isinstance(lock, InterlockUnit)
        relay = lock.relay

        def closes(name: str, closed: bool) -> None:
            relay(name, closed)
            if (name, closed) == ("contactor", True):
                lock.relay = relay  # type: ignore[method-assign]
                raise KeyboardInterrupt

        lock.relay = closes  # type: ignore[method-assign]

    with pytest.raises(KeyboardInterrupt):
        look(on_open=interrupt)

    (bench,) = opened_benches
    bench.clock.sleep_until(bench.clock.now_ns() + 100_000_000)
    assert Looked(bench).standing()["contactor"] == 0


def test_without_a_precharge_relay_the_load_side_is_not_looked_at() -> None:
    assert SPEC.interlock is not None
    relays = {name: line for name, line in SPEC.interlock.relays.items() if name != "precharge"}
    lock = dataclasses.replace(SPEC.interlock, relays=relays)

    looked = look(spec=dataclasses.replace(SPEC, interlock=lock, precharge=None))

    assert exit_code(looked.rows) == 3
    left_out = [row.done for row in looked.rows if row.verdict is Verdict.NOT_LOOKED_AT]
    assert left_out == ["both sides charged to 50 V", "both sides discharged from 50 V"]
    assert "nothing charges the load side" in looked.row("voltmeter", "both sides charged").found
    assert looked.row("discharge", "both sides discharged").found.startswith("source side below")
