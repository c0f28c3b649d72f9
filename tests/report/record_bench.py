"""Records for tests: what a run would leave, without the run."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

from harness.record.journal import Journal
from harness.record.note import InstrumentNote
from harness.record.result import Applied, Coverage, Measurement, Result, Verdict

TIMED = Result(
    *("overload/cold", "overload", "cold", "expect_trip", "steps", "overload.yaml:3:5", Verdict.PASS, ()),
    measurements=(Measurement("operate time", 1.2, "s", 1.0, 2.0, 1.4, 0.01, 0.01),),
    coverage=Coverage.SECONDARY,
    function="overload",
    start_ns=0,
    end_ns=1,
    device="heater",
    stimulus=Applied("inject", 30.0, "A", None, "cold"),
    set_points={"overload_pickup": 20.0},
)
CODES = replace(
    TIMED,
    id="overload/codes",
    step="codes",
    kind="check_codes",
    measurements=(),
    coverage=Coverage.NONE,
    function=None,
    stimulus=None,
    set_points=None,
    facts={"codes": {"overload": ["confirmed"]}},
)
INSTRUMENT = InstrumentNote("recorder", "TCPIP::127.0.0.1::1::SOCKET", "Imaginary,R1,7,1", "2026-01-31", "2027-01-31")


def timed(value: float | None) -> Result:
    """The timed step with another value."""
    return replace(TIMED, measurements=(replace(TIMED.measurements[0], value=value),))


def write(
    folder: Path,
    results: Iterable[Result] = (TIMED, CODES),
    *,
    serial: str = "S1",
    version: str = "1.0",
    instrument: InstrumentNote = INSTRUMENT,
    ambient: float = 25.0,
    mark: str = "",
    ended: bool = True,
    started: str = "2026-02-01T08:00:00+00:00",
    bench_file: str = "name: bench",
) -> Path:
    """A record in ``folder``, which is returned."""
    journal = Journal(folder)
    bench = folder / "bench.yaml"
    bench.write_text(bench_file)
    journal.keep_input(bench, "bench")
    journal.about(started=started, bench="bench", simulated="yes" if mark else "no", mark=mark, bench_s="12.5")
    journal.instrument(instrument)
    journal.identity(0, "heater", "start", {"serial_number": serial, "application_version": version})
    journal.event(0, "ambient", {"device": "heater", "value": ambient})
    for result in results:
        journal.result(result)
    if ended:
        journal.about(ended="2026-02-01T08:01:00+00:00", exit_code="0")
    journal.close()
    return folder
