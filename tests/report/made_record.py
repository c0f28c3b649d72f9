"""A record with the shipped heater profile and results of every verdict, for tests of the report."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from harness.files.profile import device_files, load_device, shipped_device
from harness.record.journal import Journal
from harness.record.note import InstrumentNote, PlanNote, StepNote
from harness.record.result import Applied, Coverage, Exchange, Measurement, Result, Verdict, Waveform

MARK = "SIMULATED BENCH: no evidence about a real breaker"
HEATER = load_device(shipped_device("heater"))
WAVE = Waveform("gate", "V", 0.0, 0.1, np.arange(41, dtype=">f4").tobytes())


def a_trip(step: str, verdict: Verdict, time: float, **changes: object) -> Result:
    """An overload trip at 55 A from cold, with the limits that the heater's defaults give (16.4 s to 17.7 s)."""
    result = Result(
        *(f"plan/{step}", "plan", step, "expect_trip", "steps", "plan.yaml:3:5", verdict, ()),
        measurements=(Measurement("operate time", time, "s", 16.4, 17.7, 17.1),),
        coverage=Coverage.SECONDARY,
        function="overload",
        start_ns=0,
        end_ns=20_000_000_000,
        waveforms=(WAVE,),
        facts={"plateau": 55.0},
        device="heater",
        stimulus=Applied("inject", 55.0, "A", None, "cold"),
        set_points=HEATER.defaults(),
    )
    return replace(result, **changes)  # type: ignore[arg-type]


def a_question(step: str, kind: str, *exchanges: tuple[str, str | None], **changes: object) -> Result:
    """A step that only asks; ``exchanges`` in hexadecimal."""
    made = tuple(
        Exchange(0, bytes.fromhex(request), None if answer is None else bytes.fromhex(answer), "")
        for request, answer in exchanges
    )
    plain = a_trip(step, Verdict.PASS, 1.0, kind=kind, measurements=(), coverage=Coverage.NONE, function=None)
    return replace(plain, waveforms=(), stimulus=None, set_points=None, exchanges=made, **changes)  # type: ignore[arg-type]


def a_run(folder: Path, *results: Result, ended: bool = True) -> Path:
    """Record ``results`` of the heater as a run in ``folder``, with all that stands beside them."""
    journal = Journal(folder)
    journal.about(
        bench="bench one", started="2026-11-25T10:00:00+00:00", operator="A. Person", host="bench-pc", mark=MARK
    )
    for path, role in zip(device_files(shipped_device("heater")), ("profile", "ldf"), strict=True):
        journal.keep_input(path, role)  # type: ignore[arg-type]  # both are Roles
    journal.plan(PlanNote("plan", "A plan", "heater", None, "plan.yaml", (StepNote("a", "close", "steps", "p:1:1"),)))
    journal.instrument(InstrumentNote("injector", "TCPIP::1", "Maker,Injector,1,2", "2025-01-01", "2026-01-01"))
    journal.instrument(InstrumentNote("recorder", "TCPIP::2", "Maker,Recorder,1,2", "2026-01-01", "2027-01-01"))
    journal.identity(0, "heater", "start", {"serial_number": "0001", "application_version": "1.4.2"})
    journal.identity(9_000_000_000, "heater", "end", {"serial_number": "0001", "application_version": "1.4.1"})
    journal.begun(0, "heater", "plan", "a")
    journal.event(0, "set_point", {"name": "overload_pickup", "value": "20", "put_back": "55/2"})
    for result in results:
        journal.result(result)
    if ended:
        journal.about(ended="2026-11-25T11:00:00+00:00", exit_code="1")
    journal.close()
    return folder
