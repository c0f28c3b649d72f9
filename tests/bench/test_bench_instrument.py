"""What an instrument answers is taken for what it is, and no more: on a link that answers out of a table."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from harness.bench.instrument import InstrumentError, IsolationMonitor, PowerSupply, Recorder
from harness.bench.interlock import Voltmeter
from harness.bench.safety_spec import VoltmeterSpec

NO_VALUES = ["9.91E37", "9.9E37", "-9.9E37", "9.91E+37", "+9.900000E+37", "nan", "inf", "-INF", "1e400"]
"""SCPI-99 volume 1, 7.2.1.4 and 7.2.1.5, and what a program may print in their place."""


class Table:
    """A link whose instrument answers out of ``answers`` and holds what is set."""

    def __init__(self) -> None:
        self.answers = {"*IDN?": "Maker,Model 7,12,1.0", "SYST:ERR?": '0,"No error"'}
        self.samples = np.zeros(3)
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

    def query_block(self, text: str) -> bytes:
        self.said.append(text)
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
