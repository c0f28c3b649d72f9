"""Every quantity on the simulated bench, the watch after each step, preconditions: what a defect changes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from harness.bench.bench import Bench, open_bench
from harness.bench.simulated import SimulatedLink
from harness.bench.spec import load_bench, shipped_bench
from harness.files.profile import load_device, shipped_device
from harness.plan.plan import Plan, PlanStep, load_plan
from harness.record.journal import Journal
from harness.record.result import Result, Verdict
from harness.run.ending import Ending
from harness.run.engine import Engine
from mocks.firmware.sensor import SensorCheck
from mocks.firmware.threshold import Threshold

DEVICE = load_device(shipped_device("heater"))
HEAD = """
format: 1
name: short
title: One stimulus
device: heater
steps:
  - power_cycle: {duration: 200 ms}
  - clear_codes
"""
CLEAN_UP = """
clean_up:
  - open
  - clear_codes
"""


class Nobody:
    def __init__(self, act: Callable[[PlanStep], None] | None = None) -> None:
        self._act = act

    def started(self, plan: Plan, step: PlanStep) -> None:
        if self._act:
            self._act(step)

    def finished(self, result: Result) -> None:
        pass


@pytest.fixture
def bench() -> Bench:
    return open_bench(load_bench(shipped_bench("simulated")), DEVICE)


def run(folder: Path, bench: Bench, text: str, act: Callable[[PlanStep], None] | None = None) -> Ending:
    path = folder / "short.yaml"
    path.write_text(text)
    journal = Journal(folder / "run")
    ending = Engine(DEVICE, bench, journal, Nobody(act)).run([load_plan(path)])
    journal.close()
    return ending


def result(ending: Ending, step: str) -> Result:
    return next(each for each in ending.results if each.step == step)


LEAP = "{name: it, heat_sink: 45 degC, slew: 100000 K/s, duration: 10 s}"  # 20 K at once
STIMULI = {
    "supply under": "{name: it, supply: 8 V, function: supply_low}",
    "supply over": "{name: it, supply: 18 V, function: supply_high}",
    "bus over": "{name: it, bus: 900 V, function: bus_high}",
    "gate rail under": "{name: it, gate_rail: 12 V, function: gate_rail}",
    "heat sink over": "{name: it, heat_sink: 100 degC, slew: 20 K/s, function: heat_sink}",
    "thermistor open": "{name: it, heat_sink: open, function: heat_sink_sensor}",
    "thermistor jumping": "{name: it, heat_sink: 90 degC, slew: 100000 K/s, function: heat_sink_sensor}",
    "thermistor short": "{name: it, heat_sink: short, function: heat_sink_sensor}",
    "definite time": "{name: it, inject: 120 A, function: overcurrent}",
    "comparator": "{name: it, inject: 195 A, function: short_circuit}",
    "pulses": "{name: it, inject: 120 A, pulses: {on: 200 ms, off: 50 ms, count: 3}, function: overcurrent}",
}


@pytest.mark.parametrize("stimulus", STIMULI.values(), ids=STIMULI.keys())
def test_every_quantity_makes_its_function_operate_inside_its_band(tmp_path: Path, bench: Bench, stimulus: str) -> None:
    ending = run(tmp_path, bench, f"{HEAD}  - close\n  - expect_trip: {stimulus}\n{CLEAN_UP}")

    assert {each.step: each.reasons for each in ending.results if each.verdict is not Verdict.PASS} == {}
    (time,) = result(ending, "it").measurements
    assert time.value is not None and time.high is not None
    assert (time.low or 0) <= time.value <= time.high


def test_a_current_through_an_open_switch_is_timed_by_the_status_frame(tmp_path: Path, bench: Bench) -> None:
    text = f"{HEAD}  - expect_trip: {{name: it, inject: 5 A, switch: open, function: switch_stuck}}\n{CLEAN_UP}"
    ending = run(tmp_path, bench, text)

    assert result(ending, "it").verdict is Verdict.PASS
    (time,) = result(ending, "it").measurements
    assert time.value == pytest.approx(0.3125, abs=0.03)  # the profile's 300 ms, half of its latency


def test_a_late_definite_time_is_found(tmp_path: Path, bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    adopt = Threshold.adopt

    def late(self: Threshold, *arguments: object) -> None:
        adopt(self, *arguments)  # type: ignore[arg-type]
        self._delay_us = self._delay_us * 3 // 2

    monkeypatch.setattr(Threshold, "adopt", late)
    ending = run(tmp_path, bench, f"{HEAD}  - close\n  - expect_trip: {STIMULI['bus over']}\n{CLEAN_UP}")

    assert result(ending, "it").verdict is Verdict.FAIL
    assert "too late" in result(ending, "it").reasons[0]


@pytest.mark.parametrize(("share", "step"), [(3, STIMULI["thermistor jumping"]), (0.5, LEAP)])
def test_a_wrong_limit_of_a_jump_is_found(
    tmp_path: Path, bench: Bench, monkeypatch: pytest.MonkeyPatch, share: float, step: str
) -> None:
    sample = SensorCheck.sample

    def wrong(self: SensorCheck, reading: int) -> None:
        kept = self.calibration
        self.calibration = replace(kept, step=round(kept.step * share))
        sample(self, reading)
        self.calibration = kept

    plan = f"{HEAD}  - close\n  - {'expect_no_trip' if step is LEAP else 'expect_trip'}: {step}\n{CLEAN_UP}"
    assert result(run(tmp_path, bench, plan), "it").verdict is Verdict.PASS
    monkeypatch.setattr(SensorCheck, "sample", wrong)
    (tmp_path / "wrong").mkdir()
    assert result(run(tmp_path / "wrong", bench, plan), "it").verdict is Verdict.FAIL


def test_a_quantity_is_healthy_again_after_its_step(tmp_path: Path, bench: Bench) -> None:
    text = f"{HEAD}  - close\n  - expect_trip: {STIMULI['supply under']}\n  - read_live: {{name: volts, values: {{supply_voltage: [13.2 V, 13.8 V]}}}}\n{CLEAN_UP}"  # noqa: E501
    assert result(run(tmp_path, bench, text), "volts").verdict is Verdict.PASS


def test_closing_onto_a_condition_counts_from_the_closing(tmp_path: Path, bench: Bench) -> None:
    text = f"{HEAD}  - expect_trip: {{name: it, bus: 900 V, closing: true, function: bus_high}}\n{CLEAN_UP}"
    ending = run(tmp_path, bench, text)

    assert result(ending, "it").verdict is Verdict.PASS
    (time,) = result(ending, "it").measurements
    assert time.value == pytest.approx(0.0625, abs=0.02)  # 50 ms and half of the latency


def test_the_watch_finds_a_switch_that_opens_by_itself(tmp_path: Path, bench: Bench) -> None:
    def open_it(step: PlanStep) -> None:
        if step.name == "quiet":
            bench.master.send_command("open")

    ending = run(tmp_path, bench, f"{HEAD}  - close\n  - wait: {{name: quiet, duration: 1 s}}\n{CLEAN_UP}", open_it)

    assert result(ending, "quiet").verdict is Verdict.FAIL
    assert "after the step: switch went from closed to open" in result(ending, "quiet").reasons


def test_the_watch_finds_a_reset_by_what_the_codes_say_of_the_cycle(tmp_path: Path, bench: Bench) -> None:
    def restart(step: PlanStep) -> None:
        if step.name == "quiet":
            bench.supply_12v.off()
            bench.idle(300_000_000)
            bench.supply_12v.output(True)

    text = f"{HEAD}  - close\n  - expect_trip: {STIMULI['bus over']}\n  - open\n  - wait: {{name: quiet, duration: 1 s}}\n{CLEAN_UP}"  # noqa: E501
    ending = run(tmp_path, bench, text, restart)

    assert result(ending, "quiet").verdict is Verdict.FAIL
    assert any("new operation cycle" in reason for reason in result(ending, "quiet").reasons)


def test_the_plans_end_finds_a_set_point_that_changed_behind_its_back(tmp_path: Path, bench: Bench) -> None:
    def write(step: PlanStep) -> None:
        if step.name == "quiet":
            did = DEVICE.set_points["bus_delay"].did
            bench.diagnostics.open_session(DEVICE.write_session)
            bench.diagnostics.write_group(did, {"bus_delay": DEVICE.set_points["bus_delay"].minimum})

    ending = run(tmp_path, bench, f"{HEAD}  - wait: {{name: quiet, duration: 1 s}}\n{CLEAN_UP}", write)

    last = ending.results[-1]
    assert last.verdict is Verdict.FAIL
    assert any("after the plan: bus_delay reads back" in reason for reason in last.reasons)


HOLD = "  - close\n  - expect_no_trip: {{name: it, inject: {current}, duration: {duration}, bits: {{pickup: {bit}}}}}\n"


@pytest.mark.parametrize(
    ("current", "bit", "verdict"),
    [  # pickup 27.5 A as delivered, zone 27.1 to 27.9 A
        ("26 A", "false", Verdict.PASS),
        ("30 A", "true", Verdict.PASS),
        ("26 A", "true", Verdict.FAIL),
        ("30 A", "false", Verdict.FAIL),
    ],
)
def test_status_bits_are_looked_at_while_the_stimulus_is_there(
    tmp_path: Path, bench: Bench, current: str, bit: str, verdict: Verdict
) -> None:
    ending = run(tmp_path, bench, HEAD + HOLD.format(current=current, duration="1 s", bit=bit) + CLEAN_UP)

    assert result(ending, "it").verdict is verdict


def test_a_stimulus_too_short_to_look_at_says_nothing_about_bits(tmp_path: Path, bench: Bench) -> None:
    ending = run(tmp_path, bench, HEAD + HOLD.format(current="30 A", duration="2 ms", bit="true") + CLEAN_UP)

    assert result(ending, "it").verdict is Verdict.ERROR
    assert "make the stimulus longer" in result(ending, "it").reasons[0]


def test_a_precondition_that_fails_keeps_the_steps_from_being_run_and_not_the_clean_up(
    tmp_path: Path, bench: Bench
) -> None:
    preconditions = "preconditions:\n  - check_status: {name: ready, state: tripped}\nsteps:"
    ending = run(tmp_path, bench, HEAD.replace("steps:", preconditions) + "  - close\n" + CLEAN_UP)

    assert [(each.section, each.verdict) for each in ending.results] == [
        ("preconditions", Verdict.FAIL),
        *[("steps", Verdict.NOT_RUN)] * 3,
        *[("clean_up", Verdict.PASS)] * 2,
    ]
    assert "precondition ready came to fail" in result(ending, "close_1").reasons[0]


def test_a_resistance_in_points_trips_inside_its_own_band(tmp_path: Path) -> None:
    """Lower points than the coefficient's line: what holds with them trips without."""
    for file in ("heater.ldf", "heater.yaml"):
        text = shipped_device("heater").with_name(file).read_text()
        points = "normalised_resistance: [[25 degC, 100 %], [75 degC, 115 %], [175 degC, 130 %]]"
        (tmp_path / file).write_text(text.replace("temperature_coefficient: 0.005", points))
    device = load_device(tmp_path / "heater.yaml")
    text = """
format: 1
name: short
title: One junction
device: heater
steps:
  - power_cycle: {duration: 200 ms}
  - clear_codes
  - write_set_points: {values: {junction_limit: 150 degC, junction_reset: 90 degC, overcurrent_pickup: 160 A, overcurrent_delay: 2 s, overload_pickup: 32 A, overload_time_constant: 600 s}}
  - close
  - expect_no_trip: {name: holds, inject: 94 A, duration: 10 s}
  - expect_trip: {name: trips, inject: 120 A, function: junction}
clean_up:
  - open
"""  # noqa: E501
    (tmp_path / "short.yaml").write_text(text)
    verdicts = []
    for number, each in enumerate((device, DEVICE)):
        bench = open_bench(load_bench(shipped_bench("simulated")), each)
        journal = Journal(tmp_path / f"run{number}")
        ending = Engine(device, bench, journal, Nobody()).run([load_plan(tmp_path / "short.yaml")])
        journal.close()
        verdicts.append([result(ending, step).verdict for step in ("holds", "trips")])
    assert verdicts[0] == [Verdict.PASS, Verdict.PASS]
    assert verdicts[1][0] is Verdict.FAIL


def test_nothing_is_applied_that_the_cable_does_not_stand(tmp_path: Path) -> None:
    """A plan that was checked for another cable: the run works the cut-off out again, and applies nothing."""
    for file in ("heater.ldf", "heater.yaml"):
        text = shipped_device("heater").with_name(file).read_text()
        (tmp_path / file).write_text(text.replace("area: 2.5 mm2", "area: 0.1 mm2"))
    device = load_device(tmp_path / "heater.yaml")
    bench = open_bench(load_bench(shipped_bench("simulated")), device)
    step = "{name: it, draw: 110 A, voltage: 700 V, function: overcurrent}"
    (tmp_path / "short.yaml").write_text(f"{HEAD}  - close\n  - expect_trip: {step}\n{CLEAN_UP}")
    journal = Journal(tmp_path / "run")
    ending = Engine(device, bench, journal, Nobody()).run([load_plan(tmp_path / "short.yaml")])
    journal.close()

    found = result(ending, "it")
    assert found.verdict is Verdict.ERROR
    assert found.reasons[0].startswith("the cable stands this for ")
    assert found.waveforms == ()


def test_the_cut_off_and_its_ruler_are_in_the_record(tmp_path: Path, bench: Bench) -> None:
    ending = run(tmp_path, bench, f"{HEAD}  - close\n  - expect_trip: {STIMULI['definite time']}\n{CLEAN_UP}")
    facts = result(ending, "it").facts
    assert facts is not None
    assert facts["cut_off"] == {"s": pytest.approx(0.1025 * 1.1 + 0.1, rel=0.02), "ruled_by": "band"}


PULSES, RAMP = "pulses: {on: 200 ms, off: 50 ms, count: 3}", "ramp: {from: 20 A, rate: 100 A/s}"
# Step -> role, and by how many seconds its instrument holds the current longer than the record's cut-off says: until a
# breaker has closed onto an injected current 0.6, for the jump to where a ramp begins 0.001 and 20 A at 2 or 1 A/us.
WIDTHS = {
    "expect_trip: {name: it, inject: 120 A, function: overcurrent}": ("injector", 0.0),
    "expect_trip: {name: it, inject: 120 A, closing: true, function: overcurrent}": ("injector", 0.6),
    "expect_trip: {name: it, inject: 120 A, PULSES, function: overcurrent}": ("injector", 0.0),
    "expect_trip: {name: it, inject: 120 A, RAMP, function: overcurrent}": ("injector", 1.01e-3),
    "expect_no_trip: {name: it, inject: 20 A, duration: 1 s}": ("injector", 0.0),
    "expect_trip: {name: it, draw: 110 A, voltage: 700 V, function: overcurrent}": ("load", 0.0),
    "expect_trip: {name: it, draw: 110 A, voltage: 700 V, closing: true, function: overcurrent}": ("load", 0.0),
    "expect_trip: {name: it, draw: 110 A, voltage: 700 V, PULSES, function: overcurrent}": ("load", 0.0),
    "expect_trip: {name: it, draw: 110 A, voltage: 700 V, RAMP, function: overcurrent}": ("load", 1.02e-3),
    "expect_no_trip: {name: it, draw: 20 A, voltage: 700 V, duration: 1 s}": ("load", 0.0),
}


@pytest.mark.parametrize("step", WIDTHS)
def test_the_instrument_itself_holds_the_cut_off_of_the_record(
    tmp_path: Path, bench: Bench, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    role, longer = WIDTHS[step]
    sent: list[str] = []
    write = SimulatedLink.write

    def heard(link: SimulatedLink, text: str) -> None:
        if link._role == role:
            sent.append(text)
        write(link, text)

    monkeypatch.setattr(SimulatedLink, "write", heard)
    close = "" if "closing" in step else "  - close\n"
    text = step.replace("PULSES", PULSES).replace("RAMP", RAMP)
    found = result(run(tmp_path, bench, f"{HEAD}{close}  - {text}\n{CLEAN_UP}"), "it")

    assert (found.verdict, found.reasons) == (Verdict.PASS, ())
    assert found.facts is not None
    cut_off = found.facts["cut_off"]
    assert isinstance(cut_off, dict)
    [(at, width)] = [(at, text) for at, text in enumerate(sent) if text.startswith("SOUR:PULS:WIDT ")]
    [on] = [at for at, text in enumerate(sent) if text in ("OUTP ON", "INP ON")]
    assert at < on
    assert float(width.split()[1]) == pytest.approx(cut_off["s"] + longer, rel=1e-6)
    if role == "load":  # counted from where its current begins, where that is the closing
        counts = "INT" if "closing" in step else "IMM"
        assert [text for text in sent[:on] if text.startswith("TRIG:SOUR ")] == [f"TRIG:SOUR {counts}"]


def test_skew_between_channels_is_in_the_uncertainty_of_a_time(tmp_path: Path) -> None:
    spec = load_bench(shipped_bench("simulated"))
    assert spec.recorder is not None
    found = []
    for skew in (0.0, 1e-3):
        bench = open_bench(replace(spec, recorder=replace(spec.recorder, skew=skew)), DEVICE)
        (folder := tmp_path / f"{skew}").mkdir()
        ending = run(folder, bench, f"{HEAD}  - close\n  - expect_trip: {STIMULI['definite time']}\n{CLEAN_UP}")
        found.append(next(each.uncertainty for each in result(ending, "it").measurements if each.unit == "s"))
    # Rectangular, JCGM 100, 4.3.7.
    assert found[1] == pytest.approx((found[0] ** 2 + 1e-6 / 3) ** 0.5, rel=0.05)
