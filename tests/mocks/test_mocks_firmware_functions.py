"""Each kind of protection function by itself, in fixed point, against values typed from facts/protection.md."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from world_bench import shipped

from mocks.calibrate import calibrate
from mocks.firmware.calibration import InverseCalibration
from mocks.firmware.inverse import Inverse
from mocks.firmware.junction import Junction
from mocks.firmware.sensor import SensorCheck
from mocks.firmware.silence import Silence
from mocks.firmware.threshold import Threshold
from mocks.thermistor import divider_code, table
from protocol.device import Device, Thermistor
from protocol.protection import InverseTime, JunctionTemperature, Parameter, ProtectionFunction

STEP_S = 0.01


def with_function(device: Device, name: str, **changes: object) -> Device:
    """``device`` with one function changed."""
    changed: ProtectionFunction = replace(device.functions[name], **changes)  # type: ignore[arg-type]
    return replace(device, functions={**device.functions, name: changed})


# Inverse time: k, alpha, c and the reference table at time multiplier 1, facts/protection.md section 1 (V:calc; IEC
# rows V:run as well).
CURVES = {
    "IEC SI": (0.14, 0.02, 0.0, (17.194219, 10.029027, 4.279720, 2.970599, 2.267356)),
    "IEC VI": (13.5, 1.0, 0.0, (27.000000, 13.500000, 3.375000, 1.500000, 0.710526)),
    "IEC EI": (80.0, 2.0, 0.0, (64.000000, 26.666667, 3.333333, 0.808081, 0.200501)),
    "LTI": (120.0, 1.0, 0.0, (240.000000, 120.000000, 30.000000, 13.333333, 6.315789)),
    "IEEE MI": (0.0515, 0.02, 0.1140, (6.439016, 3.803249, 1.688326, 1.206756, 0.948063)),
    "IEEE VI": (19.61, 2.0, 0.491, (16.179000, 7.027667, 1.308083, 0.689081, 0.540148)),
    "IEEE EI": (28.2, 2.0, 0.1217, (22.681700, 9.521700, 1.296700, 0.406548, 0.192377)),
}
MULTIPLES = (1.5, 2, 5, 10, 20)
PICKUP_COUNTS = 1638.4  # 20 A of 400 A in 15 bits


def inverse(multiplier: float = 1.0, **changes: object) -> Inverse:
    """The pump's overload with another curve and a pickup of 20 A."""
    changes = {"pickup": Parameter(None, 20.0), "multiplier": Parameter(None, multiplier), **changes}
    device = with_function(shipped("pump"), "overload", **changes)
    calibration = calibrate(device)
    memory = calibration.protection.memory
    assert isinstance(memory, InverseCalibration)
    function = Inverse(memory, calibration.slow_period_us)
    function.adopt(calibration.defaults, 0)
    return function


def samples_to_operate(function: Inverse, multiple: float) -> int:
    counts, samples = round(PICKUP_COUNTS * multiple), 1
    function.sample(counts, counts**2)
    while not function.due:
        function.sample(counts, counts**2)
        samples += 1
    return samples


@pytest.mark.parametrize("multiplier", [1.0, 0.25])
@pytest.mark.parametrize("curve", CURVES)
def test_inverse_operate_times(curve: str, multiplier: float):
    """Within one sample and what the count and the straight lines of the table come to."""
    k, alpha, c, times = CURVES[curve]
    for multiple, seconds in zip(MULTIPLES, times, strict=True):
        function = inverse(multiplier, k=k, alpha=alpha, c=c, minimum_time=0.0)
        took = samples_to_operate(function, multiple) * STEP_S
        assert took == pytest.approx(seconds * multiplier, rel=1e-3, abs=STEP_S), multiple


def test_inverse_operates_no_sooner_than_its_minimum_time():
    """Very inverse at 19 times the pickup: 13.5/18 = 0.75 s, at a quarter of that 0.19 s, and 0.5 s are the least.

    50 periods, and the first one that is counted may be a short one: 51.
    """
    function = inverse(0.25, k=13.5, alpha=1.0, minimum_time=0.5)

    assert samples_to_operate(function, 19) == 51


def test_inverse_goes_back_at_the_rate_of_its_reset_time():
    """Half way at twice the pickup is 6.75 s of 13.5 s; back at 1/20 s takes 10 s, the pickup current included."""
    function = inverse(reset_time=20.0)
    counts = round(PICKUP_COUNTS * 2)
    for _ in range(675):
        function.sample(counts, counts**2)
    assert function.level / 2**30 == pytest.approx(0.5, abs=1e-3)
    assert function.bars  # the pump's reset level is 40 %
    counts, samples = int(PICKUP_COUNTS), 0
    while function.level:
        function.sample(counts, counts**2)
        samples += 1

    assert samples * STEP_S == pytest.approx(10.0, rel=3e-3)
    assert not function.bars


def test_inverse_travel_stops_at_its_end():
    function = inverse()
    samples_to_operate(function, 10)
    for _ in range(1000):
        function.sample(20_000, 20_000**2)

    assert function.level == 2**30


# Junction: the invented network N3 of facts/protection.md section 6, 85 degC sink, 5 mohm, 0.005/K (V:calc).
N3 = ((0.02, 1e-3), (0.05, 20e-3), (0.13, 0.5))
AT_200_A = {0.01: 96.38658, 0.1: 111.47639, 0.5: 130.69952, 1: 141.83229, 2: 148.53727, 5: 149.99160}
AT_400_A = {0.1: 229.48793, 0.5: 407.75855}


def junction(switches: int, resistance: float) -> tuple[Junction, float]:
    """The heater's function with network N3, and counts per ampere."""
    device = with_function(
        shipped(), "junction", network=N3, on_resistance=resistance, temperature_coefficient=0.005, switches=switches
    )
    device = replace(device, sensing=replace(device.sensing, full_scale=500.0))
    calibration = calibrate(device)
    (constants,) = calibration.protection.junctions
    function = Junction(constants)
    function.adopt(calibration.defaults, 0)
    return function, 32768 / 500.0


@pytest.mark.parametrize(("switches", "resistance"), [(1, 5e-3), (4, 80e-3)])
@pytest.mark.parametrize(("amperes", "table"), [(200, AT_200_A), (400, AT_400_A)])
def test_junction_with_feedback(amperes: int, table: dict[float, float], switches: int, resistance: float):
    """Half a kelvin or 1.2 % of the rise: samples are 10 ms, the first takes the on-resistance as it was before."""
    function, counts = junction(switches, resistance)
    square, now = round(amperes * counts) ** 2, 0
    for seconds, celsius in table.items():
        while now < round(seconds / STEP_S):
            function.sample(square, 850)
            now += 1
        assert function.temperature / 1000 - 85 == pytest.approx(celsius - 85, rel=0.012, abs=0.5), seconds


def test_junction_falls_back_to_the_heat_sink_and_takes_its_square_not_its_mean():
    function, counts = junction(1, 5e-3)
    for _ in range(1000):
        function.sample(round(200 * counts) ** 2, 850)
    hot = function.temperature
    for _ in range(1000):
        function.sample(0, 850)

    assert hot == pytest.approx(150_000, rel=1e-3)  # "150 exactly" in the same table
    assert function.temperature == pytest.approx(85_000, abs=10)


def test_junction_limit_and_reset():
    """The heater's: trips at 150 degC, bars closing at and above 90 degC. Only the sink is warm here."""
    function, _ = junction(1, 5e-3)
    seen = []
    for tenths in (899, 900, 1499, 1500):
        function.sample(0, tenths)
        seen.append((function.bars, function.due))

    assert seen == [(False, False), (True, False), (True, False), (True, True)]


# Thermistors: codes of facts/protection.md section 7 (V:calc), 12 bits, B 3435.
@pytest.mark.parametrize(
    ("pull_up", "celsius", "code"),
    [
        (10e3, -40, 3936.45), (10e3, 25, 2047.5), (10e3, 85, 519.00), (10e3, 125, 214.86), (10e3, 150, 131.82),
        (2.2e3, -40, 4059.03), (2.2e3, 25, 3356.56), (2.2e3, 85, 1627.69), (2.2e3, 125, 823.45), (2.2e3, 150, 537.81),
    ],
)  # fmt: skip
def test_divider_and_table(pull_up: float, celsius: float, code: float):
    thermistor = Thermistor(10e3, 3435.0, pull_up, 12, 2.0)

    assert divider_code(thermistor, celsius) == pytest.approx(code, abs=0.51)
    assert table(thermistor)[round(code)] / 10 == pytest.approx(celsius, abs=0.4)


@pytest.mark.parametrize("name", ["heater", "pump"])
def test_table_falls_from_short_to_open(name: str):
    thermistor = shipped(name).thermistor
    assert thermistor is not None
    temperatures = table(thermistor)

    assert (temperatures[0], temperatures[-1]) == (3000, -1000)
    assert len(temperatures) == 1 << thermistor.bits
    assert list(temperatures) == sorted(temperatures, reverse=True)


# Definite time


def threshold(group: str, cause: str, name: str = "heater") -> Threshold:
    calibration = calibrate(shipped(name))
    (constants,) = (each for each in getattr(calibration.protection, group) if each.cause == cause)
    period_us = calibration.fast_period_us if group == "fast" else calibration.slow_period_us
    function = Threshold(constants, period_us)
    function.adopt(calibration.defaults, 0)
    return function


def course(function: Threshold, *values: int) -> str:
    """P present, D due, . neither, after each sample."""
    said = ""
    for value in values:
        function.sample(value)
        said += "D" if function.due else "P" if function.present else "."
    return said


def test_under_threshold_with_hysteresis_and_delay():
    """The pump's gate rail: below 14 V, back above 15 V, 10 ms: one slow period."""
    function = threshold("watched", "gate_rail_low", "pump")

    assert course(function, 14_000, 13_999, 13_999, 13_000) == ".PDD"
    assert course(function, 14_999, 15_000, 15_001, 14_000, 13_999) == "DD..P"


def test_over_threshold_counts_from_its_start_anew():
    """The heater's supply above 17 V for 100 ms, back below 16.5 V."""
    function = threshold("watched", "supply_high")

    assert course(function, 17_000, 17_001, *[16_500] * 9) == ".PPPPPPPPPP"
    assert course(function, 16_499, 17_020, *[17_020] * 10) == ".PPPPPPPPPPD"


def test_zero_never_undercuts():
    assert course(threshold("watched", "bus_low"), *[0] * 20) == "." * 20


def test_vote_of_the_fast_channel():
    """4 of 8 samples above 90 A = 921.6 counts of 12 bits over ±200 A; 2 A hysteresis; 100 ms of 50 us."""
    function = threshold("fast", "overcurrent")
    high, low, between = 922, 900, 910

    assert course(function, high, low, low, high, low, low, high, low, high) == "........."  # the first is forgotten
    assert course(function, high) == "P"  # the fourth of the last eight
    function.begin()
    assert course(function, high, low, high, low, high, low, high) == "......P"
    assert course(function, *[between] * 1999) == "P" * 1999
    assert course(function, between, low, low, low, low) == "DDDD."


def test_idle_range_is_where_nothing_changes():
    function = threshold("fast", "overcurrent")
    assert function.idle_range == (0, 921)
    course(function, 922)
    assert function.idle_range == (1, 0)  # never: a vote is under way
    course(function, *[922] * 3)
    assert function.idle_range == (1, 0)  # nor while the delay runs
    course(function, *[922] * 2000)
    assert function.due
    low, _ = function.idle_range
    assert course(function, *[low] * 20) == "D" * 20
    assert course(function, *[low - 1] * 4) == "DDD."


# Silence and sensor


def test_silence():
    """The heater's 5 s by ten-millisecond steps, and one more, as the first may have been a short one."""
    calibration = calibrate(shipped())
    (constants,) = calibration.protection.silences
    function = Silence(constants, calibration.slow_period_us)
    function.adopt(calibration.defaults, 0)
    for _ in range(500):
        function.sample()
    assert not function.due
    function.restart()
    for _ in range(500):
        function.sample()
    assert not function.due
    function.sample()
    assert function.due


def sensor() -> SensorCheck:
    calibration = calibrate(shipped())
    (constants,) = calibration.protection.sensors
    function = SensorCheck(constants, calibration.slow_period_us)
    function.adopt(calibration.defaults, 0)
    return function


def sensed(function: SensorCheck, *tenths: int) -> list[bool]:
    operated = []
    for each in tenths:
        function.sample(each)
        operated.append(function.due)
    return operated


@pytest.mark.parametrize("bad", [-1000, 3000, -451, 1501])
def test_implausible_reading_is_not_trusted_and_operates_after_the_delay(bad: int):
    """-45 to 150 degC, 200 ms: 20 periods after the first bad one."""
    function = sensor()
    assert sensed(function, 250, *[bad] * 21) == [False] * 21 + [True]
    assert sensed(function, bad) == [True]
    assert function.trusted == 250
    assert sensed(function, 250) == [False]
    assert not function.present


def test_limits_are_plausible_themselves():
    function = sensor()
    function.trusted = 1400
    assert sensed(function, *[1500] * 50) == [False] * 50
    function.trusted = -400
    assert sensed(function, *[-450] * 50) == [False] * 50


def test_step_operates_once_and_is_then_believed():
    function = sensor()
    assert sensed(function, 250, 500) == [False, False]
    assert function.trusted == 500
    assert sensed(function, *[751] * 21) == [False] * 20 + [True]
    assert function.trusted == 500
    assert sensed(function, 751) == [False]
    assert function.trusted == 751


# What the mock refuses


def test_refusals():
    heater, pump = shipped(), shipped("pump")
    overload = heater.functions["overload"]
    for device, message in (
        (replace(heater, functions={}), "one thermal memory or inverse time, not none"),
        (replace(heater, functions={**heater.functions, "second": overload}), "not overload, overload"),
        (replace(heater, thermistor=None), "no thermistor"),
        (with_function(heater, "overcurrent", samples=(9, 8)), "9 of 8"),
        (with_function(heater, "overcurrent", cause="nobody"), "no fault code nobody"),
        (with_function(heater, "silence", reaction="block"), "silence: of the mock's functions only definite-time"),
        (with_function(heater, "bus_low", reaction="block"), "condition is always, not closed"),
        (with_function(heater, "overload", pickup=Parameter(None, 0.0)), "must not come to 0"),
        (with_function(pump, "overload", pickup=Parameter(None, 0.001)), "too small for its table"),
        (replace(pump, sensing=replace(pump.sensing, fast_period_ns=50_500)), "whole microseconds"),
        (replace(pump, sensing=replace(pump.sensing, fast_period_ns=3_000_000)), "a multiple of it"),
        (replace(heater, status=replace(heater.status, bits={"warm": "HtrHot"})), "not warm"),
    ):
        with pytest.raises(ValueError, match=message):
            calibrate(device)


def test_kinds_are_of_the_shipped_devices():
    assert isinstance(shipped("pump").functions["overload"], InverseTime)
    assert isinstance(shipped("heater").functions["junction"], JunctionTemperature)


def test_junction_with_a_resistance_in_points():
    """An exponential law, 0.005/K, 10 K apart; steady states worked apart from this code (facts/protection.md 6)."""
    points = tuple((float(celsius), math.exp(0.005 * (celsius - 25))) for celsius in range(-35, 300, 10))
    for amperes, steady in ((200, 165.922506), (220, 202.660201)):
        device = with_function(
            shipped(), "junction", network=N3, on_resistance=5e-3, temperature_coefficient=0.0,
            normalised_resistance=points, switches=1,
        )  # fmt: skip
        device = replace(device, sensing=replace(device.sensing, full_scale=500.0))
        calibration = calibrate(device)
        function = Junction(calibration.protection.junctions[0])
        function.adopt(calibration.defaults, 0)
        square = round(amperes * 32768 / 500.0) ** 2
        for _ in range(6000):
            function.sample(square, 850)
        assert function.temperature / 1000 == pytest.approx(steady, rel=2e-3)
