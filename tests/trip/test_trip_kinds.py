"""Bands of every kind of function against breakers made at random inside their limits of error, simulated apart."""

import math
from dataclasses import dataclass, replace

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from harness.trip.band import (
    InPickupZone,
    cooled,
    junction_temperatures,
    level_interval,
    must_not_operate,
    operate_band,
    reset_level,
    silence_band,
    time_to_cool,
)
from harness.trip.corner import corners, pickup_zone
from harness.trip.model import Case, TripModel, model_of
from harness.trip.trace import Segments, Trace
from harness.trip.watch import on_current, on_quantity
from protocol.protection import (
    Declared,
    DefiniteTime,
    Instantaneous,
    InverseTime,
    JunctionTemperature,
    Parameter,
    ProtectionFunction,
    SensorCheck,
    Silence,
)

Floats = np.ndarray
OF_CURRENT = Declared(0.02, 0.3, 0.01, (0.001, 0.02))
COLD = (0.0, 0.0)


def fixed(value: float) -> Parameter:
    return Parameter(None, value)


INVERSE = InverseTime(
    name="overload", cause="overload", priority=1, declared=OF_CURRENT,
    pickup=Parameter("drive", None, {"charge": "charge"}), multiplier=fixed(1.0), k=13.5, alpha=1.0, c=0.0,
    minimum_time=0.1, reset_time=20.0, reset_level=fixed(0.4), kept_without_supply=True,
)  # fmt: skip
AT = {"drive": 20.0, "charge": 5.0}
OVERCURRENT = DefiniteTime(
    name="overcurrent", cause="overcurrent", priority=2, declared=OF_CURRENT, quantity="current", direction="over",
    threshold=fixed(50.0), hysteresis=4.0, delay=fixed(0.2),
)  # fmt: skip
UNDERVOLTAGE = replace(
    OVERCURRENT, name="supply_low", declared=Declared(0.01, 0.1, 0.01, (0.0, 0.02)), quantity="supply_voltage",
    direction="under", threshold=fixed(9.0), hysteresis=0.5,
)  # fmt: skip
HOT = replace(
    OVERCURRENT, name="heat_sink", declared=Declared(0.0, 2.0, 0.01, (0.0, 0.12)), quantity="heat_sink_temperature",
    threshold=fixed(85.0), hysteresis=10.0, delay=fixed(0.5),
)  # fmt: skip
SHORT_CIRCUIT = Instantaneous(
    name="short_circuit", cause="short_circuit", priority=0, declared=Declared(0.02, 1.0, 0.0, (3e-7, 1.5e-6)),
    threshold=fixed(180.0), blanking=2e-6, response=(3e-7, 1.5e-6),
)  # fmt: skip
JUNCTION = JunctionTemperature(
    name="junction", cause="junction_hot", priority=3, declared=OF_CURRENT, limit=fixed(150.0), reset=fixed(90.0),
    network=((0.1, 5e-3), (0.3, 50e-3), (0.6, 0.4)), on_resistance=0.04, temperature_coefficient=0.005, switches=2,
    network_tolerance=0.02, resistance_tolerance=0.03,
)  # fmt: skip
SILENCE = Silence(
    name="silence", cause="silence", priority=4, declared=Declared(0.0, 0.0, 0.01, (0.0, 0.025)), timeout=fixed(2.0)
)
SENSOR = SensorCheck(
    name="sensor", cause="sensor", priority=5, declared=Declared(0.0, 2.0, 0.01, (0.0, 0.12)), plausible=(-45.0, 150.0),
    step=25.0, sample=0.01, delay=fixed(0.2),
)  # fmt: skip


# Breakers made at random


@dataclass(frozen=True)
class Errors:
    """Limits of error of many breakers, -1 to 1 of each, a good part of them at an end."""

    gain: Floats
    offset: Floats
    clock: Floats
    latency: Floats
    first: Floats
    second: Floats
    ambient: Floats

    @classmethod
    def drawn(cls, count: int, seed: int) -> "Errors":
        rng = np.random.default_rng(seed)
        rows = rng.uniform(-1, 1, (7, count))
        at_end = rng.random(count) < 0.5
        return cls(*np.where(at_end, np.sign(rows), rows))

    def read(self, function: ProtectionFunction, value: float) -> Floats:
        of = function.declared
        return value + self.gain * of.gain * abs(value) + self.offset * of.offset

    def pace(self, function: ProtectionFunction) -> Floats:
        return 1 + self.clock * function.declared.timer

    def late(self, function: ProtectionFunction) -> Floats:
        low, high = function.declared.latency
        return low + (high - low) * (1 + self.latency) / 2


def travelling(record: Segments, errors: Errors, level: float) -> tuple[Floats, Floats]:
    """Operate times of inverse-time breakers, by steps that are exact as each rate is constant."""
    travel, began, due = np.full(errors.gain.shape, level), 0.0, np.full(errors.gain.shape, np.inf)
    clock, above = errors.pace(INVERSE), np.zeros(errors.gain.shape)
    for duration, current in zip(record.durations.tolist(), record.currents.tolist(), strict=True):
        multiple = np.maximum(errors.read(INVERSE, current), 0) / 20.0
        with np.errstate(divide="ignore", over="ignore"):
            own = 13.5 / np.maximum(multiple - 1, 1e-300)
        rate = np.where(multiple > 1, clock / own, -clock / 20.0)
        after = np.clip(travel + rate * duration, 0, 1)
        above[multiple <= 1] = 0.0
        hit = (after >= 1) & (multiple > 1) & ((above + duration) * clock >= 0.1) & np.isinf(due)
        due[hit] = began + np.maximum((1 - travel[hit]) / rate[hit], 0.1 / clock[hit] - above[hit])
        above[multiple > 1] += duration
        travel, began = after, began + duration
    return due + errors.late(INVERSE), travel


def heated(record: Segments, errors: Errors) -> tuple[Floats, Floats]:
    """Operate times and final temperatures of junction breakers, by the midpoint rule in small steps."""
    r = np.array([stage[0] for stage in JUNCTION.network])[:, None] * (1 + 0.02 * errors.first)
    tau = np.array([stage[1] for stage in JUNCTION.network])[:, None] / errors.pace(JUNCTION)
    ohm, ambient = 0.04 * (1 + 0.03 * errors.second), 25 + 2 * errors.ambient
    theta, due, t, step = np.zeros_like(r), np.full(ohm.shape, np.inf), 0.0, 4e-4

    def slope(theta: Floats, current: Floats) -> Floats:
        heat = (current / 2) ** 2 * ohm * (1 + 0.005 * (ambient + theta.sum(axis=0) - 25))
        return np.asarray((r * heat - theta) / tau)

    for duration, current in zip(record.durations.tolist(), record.currents.tolist(), strict=True):
        read, count = np.maximum(errors.read(JUNCTION, current), 0), math.ceil(duration / step)
        for _ in range(count):
            h = duration / count
            before = ambient + theta.sum(axis=0)
            theta = theta + h * slope(theta + h / 2 * slope(theta, read), read)
            after = ambient + theta.sum(axis=0)
            hit = (after >= 150) & np.isinf(due)
            due[hit] = t + h * (150 - before[hit]) / (after - before)[hit]
            t += h
    return due + errors.late(JUNCTION), np.asarray(ambient + theta.sum(axis=0))


def sampled(function: DefiniteTime, record: Segments, seed: int) -> float:
    """One breaker that looks at the quantity every few milliseconds, from any phase; inf: does not operate."""
    rng = np.random.default_rng(seed)
    errors = Errors.drawn(1, seed)
    period = rng.uniform(0.1, 0.9) * function.declared.latency[1] / 2
    least, most = function.declared.latency
    late = rng.uniform(least, most - 2 * period)  # a sample late to start, a sample late to see the end
    over = 1 if function.direction == "over" else -1
    clock, began = float(errors.pace(function)[0]), None
    delay, threshold = float(function.delay.fixed or 0), float(function.threshold.fixed or 0)
    ends = np.cumsum(record.durations)
    for t in np.arange(rng.uniform(0, period), float(ends[-1]), period).tolist():
        value = float(record.currents[int(np.searchsorted(ends, t, side="right"))])
        value = abs(value) if function.quantity == "current" else value
        beyond = over * (float(errors.read(function, value)[0]) - threshold)
        if beyond > 0 and began is None:
            began = t
        if beyond < -function.hysteresis:
            began = None
        if began is not None and (t - began) * clock >= delay:
            return t + late
    return math.inf


def record_of(parts: list[tuple[float, float]]) -> Segments:
    return Segments(np.array([p[0] for p in parts]), np.array([p[1] for p in parts]))


def records(longest: float, most: float, count: int = 5) -> st.SearchStrategy[Segments]:
    part = st.tuples(st.floats(longest / 100, longest), st.floats(0.0, most))
    return st.lists(part, min_size=1, max_size=count).map(record_of)


@settings(max_examples=60, deadline=None)
@given(records(10.0, 120.0), st.floats(0, 0.9), st.integers(0, 2**32))
def test_no_inverse_time_breaker_leaves_the_band(record: Segments, level: float, seed: int) -> None:
    times, travel = travelling(record, Errors.drawn(400, seed), level)
    band = operate_band(INVERSE, AT, record, (level, level), "drive")
    low, high = level_interval(INVERSE, AT, record, (level, level), "drive")

    assert times.min() >= band.early_s - 1e-9
    assert band.late_s is None or times.max() <= band.late_s + 1e-9
    assert low - 1e-9 <= travel.min()
    assert travel.max() <= high + 1e-9
    if must_not_operate(INVERSE, AT, record, record.duration_s, (level, level), "drive"):
        assert np.isinf(times).all()


@settings(max_examples=15, deadline=None)
@given(records(0.3, 220.0, 4), st.integers(0, 2**32))
def test_no_junction_breaker_leaves_the_band(record: Segments, seed: int) -> None:
    times, ends = heated(record, Errors.drawn(100, seed))
    band = operate_band(JUNCTION, {}, record, COLD, ambient=(23.0, 27.0))
    low, high = junction_temperatures(JUNCTION, {}, record, COLD, ambient=(23.0, 27.0))

    assert times.min() >= band.early_s * 0.999 - 1e-4
    assert band.late_s is None or times.max() <= band.late_s * 1.001 + 1e-4
    assert low - 0.005 * abs(low) <= ends.min()
    assert ends.max() <= high * 1.005


@settings(max_examples=80, deadline=None)
@given(
    st.sampled_from([OVERCURRENT, UNDERVOLTAGE, HOT]).flatmap(
        lambda function: st.tuples(st.just(function), records(0.8, 2 * float(function.threshold.fixed or 0), 6))
    ),
    st.integers(0, 2**32),
)
# A return between two samples, after which the quantity stays inside the hysteresis: the delay runs on.
@example((HOT, record_of([(0.25, 84.0), (0.0156, 0.0), (0.5, 73.0)])), 0)
# A crossing between two samples, likewise: the delay never begins.
@example((HOT, record_of([(0.03125, 88.0), (0.75, 77.0)])), 0)
def test_no_definite_time_breaker_leaves_the_band(case: tuple[DefiniteTime, Segments], seed: int) -> None:
    function, record = case
    band = operate_band(function, {}, record, COLD)

    for number in range(5):
        time = sampled(function, record, (seed + number) % 2**32)
        assert time >= band.early_s - 1e-9
        assert band.late_s is None or time <= band.late_s + 1e-9


@pytest.mark.parametrize("current", [100.0, 140.0])
def test_bands_are_no_wider_than_the_breakers_there_are(current: float) -> None:
    times, _ = travelling(Segments.constant(current, 100.0), Errors.drawn(20_000, 1), 0.0)
    band = operate_band(INVERSE, AT, current, COLD, "drive")
    assert times.min() == pytest.approx(band.early_s, rel=1e-9)
    assert times.max() == pytest.approx(band.late_s, rel=1e-9)

    hot, _ = heated(Segments.constant(current, 2.0), Errors.drawn(1000, 1))
    junction = operate_band(JUNCTION, {}, current, COLD, ambient=(23.0, 27.0))
    assert hot.min() == pytest.approx(junction.early_s, rel=5e-3)
    assert hot.max() == pytest.approx(junction.late_s, rel=5e-3)


def test_only_a_return_that_a_sample_may_miss_is_bridged() -> None:
    # By hand: 120 ms of latency; at 0 degC until the first sample, at most 85 + 2 degC read, 75 - 2 still counts.
    def early(pause: float, after: float) -> float:
        return operate_band(HOT, {}, record_of([(0.25, 84.0), (pause, 0.0), (0.5, after)]), COLD).early_s

    assert early(0.119, 73.0) == pytest.approx(0.5 / 1.01)
    assert early(0.121, 73.0) == math.inf
    assert early(0.119, 72.9) == math.inf  # below the hysteresis for good
    assert operate_band(HOT, {}, record_of([(0.45, 84.0), (0.1, 0.0)]), COLD).early_s == math.inf  # nothing after it


def test_only_a_crossing_that_no_sample_may_miss_is_certain() -> None:
    # By hand: 120 ms of latency; 78 degC read as 76 or more is inside the hysteresis, and the delay runs on.
    def late(crossing: float) -> float | None:
        return operate_band(HOT, {}, record_of([(crossing, 88.0), (0.75, 78.0)]), COLD).late_s

    assert late(0.121) == pytest.approx(0.5 / 0.99 + 0.12)
    assert late(0.119) is None


# Directions that the corners rest on


MODELS = st.sampled_from([INVERSE, OVERCURRENT, SHORT_CIRCUIT, JUNCTION])


def never_later(sooner: TripModel, now: Segments, level: float, later: TripModel, then: Segments, lower: float) -> None:
    first, last = sooner.operate_time(now, level), later.operate_time(then, lower)
    if last is not None:
        assert first is not None
        assert first <= last * (1 + 1e-9) + 1e-12
    assert sooner.level_after(now, level) >= later.level_after(then, lower) * (1 - 1e-9) - 1e-12


@settings(max_examples=150, deadline=None)
@given(MODELS, records(2.0, 220.0), st.floats(0, 0.9), st.floats(0, 0.09), st.floats(1, 1.3), st.floats(0, 9))
@example(JUNCTION, record_of([(2.0, 187.0), (2.0, 220.0)]), 0.0, 0.0, 1.28, 0.0)  # runs away past what floats hold
def test_more_current_or_a_higher_start_is_never_later(
    function: ProtectionFunction, record: Segments, level: float, rise: float, gain: float, offset: float
) -> None:
    model = model_of(function, AT)

    never_later(model, record.shifted(gain, offset), level, model, record, level)
    never_later(model, record, level + rise, model, record, level)


@settings(max_examples=150, deadline=None)
@given(MODELS, records(2.0, 220.0), st.floats(0, 0.9), st.floats(1, 1.2))
@example(JUNCTION, record_of([(1.0, 169.0), (2.0, 220.0), (1.0, 106.0)]), 0.0, 1.125)  # turns after a runaway
def test_faster_on_the_way_or_slower_back_is_never_later(
    function: ProtectionFunction, record: Segments, level: float, rate: float
) -> None:
    model = model_of(function, AT)

    never_later(model.paced(rate, 1.0), record, level, model, record, level)
    never_later(model.paced(1.0, 1 / rate), record, level, model, record, level)


@settings(max_examples=60, deadline=None)
@given(records(0.5, 220.0), st.floats(0, 0.9))
def test_a_hotter_sink_and_each_tolerance_of_a_junction_is_never_later(record: Segments, level: float) -> None:
    last, first = (model_of(JUNCTION, {}, Case(sense, ambient=(23.0, 27.0))) for sense in (-1, 1))

    never_later(first, record, level, last, record, level)


@settings(max_examples=60, deadline=None)
@given(records(0.4, 200.0), records(0.4, 200.0))
def test_a_junction_level_carried_on_is_never_too_narrow(one: Segments, other: Segments) -> None:
    whole = Segments(np.concatenate([one.durations, other.durations]), np.concatenate([one.currents, other.currents]))
    low, high = junction_temperatures(JUNCTION, {}, other, level_interval(JUNCTION, {}, one, COLD))
    least, most = junction_temperatures(JUNCTION, {}, whole, COLD)

    assert low <= least * (1 + 1e-9)
    assert high >= most * (1 - 1e-9)


# Worked bands


def test_worked_bands() -> None:
    # By hand: 60 A read as 61.5 and 58.5 A; 13.5/(M - 1) at pickup 20 A, 1 % of time, 1 to 20 ms of latency.
    inverse = operate_band(INVERSE, AT, 60.0, COLD, "drive")
    assert inverse.early_s == pytest.approx(13.5 / (61.5 / 20 - 1) / 1.01 + 0.001)
    assert inverse.nominal_s == pytest.approx(6.75 + 0.0105)
    assert inverse.late_s == pytest.approx(13.5 / (58.5 / 20 - 1) / 0.99 + 0.02)

    delay = operate_band(OVERCURRENT, {}, 60.0, COLD)
    assert (delay.early_s, delay.nominal_s) == pytest.approx((0.2 / 1.01 + 0.001, 0.2 + 0.0105))
    assert delay.late_s == pytest.approx(0.2 / 0.99 + 0.02)

    comparator = operate_band(SHORT_CIRCUIT, {}, 200.0, COLD)
    assert (comparator.early_s, comparator.nominal_s, comparator.late_s) == pytest.approx((3e-7, 9e-7, 1.5e-6))

    silence = silence_band(SILENCE, {})
    assert (silence.early_s, silence.nominal_s) == pytest.approx((2 / 1.01, 2.0125))
    assert silence.late_s == pytest.approx(2 / 0.99 + 0.025)

    sensor = operate_band(SENSOR, {}, 1e6, COLD)  # shorted: as hot as can be
    assert (sensor.early_s, sensor.late_s) == pytest.approx((0.2 / 1.01, 0.2 / 0.99 + 0.12))


def test_the_mode_chooses_the_set_point() -> None:
    assert pickup_zone(INVERSE, AT, "charge").pickup == 5.0
    assert operate_band(INVERSE, AT, 10.0, COLD, "charge").late_s is not None
    assert operate_band(INVERSE, AT, 10.0, COLD, "drive").late_s is None


@pytest.mark.parametrize(
    ("function", "value", "zone"),
    [
        (OVERCURRENT, 50.0, "49.7/1.02 50.3/0.98 A"),
        (UNDERVOLTAGE, 9.0, "8.9/1.01 9.1/0.99 V"),
        (HOT, 84.0, "83 87 degC"),
        (SHORT_CIRCUIT, -180.0, "179/1.02 181/0.98 A"),
    ],
)
def test_zones_in_the_unit_of_the_quantity(function: ProtectionFunction, value: float, zone: str) -> None:
    low, high, unit = zone.split()
    with pytest.raises(InPickupZone, match=unit) as refusal:
        operate_band(function, {}, value, COLD)

    edges = [float(a) / float(b or 1) for a, _, b in (edge.partition("/") for edge in (low, high))]
    assert (refusal.value.zone.low, refusal.value.zone.high) == pytest.approx(edges)


def test_an_undervoltage_operates_below_its_zone_only() -> None:
    assert operate_band(UNDERVOLTAGE, {}, 8.0, COLD).late_s == pytest.approx(0.2 / 0.99 + 0.02)
    assert operate_band(UNDERVOLTAGE, {}, 9.3, COLD).early_s == math.inf
    assert must_not_operate(UNDERVOLTAGE, {}, 12.0, 1e6, COLD)
    # In the zone, from 8.812 to 9.192 V, the first breaker operates and the last one does not.
    for value in (8.9, 9.1):
        band = operate_band(UNDERVOLTAGE, {}, Segments.constant(value, 10.0), COLD)
        assert (band.early_s, band.late_s) == (pytest.approx(0.2 / 1.01), None)


def test_an_undervoltage_at_0_is_disabled() -> None:
    off = replace(UNDERVOLTAGE, threshold=fixed(0.0))

    assert operate_band(off, {}, 0.0, COLD).early_s == math.inf
    assert must_not_operate(off, {}, 0.0, 1e6, COLD)


def test_a_return_by_less_than_the_hysteresis_does_not_start_anew() -> None:
    def dip(value: float) -> Segments:
        return Segments(np.array([0.15, 0.1, 0.3]), np.array([60.0, value, 60.0]))

    # 48 A is above 50 - 4 A for every breaker; 40 A is not for any, and 0.1 s are too long to go unseen.
    assert operate_band(OVERCURRENT, {}, dip(48.5), COLD).late_s == pytest.approx(0.2 / 0.99 + 0.02)
    assert operate_band(OVERCURRENT, {}, dip(40.0), COLD).early_s == pytest.approx(0.25 + 0.2 / 1.01 + 0.001)


def test_a_short_return_may_go_unseen_and_may_not() -> None:
    record = Segments(np.array([0.15, 0.01, 0.3]), np.array([60.0, 0.0, 60.0]))
    band = operate_band(OVERCURRENT, {}, record, COLD)

    assert band.early_s == pytest.approx(0.2 / 1.01 + 0.001)
    assert band.late_s == pytest.approx(0.16 + 0.2 / 0.99 + 0.02)


def test_a_comparator_is_deaf_at_first() -> None:
    onto = operate_band(SHORT_CIRCUIT, {}, 250.0, COLD, closed_at=1e-6)

    assert (onto.early_s, onto.late_s) == pytest.approx((3e-6 + 3e-7, 3e-6 + 1.5e-6))
    ramp = Trace(0.0, 1e-8, np.minimum(2e6 * np.arange(1000) * 1e-8, 250.0))
    # 2 A/us: it crosses (180 - 1)/1.02 and (180 + 1)/0.98 A, a sample of 10 ns apart at most.
    slow = operate_band(SHORT_CIRCUIT, {}, Trace(0.0, 1e-7, np.minimum(2e6 * np.arange(2000) * 1e-7, 250.0)), COLD)
    assert operate_band(SHORT_CIRCUIT, {}, ramp, COLD).early_s == math.inf
    assert slow.early_s == pytest.approx(179 / 1.02 / 2e6 + 3e-7, abs=1.01e-7)
    assert slow.late_s == pytest.approx(181 / 0.98 / 2e6 + 1.5e-6, abs=1.01e-7)


def test_only_what_remembers_has_to_cool() -> None:
    assert cooled(OVERCURRENT, {}, 1.0, (0.0, 1.0)) == (0.0, 0.0)
    assert time_to_cool(UNDERVOLTAGE, {}, 1.0, 0.1) == 0.0
    assert time_to_cool(INVERSE, AT, 1.0, 0.4, "drive") == pytest.approx(0.6 * 20 / 0.99)
    wait = time_to_cool(JUNCTION, {}, 1.0, 0.1)
    assert wait is not None
    assert cooled(JUNCTION, {}, wait, (0.0, 1.0))[1] == pytest.approx(0.1)


def test_reset_levels() -> None:
    assert reset_level(INVERSE, AT) == 0.4
    assert reset_level(JUNCTION, {}, ambient=(23.0, 30.0)) == pytest.approx(60 / 120)
    assert reset_level(OVERCURRENT, {}) is None


def test_who_watches_the_current_of_a_closed_switch() -> None:
    stuck = replace(OVERCURRENT, condition="commanded_open")
    every = [INVERSE, OVERCURRENT, stuck, UNDERVOLTAGE, SHORT_CIRCUIT, JUNCTION, SILENCE, SENSOR, HOT]

    assert [f for f in every if on_current(f)] == [INVERSE, OVERCURRENT, SHORT_CIRCUIT, JUNCTION]
    assert [f for f in every if on_quantity(f, "heat_sink_temperature")] == [SENSOR, HOT]


def test_a_record_of_a_lasting_current_has_its_band() -> None:
    for function, current in ((INVERSE, 60.0), (OVERCURRENT, 60.0), (JUNCTION, 160.0)):
        lasting = operate_band(function, AT, current, COLD, "drive")
        record = operate_band(function, AT, Trace(0.0, 1e-3, np.full(9000, current)), COLD, "drive")
        assert (record.early_s, record.nominal_s) == pytest.approx((lasting.early_s, lasting.nominal_s), rel=1e-6)
        assert record.late_s == pytest.approx(lasting.late_s, rel=1e-6)


def test_nominal_lies_between_the_corners() -> None:
    for function in (INVERSE, OVERCURRENT, SHORT_CIRCUIT, JUNCTION):
        first, nominal, last = (c.operate_times(np.array([200.0]), 0.0)[0] for c in corners(function, AT))
        assert first < nominal < last < math.inf
