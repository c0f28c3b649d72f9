"""What is carried over from step to step."""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest

from harness.clock import S
from harness.files.profile import load_device, shipped_device
from harness.record.journal import Journal
from harness.record.reader import Record
from harness.record.result import Coverage
from harness.run.ledger import LastTrip, Ledger
from harness.trip.trace import Segments
from protocol.protection import Parameter

DEVICE = load_device(shipped_device("heater"))


def test_level_cools_with_the_time_constant_that_was_in_force(tmp_path: Path) -> None:
    journal = Journal(tmp_path / "run")
    ledger = Ledger(DEVICE, journal)
    ledger.found({name: point.default for name, point in DEVICE.set_points.items()})  # 27.5 A, 60 s, cooling 120 s
    ledger.powered_up(0)
    ledger.current_begins(0)
    ledger.current_ended(600 * S, Segments.constant(27.5 / math.sqrt(2), 600.0))  # 0.5, for ten times 60 s

    ledger.ask(720 * S, "overload_cooling_time_constant", Fraction(2))  # after 120 s of cooling: 0.5 / e
    least, most = ledger.level("overload", 720 * S)
    journal.close()

    assert least < 0.5 / math.e < most
    assert most - least == pytest.approx(0.0, abs=0.02)


def test_what_only_bars_closing_is_no_trip_to_the_count(tmp_path: Path) -> None:
    pump = load_device(shipped_device("pump"))
    journal = Journal(tmp_path / "run")
    ledger = Ledger(pump, journal)
    for name in ("gate_rail", "supply_low", "silence"):  # supply_low blocks, the others trip
        function = pump.functions[name]
        ledger.tripped(function.cause, LastTrip(name, Coverage.SECONDARY, (0, 1), {}))
    journal.close()

    assert ledger.trips == 2
    assert set(ledger.latest_trips) == {"gate_rail_low", "supply_low", "silence"}
    assert ledger.latest_trips["silence"].number == 2


def test_level_cools_with_the_time_constant_of_the_mode_that_was_in_force(tmp_path: Path) -> None:
    by_mode = Parameter("overload_cooling_time_constant", None, {"charge": "overload_time_constant"})  # 120 s, 60 s
    overload = replace(DEVICE.functions["overload"], cooling_time_constant=by_mode)
    journal = Journal(tmp_path / "run")
    ledger = Ledger(replace(DEVICE, functions={**DEVICE.functions, "overload": overload}), journal)
    ledger.found({name: point.default for name, point in DEVICE.set_points.items()})
    ledger.powered_up(0)
    ledger.current_begins(0)
    ledger.current_ended(600 * S, Segments.constant(27.5 / math.sqrt(2), 600.0))  # 0.5, for ten times 60 s

    ledger.ask_mode(720 * S, "charge")  # after 120 s of cooling: 0.5 / e, and e times less in each further 60 s
    changed, later = ledger.level("overload", 720 * S), ledger.level("overload", 780 * S)
    journal.close()

    assert ledger.mode == "charge"
    assert changed[0] < 0.5 / math.e < changed[1]
    assert later[0] < 0.5 / math.e**2 < later[1]
    assert changed[1] - changed[0] == pytest.approx(0.0, abs=0.02)
    assert "mode" in {event.kind for event in Record(tmp_path / "run").events()}
