"""What an instrument answers is taken for what it is, and no more: on a link that answers out of a table."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from harness.bench.bench import open_bench
from harness.bench.instrument import InstrumentError, IsolationMonitor, PowerSupply, Recorder, Trigger
from harness.bench.interlock import Voltmeter
from harness.bench.ranges import Range
from harness.bench.safety_spec import VoltmeterSpec
from harness.bench.simulated import SimulatedLink
from harness.bench.spec import load_bench, shipped_bench
from harness.clock import S
from harness.files.profile import load_device, shipped_device

NO_VALUES = ["9.91E37", "9.9E37", "-9.9E37", "9.91E+37", "+9.900000E+37", "nan", "inf", "-INF", "1e400"]
"""SCPI-99 volume 1, 7.2.1.4 and 7.2.1.5, and what a program may print in their place."""


class Table:
    """A link whose instrument answers out of ``answers`` and holds what is set."""

    def __init__(self) -> None:
        self.answers = {"*IDN?": "Maker,Model 7,12,1.0", "SYST:ERR?": '0,"No error"'}
        self.samples = np.zeros(3)
        self.most = 0
        self.said: list[str] = []
        self.on: Callable[[str], None] = lambda text: None  # what a message does beside

    def write(self, text: str) -> None:
        self.said.append(text)
        header, _, value = text.partition(" ")
        self.answers[f"{header}?"] = value
        self.on(text)

    def query(self, text: str) -> str:
        self.said.append(text)
        return self.answers[text]

    def query_block(self, text: str, most: int) -> bytes:
        self.said.append(text)
        self.most = most
        return self.samples.astype(">f4").tobytes()

    def close(self) -> None:
        pass


# Not a number, and the infinities


@pytest.mark.parametrize("answer", NO_VALUES)
def test_what_is_no_value_is_no_isolation_and_no_voltage(answer: str) -> None:
    """A monitor that cannot measure says 9.91E37, which is more than any resistance that is asked for."""
    table = Table()
    monitor, supply = IsolationMonitor("isolation", table), PowerSupply("source", table)
    meter = Voltmeter(table, VoltmeterSpec("", 1, 2, 0.0, 0.0))
    table.answers |= {"MEAS:RES?": answer, "MEAS:VOLT?": answer, "MEAS:VOLT? (@1,2)": f"0.1,{answer}"}

    with pytest.raises(InstrumentError, match=r"^isolation: 'MEAS:RES\?' was answered with .*, which is no value"):
        monitor.resistance()
    with pytest.raises(InstrumentError, match=r"^source: 'MEAS:VOLT\?'"):
        supply.voltage()
    with pytest.raises(InstrumentError, match=r"^voltmeter: .*, want 2 numbers"):
        meter.both()


def test_the_largest_value_that_is_one() -> None:
    table = Table()
    monitor = IsolationMonitor("isolation", table)
    table.answers["MEAS:RES?"] = "9.8E37"

    assert monitor.resistance() == 9.8e37


@pytest.mark.parametrize("sample", [9.91e37, 9.9e37, -9.9e37, np.nan, np.inf])
def test_samples_that_are_no_values_are_refused(sample: float) -> None:
    table = Table()
    recorder = Recorder("recorder", table, {"gate": 2})
    table.answers["STAT:OPER:COND?"] = "0"
    table.samples[1] = sample

    with pytest.raises(InstrumentError, match="channel 2 holds samples that are no numbers"):
        recorder.fetch("gate")


# A recorder that is told to begin

WAITING, MEASURING, OTHER = "32", "16", "16384"  # SCPI-99 volume 1, 20.1; bit 14 says that a program runs
TRIGGER = Trigger("gate", 2.5)


def recorder_that(after: str, before: str = "0", events: str = "0") -> tuple[Recorder, Table]:
    """One whose condition register holds ``before`` until INIT and ``after`` from then on."""
    table = Table()
    recorder = Recorder("recorder", table, {"gate": 2})
    table.answers |= {"STAT:OPER:COND?": before, "STAT:OPER:EVEN?": events}

    def on(text: str) -> None:
        if text == "INIT":
            table.answers["STAT:OPER:COND?"] = after

    table.on = on
    table.said.clear()
    return recorder, table


@pytest.mark.parametrize("state", ["0", OTHER])
def test_a_recorder_that_does_not_wait_for_its_trigger_is_the_benchs_fault(state: str) -> None:
    recorder, _ = recorder_that(after=state, events=WAITING)

    with pytest.raises(InstrumentError, match="recorder: does not wait for its trigger after INIT: see that"):
        recorder.arm(1e-3, 100, 10, TRIGGER)


@pytest.mark.parametrize("trigger", [None, TRIGGER])
def test_one_that_still_records_after_abort_is_not_told_to_begin(trigger: Trigger | None) -> None:
    recorder, table = recorder_that(before=WAITING, after=WAITING)

    with pytest.raises(InstrumentError, match="recorder: still records after ABOR: see who else uses it"):
        recorder.arm(1e-3, 100, 10, trigger)
    assert "INIT" not in table.said


@pytest.mark.parametrize(("trigger", "state"), [(TRIGGER, WAITING), (TRIGGER, MEASURING), (None, MEASURING)])
def test_one_that_began_is_not_asked_any_further(trigger: Trigger | None, state: str) -> None:
    recorder, table = recorder_that(after=state)

    recorder.arm(1e-3, 100, 10, trigger)
    assert "STAT:OPER:EVEN?" not in table.said


def test_a_record_that_is_over_before_anybody_asks_has_left_its_event() -> None:
    recorder, table = recorder_that(after="0", events=MEASURING)

    recorder.arm(1e-6, 10, 0, None)
    assert [text for text in table.said if text in ("*CLS", "INIT", "STAT:OPER:EVEN?")] == [
        *("*CLS", "INIT", "STAT:OPER:EVEN?")
    ]


def test_one_that_left_none_began_nothing() -> None:
    recorder, _ = recorder_that(after="0", events=OTHER)

    with pytest.raises(InstrumentError, match="recorder: began no recording after INIT: see that nobody else uses it"):
        recorder.arm(1e-6, 10, 0, None)


def test_no_more_samples_are_taken_than_were_asked_for_or_fit_into_its_memory() -> None:
    recorder, table = recorder_that(after=WAITING)
    recorder.arm(1e-3, 100, 10, TRIGGER, log=0.01)
    table.answers |= {"STAT:OPER:COND?": "0", "TRAC:LOG:TRIG?": "0.5"}

    recorder.fetch("gate")
    assert table.most == 400  # bytes: FORM REAL,32
    recorder.fetch_log("gate")
    assert table.most == 40_000_000
    recorder.ranges = {"SENS:SWE:POIN": Range(1.0, 1e6)}
    recorder.fetch_log("gate")
    assert table.most == 4_000_000


def test_the_simulated_bench_refuses_a_longer_block_too() -> None:
    bench = open_bench(load_bench(shipped_bench("simulated")), load_device(shipped_device("heater")))
    assert bench.recorder is not None
    bench.recorder.arm(1e-3, 50, 0, None)
    bench.idle(round(0.1 * S))

    with pytest.raises(InstrumentError, match=r"answered with 200 bytes, want 196 at most"):
        bench.recorder._link.query_block("TRAC:DATA? CHAN1", 196)
    assert len(bench.recorder._link.query_block("TRAC:DATA? CHAN1", 200)) == 200
    bench.close()


@pytest.mark.parametrize("trigger", [None, Trigger("supply", 5.0)])
def test_the_record_before_is_never_taken_for_the_new_one(
    trigger: Trigger | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On the simulated bench, whose recorder keeps what it has until it is told to begin."""
    bench = open_bench(load_bench(shipped_bench("simulated")), load_device(shipped_device("heater")))
    assert bench.recorder is not None
    bench.recorder.arm(1e-3, 50, 0, None)
    bench.idle(round(0.1 * S))
    assert bench.recorder.fetch("supply") is not None
    write = SimulatedLink.write
    monkeypatch.setattr(SimulatedLink, "write", lambda link, text: None if text == "INIT" else write(link, text))

    with pytest.raises(InstrumentError, match="after INIT"):
        bench.recorder.arm(1e-3, 50, 0, trigger)
    bench.close()
