"""A plan that could destroy something, or whose result nobody could tell, is refused with its own reason."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from check_bench import BENCH, PUMP, complaints

from harness.bench import cut_off
from harness.bench.cut_off import FAST_MARGIN_S, HOST_S, MARGIN, MARGIN_S, limits_of, of_hold, of_trip, strained
from harness.bench.safety_spec import DischargeSpec
from harness.bench.spec import BenchSpec, shipped_bench
from harness.check.course import Course
from harness.files.profile import load_device, shipped_device
from harness.plan.steps import ExpectNoTrip, ExpectTrip
from harness.trip.coordination import withstand_line
from protocol.branch import Cable, Withstand
from protocol.device import Device
from protocol.protection import Instantaneous

HEATER = load_device(shipped_device("heater"))
START = "  - power_cycle: {duration: 1 s}\n  - close\n"
TRIP = START + "  - expect_trip: {draw: ¶100 A, voltage: 700 V, function: overcurrent}"
SHORT = START + "  - expect_trip: {inject: ¶195 A, function: short_circuit}"
HOLD = START + "  - expect_no_trip: {draw: ¶20 A, voltage: 700 V, duration: 10 min}"
HEALTH = START + "  - check_health: {voltage_drop: {draw: ¶20 A, voltage: 700 V, at_most: 1 V}}"
LEAKAGE = "  - power_cycle: {duration: 1 s}\n  - open\n  - check_health: {leakage: {voltage: ¶700 V, at_most: 2 mA}}"
OPEN = (
    "  - power_cycle: {duration: 1 s}\n  - open\n  - expect_trip: {inject: ¶10 A, switch: open, function: switch_stuck}"
)
LIVE = START + (
    "  - expect_no_trip: {name: before, draw: 20 A, voltage: 700 V, duration: 1 s}\n"
    "  - expect_no_trip: {inject: ¶20 A, duration: 1 s}\n"
    "  - expect_no_trip: {name: after, draw: 20 A, voltage: 400 V, duration: 1 s}"
)


def of(role: str, **changes: object) -> Callable[[BenchSpec, Device], tuple[BenchSpec, Device]]:
    def change(bench: BenchSpec, device: Device) -> tuple[BenchSpec, Device]:
        return replace(bench, **{role: replace(getattr(bench, role), **changes)}), device

    return change


def device_with(**changes: object) -> Callable[[BenchSpec, Device], tuple[BenchSpec, Device]]:
    return lambda bench, device: (bench, replace(device, **changes))


def real(**changes: object) -> Callable[[BenchSpec, Device], tuple[BenchSpec, Device]]:
    def change(bench: BenchSpec, device: Device) -> tuple[BenchSpec, Device]:
        assert bench.recorder is not None
        elsewhere = replace(bench.supply_12v, resource="TCPIP::127.0.0.1::1::SOCKET")
        return replace(bench, supply_12v=elsewhere, recorder=replace(bench.recorder, **changes)), device

    return change


def ratings(**changes: object) -> Callable[[BenchSpec, Device], tuple[BenchSpec, Device]]:
    return lambda bench, device: (bench, replace(device, ratings=replace(device.ratings, **changes)))


def channel(name: str, end: float) -> Callable[[BenchSpec, Device], tuple[BenchSpec, Device]]:
    def change(bench: BenchSpec, device: Device) -> tuple[BenchSpec, Device]:
        assert bench.recorder is not None
        channels = {**bench.recorder.channels, name: replace(bench.recorder.channels[name], range=end)}
        return replace(bench, recorder=replace(bench.recorder, channels=channels)), device

    return change


def deaf(blanking: float) -> Callable[[BenchSpec, Device], tuple[BenchSpec, Device]]:
    """A comparator that is not listened to for so long."""
    function = HEATER.functions["short_circuit"]
    assert isinstance(function, Instantaneous)
    return device_with(
        functions={**HEATER.functions, "short_circuit": replace(function, blanking=blanking)}, withstand=None
    )


THIN = Cable("copper", "xlpe_90", 0.1)
UNSAFE: dict[str, tuple[str, Callable[[BenchSpec, Device], tuple[BenchSpec, Device]], str]] = {
    "the cable melts first": (
        TRIP, device_with(cable=THIN),
        "the cable stands 100 A for 20.47 ms, and a good breaker may take 102.5 ms",
    ),
    "the switch gives up first": (
        TRIP, device_with(withstand=Withstand(((50.0, 1.0), (200.0, 1e-3)), 10.0)),
        "the switch stands 100 A for 31.62 ms, and a good breaker may take 102.5 ms",
    ),
    "more than the load may take": (
        HOLD, of("limits", drawn=1e6), "the bench's energy stands 20 A for 71.43 s, and the step lasts 600 s",
    ),
    "nobody holds a short cut-off": (
        SHORT, of("injector", timed=False),
        "a cut-off after 101.7 us has to be held by the injector, and bench simulated does not say that it does "
        "(timed: true)",
    ),
    "the backup cannot break it": (
        TRIP.replace("¶", "").replace("700", "¶700"), of("backup", breaking_current=20e3),
        "a short circuit would be 3.5e+04 A, and the backup breaks 2e+04 A",
    ),
    "the backup is not for this voltage": (
        TRIP.replace("¶", "").replace("700", "¶700"), of("backup", voltage=500.0),
        "beyond what the backup breaks, 500 V",
    ),
    "the enclosure cannot hold it": (
        TRIP.replace("¶", "").replace("700", "¶700"), of("limits", energy=10.0),
        "the capacitors hold 29.4 J at 700 V, and the enclosure takes 10 J",
    ),
    "the clamp of the bench": (
        TRIP, of("limits", clamp_energy=0.1),
        "breaking up to 236.9 A gives the clamp 2.238 J, and the bench allows 0.1 J",
    ),
    "the clamp of the switch": (
        TRIP, device_with(withstand=replace(HEATER.withstand, clamp_energy=0.2)),  # type: ignore[type-var]
        "breaking up to 236.9 A gives the clamp 2.238 J, and the switch stands 0.2 J",
    ),
    "what a short circuit lets through": (
        TRIP.replace("¶", "").replace("700", "¶700"), of("loop", inductance=3e-6),
        "up to 807.2 A let through, beyond the switch's 600 A",
    ),
    "what it lets through while the comparator is deaf": (
        TRIP.replace("¶", "").replace("700", "¶700"), deaf(20e-6),
        "up to 744.5 A let through, beyond the switch's 600 A",
    ),
    "a clamp that does not end the current": (
        TRIP.replace("¶", "").replace("700", "¶700"), ratings(clamp=(600.0, 700.0)),
        "a clamp of 600 V does not end a current that 700 V drive",
    ),
    "no clamp declared": (
        TRIP.replace("¶", "").replace("700", "¶700"), ratings(clamp=None),
        "the profile of heater declares no clamp: nothing says what ends the current",
    ),
    "the backup cannot break a measurement": (
        HEALTH.replace("¶", "").replace("700", "¶700"), of("backup", voltage=500.0),
        "beyond what the backup breaks, 500 V",
    ),
    "the enclosure cannot hold a measurement": (
        LEAKAGE, of("limits", energy=10.0), "the capacitors hold 29.4 J at 700 V, and the enclosure takes 10 J",
    ),
    "a measurement strains the cable": (
        HEALTH, device_with(cable=Cable("copper", "xlpe_90", 0.1)),
        "the cable stands 20 A for 511.8 ms, and the measurement may take longer",
    ),
    "a measurement draws too much": (
        HEALTH, of("limits", drawn=1.0),
        "the bench's energy stands 20 A for 71.43 us, and the measurement may take longer",
    ),
    "a measurement beyond the load": (
        HEALTH, of("load", current=15.0), "beyond the load's 15 A",
    ),
    "a measurement at more current than the source gives": (
        HEALTH, of("source", current=15.0), "beyond the source's 15 A",
    ),
    "a measurement at more voltage than the source gives": (
        HEALTH.replace("¶", "").replace("700", "¶700"), of("source", voltage=600.0), "beyond the source's 600 V",
    ),
    "leakage at more voltage than the source gives": (
        LEAKAGE, of("source", voltage=600.0), "beyond the source's 600 V",
    ),
    "the backup blows": (
        HOLD, of("backup", current=15.0, curve=((18.0, 100.0), (100.0, 1.0))),
        "the backup stands 20 A for 75.36 s, and the step lasts 600 s",
    ),
    "a measurement out of range": (
        HEALTH, channel("current", 15.0),
        "up to 20 A on the recorder's channel current, whose range ends at 15 A: want a tenth more",
    ),
    "no head-room": (
        TRIP, channel("current", 100.01),
        "up to 100 A on the recorder's channel current, whose range ends at 100 A: want a tenth more",
    ),
    "the clamp is out of range": (
        TRIP, channel("switch_voltage", 100.0),
        "up to 1030 V on the recorder's channel switch_voltage, whose range ends at 100 V: want a tenth more",
    ),
    "a hold out of range": (
        HOLD, channel("current", 5.0),
        "up to 20 A on the recorder's channel current, whose range ends at 5 A: want a tenth more",
    ),
    "a hold without memory": (
        HOLD.replace("¶", "").replace("expect_no", "¶expect_no"), of("recorder", points=10),
        "the recorder holds 10 samples, and a recording wants 1000",
    ),
    "a welded switch out of range": (
        OPEN, channel("injected", 5.0),
        "up to 10 A on the recorder's channel injected, whose range ends at 5 A: want a tenth more",
    ),
    "a drawn current that nobody ends": (
        START + "  - expect_trip: {draw: ¶195 A, voltage: 700 V, function: short_circuit}", of("load", timed=False),
        "a cut-off after 101.7 us has to be held by the load, and bench simulated does not say that it does "
        "(timed: true)",
    ),
    "injected into what is live": (
        LIVE, of("injector", isolated_for=0.0),
        "the sensing input is energised here, 700 V, by steps before this one; the injector declares no "
        "isolation (isolated_for)",
    ),
    "injected after the last live step": (
        LIVE[: LIVE.index("  - expect_no_trip: {name: after")], of("injector", isolated_for=0.0),
        "the sensing input is energised here, 700 V, by steps before this one; the injector declares no "
        "isolation (isolated_for)",
    ),
    "injected with too little isolation": (
        LIVE, of("injector", isolated_for=500.0),
        "the sensing input is energised here, 700 V, by steps before this one; the injector declares 500 V "
        "(isolated_for)",
    ),
    "too few samples": (
        SHORT.replace("¶", "").replace("expect_trip", "¶expect_trip"), of("recorder", shortest_interval=1e-6),
        "the recorder cannot resolve this: a band of 1.2 us wants samples each 0.06 us, and it has 1 us",
    ),
    "too little memory": (
        TRIP.replace("¶", "").replace("expect_trip", "¶expect_trip"), of("recorder", points=100),
        "the recorder cannot hold this: 586 samples up to 102.5 ms, and it has 100",
    ),
    "too slow": (
        SHORT.replace("¶", "").replace("expect_trip", "¶expect_trip"), of("recorder", bandwidth=100e3),
        "the recorder is too slow: its edges take 3.5 us, and 1.2 us are to be told",
    ),
    "nobody says how fast": (
        SHORT.replace("¶", "").replace("expect_trip", "¶expect_trip"), real(bandwidth=None),
        "bench simulated does not say how fast an edge its recorder shows (bandwidth)",
    ),
    "channels apart": (
        SHORT.replace("¶", "").replace("expect_trip", "¶expect_trip"), of("recorder", skew=1e-6),
        "the recorder's channels are up to 1 us apart, and 1.2 us are to be told",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", UNSAFE)
def test_each_is_refused_with_its_own_reason(tmp_path: Path, name: str) -> None:
    steps, change, message = UNSAFE[name]
    sound = replace(
        BENCH,
        limits=replace(BENCH.limits, drawn=40e6),  # type: ignore[type-var]
        injector=replace(BENCH.injector, isolated_for=1000.0),  # type: ignore[type-var]
        discharge=DischargeSpec(1e3, 100e-6, 20e-6, 3.0),
        source=replace(BENCH.source, current=420.0),  # type: ignore[type-var]
        load=replace(BENCH.load, current=450.0),  # type: ignore[type-var]
    )
    found, [place] = complaints(tmp_path, steps, HEATER, sound)
    assert found == []
    bench, device = change(sound, HEATER)
    found, [place] = complaints(tmp_path, steps, device, bench)
    assert found == [f"{place}: {message}"]


def test_a_channel_out_of_its_range(tmp_path: Path) -> None:
    assert BENCH.recorder is not None
    channels = {**BENCH.recorder.channels}
    channels["injected"] = replace(channels["injected"], range=150.0)
    bench = replace(BENCH, recorder=replace(BENCH.recorder, channels=channels))
    found, [place] = complaints(tmp_path, SHORT, HEATER, bench)
    assert found == [
        f"{place}: up to 195 A on the recorder's channel injected, whose range ends at 150 A: want a tenth more"
    ]


# A current that begins higher than it ends


DOWN = START + (
    "  - expect_trip: {draw: ¶190 A, voltage: 700 V, function: short_circuit, ramp: {from: ¶419 A, rate: 1 A/us}}"
)
STURDY = replace(HEATER, cable=None, withstand=Withstand(((1000.0, 1.0), (2000.0, 1e-3)), 10.0))
WIDE = replace(
    BENCH,
    source=replace(BENCH.source, current=420.0),  # type: ignore[type-var]
    load=replace(BENCH.load, current=450.0),  # type: ignore[type-var]
)


@pytest.mark.parametrize(
    ("change", "at", "message"),
    [
        (of("source", current=200.0), 1, "beyond the source's 200 A"),
        (of("load", current=200.0), 1, "beyond the load's 200 A"),
        (
            channel("current", 210.0), 0,
            "up to 419 A on the recorder's channel current, whose range ends at 210 A: want a tenth more",
        ),
        (ratings(peak_current=250.0), 1, "beyond the switch's 250 A"),
        (
            of("limits", clamp_energy=5.0), 1,
            "breaking up to 419 A gives the clamp 6.931 J, and the bench allows 5 J",
        ),
    ],
)  # fmt: skip
def test_a_current_that_begins_higher_than_it_ends(
    tmp_path: Path, change: Callable[[BenchSpec, Device], tuple[BenchSpec, Device]], at: int, message: str
) -> None:
    assert complaints(tmp_path, DOWN, STURDY, WIDE)[0] == []
    bench, device = change(WIDE, STURDY)
    found, places = complaints(tmp_path, DOWN, device, bench)
    assert found == [f"{places[at]}: {message}"]


def test_beyond_all_that_the_breaker_measures(tmp_path: Path) -> None:
    steps = START + "  - expect_trip: {inject: 100 A, function: overcurrent, ramp: {from: ¶419 A, rate: 1 A/us}}"
    found, [place] = complaints(tmp_path, steps, STURDY, WIDE)
    assert f"{place}: beyond 200 A, which is all that the breaker measures" in found


def test_a_current_begins_at_nothing_at_least(tmp_path: Path) -> None:
    steps = START + "  - expect_trip: {inject: 195 A, function: short_circuit, ramp: {from: ¶-600 A, rate: 1 A/us}}"
    found, [place] = complaints(tmp_path, steps, STURDY, WIDE)
    assert found == [f"{place}: want 0 A or more"]


# The cut-off itself


def drawn(**changes: object) -> ExpectTrip:
    values = {"draw": "100 A", "voltage": "700 V", "function": "overcurrent", **changes}
    return ExpectTrip.model_validate({name: value for name, value in values.items() if value is not None})


def test_the_earliest_limit_rules() -> None:
    thick = replace(HEATER, cable=Cable("copper", "xlpe_90", 10.0), withstand=None)
    needed = of_trip(drawn(), thick, BENCH, 0.1)
    assert (needed.seconds, needed.ruled_by) == (pytest.approx(0.1 * MARGIN + MARGIN_S), "band")
    comparator = of_trip(drawn(draw=None, voltage=None, inject="195 A", function="short_circuit"), thick, BENCH, 1e-6)
    assert comparator.seconds == pytest.approx(1e-6 * MARGIN + FAST_MARGIN_S)
    # k²S² of 0.35 mm2 at k 143.08: 2508 A2s, and 100 A squared.
    thin = of_trip(drawn(), replace(thick, cable=Cable("copper", "xlpe_90", 0.35)), BENCH, 0.2)
    assert (thin.seconds, thin.ruled_by) == (pytest.approx(0.2508, rel=1e-3), "the cable")
    hold = ExpectNoTrip.model_validate({"draw": "20 A", "voltage": "700 V", "duration": "10 min"})
    energy = replace(BENCH, limits=replace(BENCH.limits, drawn=1.4e6))  # type: ignore[type-var]
    assert of_hold(hold, thick, energy, 600.0).seconds == pytest.approx(100.0)
    assert of_hold(hold, thick, energy, 60.0).ruled_by == "duration"


def test_what_is_injected_strains_nothing() -> None:
    thin = replace(HEATER, cable=THIN)
    assert limits_of(drawn(draw=None, voltage=None, inject="100 A"), thin, BENCH) == {}
    assert limits_of(drawn(), thin, BENCH)["the cable"] == pytest.approx(0.020473, rel=1e-3)


def test_a_switch_beyond_its_last_point_stands_the_same_heat() -> None:
    device = replace(HEATER, cable=None, withstand=Withstand(((100.0, 1.0), (200.0, 0.1)), 1.0))
    step = drawn(draw="400 A", function="short_circuit")
    assert limits_of(step, device, None)["the switch"] == pytest.approx(0.025)
    assert "the switch" not in limits_of(drawn(draw="99 A"), device, None)


# 300 A are stood for 1 s, 310 A, by the line from 300 A to 400 A, for 0.82 s.
STANDS = replace(
    PUMP, cable=None, withstand=Withstand(((200.0, 60.0), (300.0, 1.0), (400.0, 0.2), (1200.0, 1e-3)), 20.0)
)


@pytest.mark.parametrize(
    ("pulses", "seconds"),
    [
        ({"on": "20 s", "off": "200 s"}, 1.0),  # inside the first one
        ({"on": "400 ms", "off": "600 ms", "count": 3}, 2.2),  # inside the third one
        ({"on": "300 ms", "off": "700 ms", "count": 10}, 3.1),  # nothing cools, however long a pause
        ({"on": "1 ms", "off": "1 s", "count": 10_000}, 1000.0),  # in the last 1 ms of the thousandth
        ({"on": "300 ms", "off": "700 ms", "count": 3}, None),
        ({"on": "1 ms", "off": "20 s", "low": "199 A"}, None),  # below the line for ever
    ],
)
def test_pulses_use_up_what_the_switch_stands(pulses: dict[str, object], seconds: float | None) -> None:
    found = limits_of(drawn(draw="300 A", pulses=pulses), STANDS, None)
    assert found == ({} if seconds is None else {"the switch": pytest.approx(seconds, abs=1e-6)})


def test_what_flows_between_pulses_strains_as_well() -> None:
    low = limits_of(drawn(draw="300 A", pulses={"on": "1 ms", "off": "20 s", "low": "299 A"}), STANDS, None)
    held = limits_of(drawn(draw="299 A"), STANDS, None)
    assert low["the switch"] == pytest.approx(1e-3 + 0.999 * held["the switch"])
    after = limits_of(drawn(draw="300 A", pulses={"on": "1 ms", "off": "1 ms", "low": "299 A"}), STANDS, None)
    assert after == pytest.approx(low)  # what is on after the last pulse stays on
    energy = replace(BENCH, limits=replace(BENCH.limits, drawn=700 * (300 * 2.0 + 100 * 1.5)))  # type: ignore[type-var]
    train = {"on": "1 s", "off": "1 s", "low": "100 A", "count": 9}
    found = limits_of(drawn(draw="300 A", pulses=train), replace(STANDS, withstand=None), energy)
    assert found == {"the bench's energy": pytest.approx(3.5)}


def test_a_long_train_asks_once_for_each_current(monkeypatch: pytest.MonkeyPatch) -> None:
    asked = []
    monkeypatch.setattr(cut_off, "strained", lambda current, *rest: asked.append(current) or strained(current, *rest))
    limits_of(drawn(draw="300 A", pulses={"on": "1 us", "off": "1 s", "low": "299 A", "count": 10_000}), STANDS, BENCH)
    assert sorted(asked) == [299.0, 300.0]


def test_a_ramp_strains_where_it_begins() -> None:
    down = limits_of(drawn(draw="150 A", ramp={"from": "310 A", "rate": "10 A/s"}), STANDS, None)
    held = limits_of(drawn(draw="310 A"), STANDS, None)["the switch"]
    # It stays where it begins for as long as a program may take, and then falls by less than 10 A in its time.
    assert held - HOST_S < down["the switch"] < limits_of(drawn(draw="300 A"), STANDS, None)["the switch"] - HOST_S
    up = limits_of(drawn(draw="310 A", ramp={"from": "0 A", "rate": "10 A/s"}), STANDS, None)
    assert 20.0 < up["the switch"] < 31.0 + held
    short = limits_of(drawn(draw="100 A", ramp={"from": "1 kA", "rate": "10 A/s"}), STANDS, None)
    assert short == {"the switch": 0.0}  # 1 kA is not stood until the ramp goes on


def test_no_piece_of_a_ramp_is_taken_for_less_than_it_is() -> None:
    """And for little more: the end of a fine sum lies just behind."""
    for begin, end in ((400, 250), (210, 390)):
        found = limits_of(drawn(draw=f"{end} A", ramp={"from": f"{begin} A", "rate": "50 A/s"}), STANDS, None)
        seconds = np.linspace(-HOST_S, 10.0, 200_001)
        amperes = np.clip(begin + np.sign(end - begin) * 50 * seconds, min(begin, end), max(begin, end))
        line = withstand_line(STANDS.withstand).times(np.minimum(amperes, 400.0))  # type: ignore[arg-type]
        used = np.nancumsum(np.diff(seconds) / line[1:])
        exact = seconds[1:][used >= 1][0]
        assert 0.9 * exact < found["the switch"] <= exact + 1e-3


def test_closed_onto_a_ramp_nobody_knows_where_it_is() -> None:
    step = {"ramp": {"from": "0 A", "rate": "10 A/s"}, "closing": True}
    held = limits_of(drawn(draw="310 A"), STANDS, None)
    assert limits_of(drawn(draw="310 A", **step), STANDS, None) == held


# The shipped pump, set as slow as it can be


SLOW = """  - power_cycle: {duration: 1 s}
  - set_mode: {mode: drive}
  - wait_until_cool: {level: 2 %, at_most: 10 min}
  - open
  - write_set_points:
      values:
        overcurrent_pickup: 320 A
        overcurrent_delay: 500 ms
        overload_pickup_drive: 80 A
        overload_pickup_charge: 40 A
        overload_multiplier: 150 %
  - close
"""
FIRST = "  - expect_no_trip: {name: first, draw: 300 A, voltage: 700 V, duration: 600 ms}\n"
THEN = "  - expect_no_trip: {name: then, draw: ¶300 A, voltage: 700 V, duration: 600 ms}\n"


@pytest.mark.parametrize(
    ("steps", "message"),
    [
        (
            "  - expect_no_trip: {draw: ¶300 A, voltage: 700 V, pulses: {on: 2 s, off: 200 s}}",
            "the switch stands this for 1 s, and the step lasts 202 s",
        ),
        (
            "  - expect_no_trip: {draw: ¶300 A, voltage: 700 V, pulses: {on: 1 ms, off: 2 s, low: 299 A}}",
            "the switch stands this for 1.034 s, and the step lasts 2.001 s",
        ),
        (
            "  - expect_trip: {draw: ¶150 A, voltage: 700 V, ramp: {from: 310 A, rate: 10 A/s}, function: overload}",
            "the switch stands this for 774.1 ms, and a good breaker may take 9.159 s",
        ),
        (FIRST, None),
        (
            FIRST + THEN,
            "the switch stands 300 A for 400 ms, and the step lasts 600 ms; steps before have used up 60 % of what it"
            " stands: put '- wait: {duration: 600 s}' before",
        ),
        # What is short of the line uses nothing up, and is no rest either: cooling that takes no certain time is none.
        (
            FIRST + "  - expect_no_trip: {name: low, draw: 60 A, voltage: 700 V, duration: 15 min}\n"
            "  - wait_until_cool: {name: again, level: 90 %, at_most: 1 h}\n" + THEN,
            "the switch stands 300 A for 400 ms, and the step lasts 600 ms; steps before have used up 60 % of what it"
            " stands: put '- wait: {duration: 600 s}' before",
        ),
        (  # what is refused is not counted
            FIRST + THEN + THEN.replace("then", "less").replace("600", "300").replace("¶", ""),
            "the switch stands 300 A for 400 ms, and the step lasts 600 ms; steps before have used up 60 % of what it"
            " stands: put '- wait: {duration: 600 s}' before",
        ),
        (FIRST + "  - wait: {duration: 600 s}\n" + THEN, None),
        (
            "  - expect_trip: {draw: 335 A, voltage: 700 V, function: overcurrent}\n  - open: {name: acknowledged}\n"
            "  - wait: {name: aside, duration: 1 s}\n  - wait_until_cool: {name: again, level: 2 %, at_most: 1 h}\n"
            "  - close: {name: closed}\n"
            "  - expect_trip: {name: more, draw: ¶335 A, voltage: 700 V, function: overcurrent}",
            "the switch stands 335 A for 30.26 ms, and a good breaker may take 509.1 ms; steps before have used up 94 %"
            " of what it stands: put '- wait: {duration: 600 s}' before",
        ),
    ],
)
def test_what_the_shipped_switch_stands_is_not_walked_around(tmp_path: Path, steps: str, message: str | None) -> None:
    found, places = complaints(tmp_path, SLOW + steps, PUMP, WIDE)
    assert found == ([] if message is None else [f"{place}: {message}" for place in places])


def test_a_measurement_strains_what_the_steps_before_have_strained(tmp_path: Path) -> None:
    """A cable that stands 20 A for 4.7 s, and up to 2 s of them in each measurement."""
    cable = replace(HEATER, cable=Cable("copper", "xlpe_90", 0.304), withstand=None)
    steps = START + "".join(
        f"  - check_health: {{name: {name}, voltage_drop: {{draw: ¶20 A, voltage: 700 V, at_most: 1 V}}}}\n"
        for name in ("first", "second", "third")
    )
    found, (_, _, place) = complaints(tmp_path, steps, cable, WIDE)
    assert found == [
        f"{place}: the cable stands 20 A for 730.1 ms, and the measurement may take longer; steps before have used up"
        " 85 % of what it stands: put '- wait: {duration: 600 s}' before"
    ]


def test_a_trip_on_the_way_down_leaves_the_heat_of_where_it_began() -> None:
    """Ten times the current for the 25 ms until the breaker acts."""
    levels = []
    for ramp in (None, {"from": "190 A", "rate": "1 A/s"}):
        course = Course(HEATER, level=0.0)
        course.take(drawn(draw="60 A", function="overload", **({} if ramp is None else {"ramp": ramp})))
        levels.append(course.levels["overload"])
    assert levels[0] < 1.01 < levels[1]


def test_the_shipped_benches_say_all_of_it() -> None:
    for name in ("simulated", "served", "served_pty"):
        text = shipped_bench(name).read_text()
        assert "bandwidth:" in text
        assert "drawn:" in text
