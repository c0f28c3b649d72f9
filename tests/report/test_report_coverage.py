"""The matrix of fault codes and the table of set-points, from exchanges in bytes."""

from __future__ import annotations

from pathlib import Path

from harness.record.reader import Record
from harness.record.result import Coverage, Verdict
from harness.report.coverage import ASPECTS, code_matrix, set_point_rows
from tests.report.made_record import HEATER, a_question, a_run, a_trip

DEVICES = {"heater": HEATER}
# 9A 01 19 is the heater's code overload (testplans/devices/heater.yaml); 2F a status with confirmed set (ISO 14229-1)
STORED = ("19 02 2F", "59 02 7F 9A 01 19 2F")
EMPTY = ("19 02 2F", "59 02 7F")


def verdicts(*results: object) -> dict[str, Verdict | None]:
    rows = {row.code: row for row in code_matrix(results, DEVICES)}  # type: ignore[arg-type]
    return {aspect: rows["overload"].cells[aspect].verdict for aspect in ASPECTS}


def test_a_whole_round_covers_every_column_but_the_forced_one() -> None:
    found = verdicts(
        a_trip("trip", Verdict.PASS, 17.0),
        a_question("codes", "check_codes", STORED),
        a_question("snapshot", "check_snapshot", ("19 04 9A 01 19 01", "59 04 9A 01 19 2F 01 00")),
        a_question("clear", "clear_codes", ("14 FF FF FF", "54"), EMPTY),
    )

    assert found == {
        "stimulated physically": Verdict.PASS,
        "forced by service": None,
        "reported": Verdict.PASS,
        "snapshot right": Verdict.PASS,
        "cleared": Verdict.PASS,
    }


def test_forcing_is_no_physical_stimulus() -> None:
    found = verdicts(a_trip("forced", Verdict.PASS, 17.0, coverage=Coverage.FORCED, kind="force"))

    assert (found["stimulated physically"], found["forced by service"]) == (None, Verdict.PASS)


def test_the_worst_of_several_counts_and_not_run_counts_for_nothing() -> None:
    rows = code_matrix(
        [a_trip("a", Verdict.PASS, 17.0), a_trip("b", Verdict.FAIL, 9.0), a_trip("c", Verdict.NOT_RUN, 9.0)], DEVICES
    )
    cell = next(row for row in rows if row.code == "overload").cells[ASPECTS[0]]

    assert (cell.verdict, cell.strongest, len(cell.steps)) == (Verdict.FAIL, "plan/b", 2)


def test_clearing_an_empty_memory_shows_nothing() -> None:
    assert verdicts(a_question("clear", "clear_codes", ("14 FF FF FF", "54"), EMPTY))["cleared"] is None


def test_a_refused_clearing_shows_nothing() -> None:
    refused = a_question("clear", "clear_codes", STORED, ("14 FF FF FF", "7F 14 22"))

    assert verdicts(refused)["cleared"] is None


def test_set_points_asked_read_back_and_enforced(tmp_path: Path) -> None:
    # record 0101 is the pickup in 10 mA: 07 D0 is 20 A, 0A BE 27.5 A (testplans/devices/heater.yaml)
    read = a_question("read", "read_set_points", ("22 01 01", "62 01 01 0A BE"))
    record = Record(a_run(tmp_path / "run", a_trip("trip", Verdict.FAIL, 9.0), read))

    rows = {row.name: row for row in set_point_rows(list(record.results()), record.events(), DEVICES)}

    pickup = rows["overload_pickup"]
    assert (pickup.asked, pickup.read_back, pickup.never_read) == (("20 A",), ("27.5 A",), ("20 A",))
    assert pickup.enforced == (("plan/trip", "27.5 A", Verdict.FAIL),)
    assert rows["silence_timeout"].enforced == ()
    record.close()
