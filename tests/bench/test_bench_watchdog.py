"""When the watchdog acts: one list of vectors for the table, the simulated bench's clock event and the real process."""

from __future__ import annotations

import itertools
import json
import math
import os
import signal
import time
from collections.abc import Iterator, Mapping
from pathlib import Path

import pytest
from safety_rig import ServedBench, served_bench, wait

from harness.bench.bench import Bench, open_bench
from harness.bench.dialect import Dialect
from harness.bench.instrument import InstrumentError
from harness.bench.interlock import InterlockUnit
from harness.bench.simulated import SimulatedWatchdog
from harness.bench.spec import load_bench, shipped_bench
from harness.bench.visa import VisaLink
from harness.bench.watchdog import WatchdogProcess, start_watchdog
from harness.bench.watchdog_acts import LOG_NAME, Act, Orders, acts
from harness.bench.watchdog_table import FEEDS, TRANSITIONS, Event, State, Watch
from harness.clock import MS, S, WallClock
from harness.files.profile import load_device, shipped_device
from harness.record.journal import Journal
from harness.record.reader import Record

SILENCE_NS = 200 * MS

# What happens, one after the other -> where that leads. By the table's own rules: it is guarded from GUARD_ON to
# GUARD_OFF; whatever else happens in between makes it act; what has acted stays so.
VECTORS: list[tuple[tuple[Event, ...], State]] = [
    ((), State.IDLE),
    ((Event.GUARD_ON,), State.GUARDING),
    ((Event.GUARD_ON, Event.GUARD_OFF), State.IDLE),
    ((Event.GUARD_ON, Event.GUARD_OFF, Event.GUARD_ON), State.GUARDING),
    ((Event.INTERLOCK_OPEN,), State.IDLE),
    ((Event.SILENCE,), State.IDLE),
    ((Event.GUARD_ON, Event.SILENCE), State.ACTED),
    ((Event.GUARD_ON, Event.INTERLOCK_OPEN), State.ACTED),
    ((Event.GUARD_ON, Event.LINK_LOST), State.ACTED),
    ((Event.GUARD_ON, Event.STOP), State.ACTED),
    ((Event.GUARD_ON, Event.RELEASED), State.ACTED),
    ((Event.GUARD_ON, Event.SILENCE, Event.GUARD_ON), State.ACTED),
]
REAL = [vector for vector in VECTORS if vector[0] != (Event.GUARD_ON, Event.GUARD_OFF, Event.GUARD_ON)]
CHANNELS = ["DOOR1 OPEN", "DOOR2 OPEN", "STOP1 PRESS", "STOP2 PRESS"]
NAMES = ["-".join(event.name.lower() for event in events) or "nothing" for events, _ in VECTORS]


def test_the_table_is_total_and_nothing_leads_out_of_acted() -> None:
    assert set(TRANSITIONS) == set(State) == set(FEEDS)
    assert all(set(row) == set(Event) for row in TRANSITIONS.values())
    assert set(TRANSITIONS[State.ACTED].values()) == {State.ACTED}
    assert [state for state in State if FEEDS[state]] == [State.GUARDING]


def test_every_course_of_four_events_keeps_the_rules() -> None:
    for course in itertools.product(Event, repeat=4):
        watch, guarded, acted = Watch(SILENCE_NS), False, False
        for event in course:
            acted |= guarded and event not in (Event.GUARD_ON, Event.GUARD_OFF)
            acted |= event in (Event.LINK_LOST, Event.STOP)
            guarded = not acted and (event is Event.GUARD_ON or (guarded and event is not Event.GUARD_OFF))
            watch.handle(event)

            assert (watch.state is State.ACTED, watch.feeds) == (acted, guarded), course


def test_silence_counts_from_the_last_beat_and_only_while_guarding() -> None:
    watch = Watch(SILENCE_NS)
    assert watch.look(10 * S, closed=True) is State.IDLE
    watch.guard(True, 10 * S)
    watch.heard(11 * S)

    assert watch.look(11 * S + SILENCE_NS, closed=True) is State.GUARDING
    assert watch.look(11 * S + SILENCE_NS + 1, closed=True) is State.ACTED
    assert watch.reason is Event.SILENCE


class OnTheClock:
    """The simulated bench's."""

    def __init__(self, folder: Path, opening: str = CHANNELS[0]) -> None:
        self.folder = folder
        self.opening = opening
        self.bench: Bench = open_bench(load_bench(shipped_bench("simulated")), load_device(shipped_device("heater")))
        dog = self.bench.start_watchdog(folder)
        assert isinstance(dog, SimulatedWatchdog)
        self.dog = dog
        self.world = dog._world

    def happens(self, event: Event) -> None:
        match event:
            case Event.GUARD_ON:
                self.dog.hung = False
                self.dog.guard(True)
                energise(self.bench.interlock, self.bench.source)
            case Event.GUARD_OFF:
                self.dog.guard(False)
            case Event.SILENCE:
                self.dog.hung = True
            case Event.INTERLOCK_OPEN:
                self.world.bench.panel.handle(self.opening)
            case Event.LINK_LOST | Event.STOP:
                self.dog.happened(event)
            case Event.RELEASED:
                self.dog.close()
        self.bench.clock.sleep_until(self.bench.clock.now_ns() + 3 * S)  # its looks are a second apart

    def state(self) -> State:
        return self.dog._watch.state

    def reason(self) -> str | None:
        return self.dog._watch.reason.value if self.dog._watch.reason else None

    def outputs(self) -> tuple[bool, bool]:
        return self.world.wiring.source_on, self.world.wiring.contactor


class Apart:
    """The real process, on a served bench."""

    def __init__(self, served: ServedBench, folder: Path, opening: str = CHANNELS[0]) -> None:
        self.folder = folder
        self.opening = opening
        self.served = served
        self.spec = load_bench(served.file)
        spec, self.clock = self.spec, WallClock()
        assert spec.interlock is not None and spec.contactor is not None and spec.watchdog is not None
        self.interlock = InterlockUnit(VisaLink(spec.interlock.resource), spec.interlock)
        assert spec.source is not None
        self.source = VisaLink(spec.source.resource)
        self.dog: WatchdogProcess = start_watchdog(spec.interlock, spec.contactor, spec.watchdog, folder, self.clock)

    def happens(self, event: Event) -> None:
        match event:
            case Event.GUARD_ON:
                self.dog.guard(True)
                energise(self.interlock, self.source)
            case Event.GUARD_OFF:
                self.dog.guard(False)
            case Event.SILENCE:
                time.sleep(3 * SILENCE_NS / S)  # past the clock, so nothing beats
                return
            case Event.INTERLOCK_OPEN:
                self.served.panel.do(self.opening)
            case Event.LINK_LOST:
                self.dog._in.close()
            case Event.STOP:
                os.kill(self.dog._process.pid, signal.SIGTERM)
            case Event.RELEASED:
                self.dog.close()
        self.clock.sleep_until(self.clock.now_ns() + 100 * MS)

    def notes(self) -> list[Mapping[str, object]]:
        """What it wrote, beside its acts."""
        path = self.folder / LOG_NAME
        lines = [json.loads(line) for line in path.read_text().splitlines()] if path.exists() else []
        return [line for line in lines if line["event"] != "act"]

    def state(self) -> State:
        return State(self.notes()[-1]["event"]) if self.notes() else State.IDLE

    def reason(self) -> str | None:
        found = [str(note["reason"]) for note in self.notes() if note["event"] == "acted"]
        return found[0] if found else None

    def outputs(self) -> tuple[bool, bool]:
        standing = self.served.panel.standing()
        return standing.source, standing.contactor

    def end(self) -> None:
        self.dog.close()
        for line in ("DOOR CLOSE", "STOP RELEASE"):
            self.served.panel.do(line)
        self.interlock.relay("contactor", False)
        self.source.close()
        self.interlock.close()


def why(events: tuple[Event, ...], state: State) -> str | None:
    """The reason it must give: every vector here that acts does so at the event after the guard came on."""
    return events[1].value if state is State.ACTED else None


def energise(interlock: InterlockUnit | None, source: object) -> None:
    """Contactor and source on, as far as the hardware lets them."""
    assert interlock is not None
    interlock.relay("contactor", True)
    link = getattr(source, "_link", source)
    for text in ("SOUR:VOLT 700", "SOUR:CURR 10", "OUTP ON"):
        link.write(text)


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ServedBench]:
    with served_bench(tmp_path_factory.mktemp("served")) as bench:
        yield bench


@pytest.mark.parametrize(("events", "state"), VECTORS, ids=NAMES)
def test_the_table(events: tuple[Event, ...], state: State) -> None:
    watch = Watch(SILENCE_NS)
    for event in events:
        watch.handle(event)

    assert watch.state is state


@pytest.mark.parametrize(("events", "state"), VECTORS, ids=NAMES)
def test_the_clock_event_of_the_simulated_bench(tmp_path: Path, events: tuple[Event, ...], state: State) -> None:
    subject = OnTheClock(tmp_path)
    for event in events:
        subject.happens(event)

    assert (subject.state(), subject.reason()) == (state, why(events, state))
    assert subject.outputs() == expected(events, state)


@pytest.mark.parametrize(("events", "state"), REAL, ids=[NAMES[VECTORS.index(vector)] for vector in REAL])
def test_the_process(tmp_path: Path, served: ServedBench, events: tuple[Event, ...], state: State) -> None:
    subject = Apart(served, tmp_path)
    try:
        for event in events:
            subject.happens(event)

        if state is State.ACTED:
            wait(lambda: subject.outputs() == expected(events, state), "source and contactor off", 5.0)
        assert (subject.state(), subject.reason()) == (state, why(events, state))
        assert subject.outputs() == expected(events, state)
    finally:
        subject.end()


@pytest.mark.parametrize("channel", CHANNELS)
def test_the_clock_event_sees_each_channel_of_the_interlock_by_itself(tmp_path: Path, channel: str) -> None:
    subject = OnTheClock(tmp_path, channel)
    for event in (Event.GUARD_ON, Event.INTERLOCK_OPEN):
        subject.happens(event)

    assert (subject.state(), subject.reason()) == (State.ACTED, Event.INTERLOCK_OPEN.value)
    assert subject.outputs() == (False, False)


@pytest.mark.parametrize("channel", CHANNELS)
def test_the_process_sees_each_channel_of_the_interlock_by_itself(
    tmp_path: Path, served: ServedBench, channel: str
) -> None:
    subject = Apart(served, tmp_path, channel)
    try:
        for event in (Event.GUARD_ON, Event.INTERLOCK_OPEN):
            subject.happens(event)

        wait(lambda: subject.outputs() == (False, False), "source and contactor off", 5.0)
        assert (subject.state(), subject.reason()) == (State.ACTED, Event.INTERLOCK_OPEN.value)
    finally:
        subject.end()


def expected(events: tuple[Event, ...], state: State) -> tuple[bool, bool]:
    """Source and contactor. Who closes the contactor anew after all has no source; idle does not open it."""
    return state is State.GUARDING, Event.GUARD_ON in events if state is not State.ACTED else events[
        -1
    ] is Event.GUARD_ON


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGSTOP])
def test_without_the_watchdog_the_line_falls_and_takes_the_source_with_it(
    tmp_path: Path, served: ServedBench, number: signal.Signals
) -> None:
    subject = Apart(served, tmp_path)
    try:
        subject.happens(Event.GUARD_ON)
        assert subject.dog.alive()
        os.kill(subject.dog._process.pid, number)
        wait(lambda: not subject.outputs()[0], "source off", 5.0)
        wait(lambda: not subject.dog.alive(), "the harness notices", 5.0)
    finally:
        os.kill(subject.dog._process.pid, signal.SIGKILL)
        subject.end()


def test_signals_of_the_terminal_leave_it_watching(tmp_path: Path, served: ServedBench) -> None:
    subject = Apart(served, tmp_path)
    try:
        subject.happens(Event.GUARD_ON)
        for number in (signal.SIGINT, signal.SIGHUP):
            os.kill(subject.dog._process.pid, number)
        subject.clock.sleep_until(subject.clock.now_ns() + 300 * MS)

        assert subject.dog.alive()
        assert subject.outputs() == (True, True)
        assert os.getsid(subject.dog._process.pid) != os.getsid(0)
    finally:
        subject.end()


# What it does when it acts


class FakeLink:
    """An instrument in a row of texts; a text in ``dead`` gets no answer."""

    def __init__(self, currents: list[float], dead: tuple[str, ...] = ()) -> None:
        self.said: list[str] = []
        self.closed = {5: True, 1: True, 2: False}
        self._currents, self._dead = currents, dead

    def write(self, text: str) -> None:
        self._alive(text)
        verb, _, line = text.partition(" (@")
        if verb.startswith("ROUT"):
            self.closed[int(line[:-1])] = verb == "ROUT:CLOS"

    def query(self, text: str) -> str:
        self._alive(text)
        if text == "MEAS:CURR?":
            return str(self._currents.pop(0) if len(self._currents) > 1 else self._currents[0])
        return "0" if text == "OUTP?" else str(int(self.closed[int(text.partition("(@")[2][:-1])]))

    def query_block(self, text: str, most: int) -> bytes:
        raise AssertionError(text)

    def close(self) -> None: ...

    def _alive(self, text: str) -> None:
        self.said.append(text)
        if text.startswith(self._dead):
            raise InstrumentError(f"no answer to {text}")


def carried_out(interlock: FakeLink, source: FakeLink) -> tuple[list[Act], int]:
    """Acts, and how often it waited; each wait is 5 ms of the clock that it is given."""
    orders = Orders(watchdog_relay=5, contactor_relay=1, discharge_relay=2, breaking_current=20.0, maximum_wait=0.1)
    waits: list[None] = []
    done = []
    for act in acts(interlock, source, orders, lambda: len(waits) * 5 * MS):
        if act is None:
            waits.append(act)
        else:
            done.append(act)
    return done, len(waits)


def test_the_contactor_opens_once_the_current_is_below_what_it_may_break() -> None:
    interlock, source = FakeLink([]), FakeLink([90.0, 40.0, 20.0, 19.5])
    done, waits = carried_out(interlock, source)

    assert [act.name for act in done] == ["hardware line let go", "source off", "contactor open", "discharge on"]
    assert (done[2].note, waits) == ("at 19.5 A", 3)
    assert interlock.closed == {5: False, 1: False, 2: True}
    assert all(act.problem is None for act in done)


def test_a_current_that_does_not_fall_is_waited_for_no_longer_than_declared() -> None:
    done, waits = carried_out(FakeLink([]), FakeLink([90.0]))

    assert (done[2].note, waits) == ("at 90.0 A: the longest wait of 0.1 s was over", 20)


@pytest.mark.parametrize("answer", [math.nan, 9.91e37, -9.9e37])  # SCPI-99 volume 1, 7.2.1.4 and 7.2.1.5
def test_an_answer_that_is_no_number_is_no_small_current(answer: float) -> None:
    done, waits = carried_out(FakeLink([]), FakeLink([answer]))

    assert (done[2].note, waits) == ("at an unknown current: the longest wait of 0.1 s was over", 20)


@pytest.mark.parametrize("dead", ["ROUT:OPEN (@5)", "OUTP", "MEAS", "ROUT:OPEN (@1)", "ROUT"])
def test_what_fails_keeps_nothing_else_from_being_tried(dead: str) -> None:
    interlock, source = FakeLink([], (dead,)), FakeLink([0.0], (dead,))
    done, _ = carried_out(interlock, source)

    assert len(done) == 4
    tried = [text for text in interlock.said + source.said if not text.endswith("?") and "?" not in text]
    assert tried == ["ROUT:OPEN (@5)", "ROUT:OPEN (@1)", "ROUT:CLOS (@2)", "OUTP OFF"]


# What it wrote


def test_the_record_tells_what_it_did_and_leaves_a_cut_line_out(tmp_path: Path) -> None:
    Journal(tmp_path / "run").close()
    whole = {"at_ns": 7, "event": "act", "action": "source off", "problem": None, "note": None}
    (tmp_path / "run" / "watchdog.jsonl").write_text(json.dumps(whole) + "\n" + '{"at_ns": 8, "ev')
    record = Record(tmp_path / "run")
    try:
        (event,) = record.watchdog()
    finally:
        record.close()

    assert (event.at_ns, event.kind, event.detail["action"]) == (7, "watchdog", "source off")


def test_a_run_that_nobody_watched_has_nothing_to_tell(tmp_path: Path) -> None:
    Journal(tmp_path / "run").close()
    record = Record(tmp_path / "run")
    found: list[object] = list(record.watchdog())
    record.close()

    assert found == []


# What the clock gives


def test_whoever_waits_on_the_clock_beats() -> None:
    clock, beats = WallClock(), []
    clock.beat_every(5 * MS, lambda: beats.append(clock._due_ns))
    clock.sleep_until(clock.now_ns() + 60 * MS)
    number = len(beats)
    clock.beat_every(0, None)
    clock.sleep_until(clock.now_ns() + 30 * MS)

    assert 2 <= number <= 13  # 60 ms in naps of 20 ms at most, then a spin
    assert len(beats) == number


# Its links speak as the harness's do


def test_it_speaks_to_interlock_and_source_in_their_own_words(tmp_path: Path, served: ServedBench) -> None:
    """The served source knows the long forms too; that they are really used, the next test shows."""
    spec = load_bench(served.file)
    assert spec.interlock is not None and spec.contactor is not None and spec.watchdog is not None
    strange = {"source": Dialect("Simulated,source", {"OUTP": "OUTPUT:STATE", "MEAS:CURR": "MEASURE:CURRENT"})}
    clock = WallClock()

    dog = start_watchdog(spec.interlock, spec.contactor, spec.watchdog, tmp_path, clock, strange)
    dog.guard(True)
    alive = dog.alive()
    dog.close()

    lines = [json.loads(line) for line in (tmp_path / LOG_NAME).read_text().splitlines()]
    off = next(line for line in lines if line.get("action") == "source off")
    assert alive
    assert off["problem"] is None


@pytest.mark.parametrize(
    ("dialect", "why"),
    [
        (Dialect("Maker,Model"), "expects 'Maker,Model'"),
        (Dialect(verbs={"OUTP": "BOGUS"}), ""),
    ],
)
def test_a_stranger_or_words_that_nobody_knows_are_found_before_anything_is_on(
    tmp_path: Path, served: ServedBench, dialect: Dialect, why: str
) -> None:
    spec = load_bench(served.file)
    assert spec.interlock is not None and spec.contactor is not None and spec.watchdog is not None

    if dialect.identity:
        with pytest.raises(InstrumentError, match=why):
            start_watchdog(spec.interlock, spec.contactor, spec.watchdog, tmp_path, WallClock(), {"source": dialect})
        return
    dog = start_watchdog(spec.interlock, spec.contactor, spec.watchdog, tmp_path, WallClock(), {"source": dialect})
    dog.guard(True)
    wait(lambda: not dog.alive(), "the watchdog finds that its question is not understood", 5.0)
    dog.close()
