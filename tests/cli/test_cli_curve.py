import json
import math
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from harness.cli.curve import curve


def run(*arguments: str) -> Result:
    return CliRunner().invoke(curve, arguments, catch_exceptions=False)


def lines(*arguments: str) -> list[dict[str, object]]:
    done = run("--json", *arguments)
    assert done.exit_code == 0, done.stderr
    return [json.loads(line) for line in done.stdout.splitlines()]


def test_the_table() -> None:
    done = run("--from", "20A", "--to", "60 A", "--points", "8")

    assert done.exit_code == 0
    assert done.stderr == ""
    text = done.stdout
    assert "overload_pickup 27.5 A" in text
    assert "Start: cold" in text
    assert "from 27.13 A to 27.88 A" in text
    assert "Computed from set-points and declared accuracies; no measurement." in text
    rows = [line.split() for line in text.splitlines() if line.strip().startswith(("20 A", "60 A"))]
    # Worked by hand at 60 A: 60 ln(1/(1-(27.5/60)²)) = 14.149 s, and half the latency; 60.7/1.01 and 59.3/0.99 A.
    assert rows[0][:5] == ["20", "A", "-", "-", "-"]
    assert rows[1][:9] == ["60", "A", "13.65", "s", "14.16", "s", "14.7", "s", "overload"]


@pytest.mark.parametrize("arguments", [(), ("--from", "27.6A", "--to", "27.7A"), ("--start", "90%")])
def test_the_table_fits_eighty_columns(arguments: tuple[str, ...]) -> None:
    table = run(*arguments).stdout.split("\n\n")[0].splitlines()

    assert max(len(line) for line in table if not line.startswith("Set-points:")) <= 80


def test_bars_show_the_band_on_the_decades_of_the_heading() -> None:
    text = run("--from", "27.6A", "--to", "60A", "--points", "2").stdout
    heading = next(line for line in text.splitlines() if "Current" in line)
    zone, certain = (line for line in text.splitlines() if line.strip().startswith(("27.6 A", "60 A")))
    first = heading.index("10 s")

    # 60 A: nominal 14.16 s, so at 0.151 of the first of two decades: character round(0.0756 * 14) = 1 of 15.
    assert heading.rstrip().endswith("1,000 s")
    assert certain.index("|") - first == 1
    assert zone.rstrip().endswith(">")
    assert ">" not in certain


def test_a_bar_runs_from_earliest_to_latest() -> None:
    text = run("--from", "20A", "--to", "60A", "--points", "2", "--start", "90%", "--set", "overload_time_constant=2s")
    row = next(line for line in text.stdout.splitlines() if line.strip().startswith("60 A"))
    first = next(line for line in text.stdout.splitlines() if "Current" in line).index("0.01 s")

    # Worked by hand: tau ln((M² - 0.9)/(M² - 1)); on one decade from 10 ms, character round(14 log10(t/10 ms)).
    assert row.split()[2:8] == ["50.49", "ms", "64.99", "ms", "79.6", "ms"]
    assert row[first:].rstrip() == " " * 10 + "=|=="


def test_json_lines() -> None:
    *points, last = lines("--from", "20A", "--to", "60A", "--points", "3")
    nobody = dict.fromkeys(["short_circuit", "overcurrent", "junction", "overload"])

    assert [point["current_a"] for point in points] == pytest.approx([20.0, 34.64, 60.0])
    assert points[0] == {
        "current_a": 20.0,
        "duty": "must not operate",
        "function": None,
        "early_s": None,
        "nominal_s": None,
        "late_s": None,
        "nominal_by_function_s": nobody,
    }
    assert points[-1]["function"] == "overload"
    assert points[-1]["duty"] == "must operate"
    # Worked by hand: 1 % and 0.1 A on the current, 1 % on the timer, 0 to 25 ms of latency.
    nominal = 60 * -math.log(1 - (27.5 / 60) ** 2) + 0.0125
    assert points[-1]["early_s"] == pytest.approx(60 / 1.01 * -math.log(1 - (27.5 / 60.7) ** 2))
    assert points[-1]["nominal_s"] == pytest.approx(nominal)
    assert points[-1]["late_s"] == pytest.approx(60 / 0.99 * -math.log(1 - (27.5 / 59.3) ** 2) + 0.025)
    assert points[-1]["nominal_by_function_s"] == nobody | {"overload": pytest.approx(nominal)}
    summary = last["summary"]
    assert isinstance(summary, dict)
    assert summary["device"] == "heater"
    assert summary["mode"] is None
    assert summary["start"] == [0.0, 0.0]
    assert summary["set_points"]["overload_pickup"] == 27.5
    assert summary["pickup_zones_a"]["overload"] == pytest.approx([27.128713, 27.5, 27.878788], abs=1e-6)
    # Worked by hand: two switches of 40 mohm, 0.005 1/K, 1 K/W: loop gain 1 at 2/sqrt(0.04 * 0.005 * 1) A.
    assert summary["runaway_a"] == {"junction": pytest.approx(141.421356)}


def test_each_current_names_the_function_that_decides() -> None:
    *points, _ = lines("--from", "50A", "--to", "200A", "--points", "5")

    assert [point["function"] for point in points] == [
        "overload",
        "overload",
        "overcurrent",
        "overcurrent",
        "short_circuit",
    ]
    text = run("--from", "50A", "--to", "200A", "--points", "5").stdout
    for line in ("short_circuit: pickup 180 A", "overcurrent: pickup 90 A", "no steady temperature from 141.4 A"):
        assert line in text
    assert "switch_stuck" not in text
    assert next(line for line in text.splitlines() if line.strip().startswith("200 A")).split()[8] == "short_circuit"


def test_the_mode_chooses_the_curve() -> None:
    charge, *_, last = lines("pump", "--mode", "charge", "--from", "44A", "--points", "2")
    drive = lines("pump", "--from", "44A", "--points", "2")

    # Very inverse at twice the pickup of 22 A: 13.5 s, and half the latency.
    assert charge["nominal_s"] == pytest.approx(13.5 + 0.0125)
    assert isinstance(last["summary"], dict)
    assert last["summary"]["mode"] == "charge"
    assert drive[0]["nominal_s"] is None
    assert "mode charge, overload_pickup_drive 66 A" in run("pump", "--mode", "charge").stdout


def test_set_points_and_start_change_the_curve() -> None:
    first, _, _ = lines(
        "--set", "overload_pickup=20A", "--set", "overload_time_constant=600 s", "--start", "64%",
        "--from", "40A", "--to", "100A", "--points", "2",
    )  # fmt: skip

    # M = 2 after a load of 0.8: 67.9972 s (worked value of test_trip_memory), and half the latency.
    assert first["nominal_s"] == pytest.approx(67.9972 + 0.0125, abs=1e-4)


def test_default_range_is_from_below_pickup_to_the_end_of_the_measuring_range() -> None:
    *points, _ = lines("--points", "3")

    assert (points[0]["current_a"], points[-1]["current_a"]) == (22.0, 200.0)


def test_a_device_by_path(tmp_path: Path) -> None:
    shipped = Path(__file__).parents[2] / "testplans" / "devices"
    for name in ("heater.yaml", "heater.ldf"):
        (tmp_path / name).write_text((shipped / name).read_text())
    *_, last = lines(str(tmp_path / "heater.yaml"), "--points", "2")

    assert isinstance(last["summary"], dict)
    assert last["summary"]["device"] == "heater"


@pytest.mark.parametrize(("suffix", "magic"), [("svg", b"<?xml"), ("PNG", b"\x89PNG")])
def test_a_picture(tmp_path: Path, suffix: str, magic: bytes) -> None:
    file = tmp_path / f"curve.{suffix}"
    done = run("--json", "--points", "2", "--picture", str(file))

    assert done.exit_code == 0
    assert file.read_bytes().startswith(magic)
    assert all(json.loads(line) for line in done.stdout.splitlines())
    assert done.stderr == f"picture: {file}\n"


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["pump_of_nobody"], "no device 'pump_of_nobody'; there are heater"),
        (["no/such.yaml"], "no/such.yaml"),
        (["--set", "overload_pickup"], "--set overload_pickup: want NAME=VALUE"),
        (["--set", "pickup=20A"], "--set pickup=20A: want NAME=VALUE, with a NAME out of overload_pickup"),
        (["--set", "overload_pickup=20"], "--set overload_pickup: '20': want"),
        (["--set", "overload_pickup=20 s"], "--set overload_pickup: '20 s': want a unit out of A"),
        (["--set", "overload_pickup=33A"], "outside the set-point's limits, 5 A to 32 A"),
        (["--set", "overload_pickup=4.99A"], "outside the set-point's limits, 5 A to 32 A"),
        (["--set", "overload_pickup=20.005A"], "not a whole step of 0.01 A"),
        (["--set", "overload_pickup=20A", "--set", "overload_pickup=21A"], "overload_pickup is set twice"),
        (["--mode", "drive"], "--mode drive: this device has none"),
        (["pump", "--mode", "sleep"], "--mode sleep: want one of drive, charge"),
        (["--start", "warm"], "--start warm: want cold or a thermal level"),
        (["--start", "100%"], "--start 100%: want a thermal level from 0% to below 100%"),
        (["--start", "-1%"], "--start -1%: want a thermal level"),
        (["--from", "20"], "--from: '20': want"),
        (["--from", "0A"], "from 0 A to 200 A: want two currents above 0 A, lower one first"),
        (["--from", "50A", "--to", "40A"], "from 50 A to 40 A: want two currents"),
        (["--to", "1,5 A"], "--to: '1,5 A': want"),
        (["--to", "201A"], "--to 201A: above the measuring range of 200 A"),
        (["--picture", "curve.gif"], "--picture curve.gif: want a file that ends in .svg, .png, .pdf"),
        (["--picture", "curve"], "--picture curve: want a file that ends in"),
        (["--picture", "no/such/folder/curve.svg"], "no/such/folder/curve.svg: No such file or directory"),
    ],
)
@pytest.mark.parametrize("form", [[], ["--json"]])
def test_wrong_values_are_one_clear_line(form: list[str], arguments: list[str], message: str) -> None:
    done = run(*form, *arguments)

    assert done.exit_code == 2
    assert done.stdout == ""
    assert message in done.stderr
    assert done.stderr.count("\n") == 1


def test_a_broken_profile_lists_its_errors(tmp_path: Path) -> None:
    profile = tmp_path / "broken.yaml"
    profile.write_text("format: 1\nname: broken\ntitle: 5\n")
    done = run(str(profile))

    assert done.exit_code == 2
    assert done.stdout == ""
    assert f"{profile}:" in done.stderr
