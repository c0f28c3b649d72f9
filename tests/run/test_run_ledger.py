"""What is carried over from step to step."""

from __future__ import annotations

import math
from fractions import Fraction
from pathlib import Path

import pytest

from harness.clock import S
from harness.files.profile import load_device, shipped_device
from harness.record.journal import Journal
from harness.record.result import Coverage
from harness.run.ledger import LastTrip, Ledger
from harness.trip.trace import Segments

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
