"""What proves both sides dead, and everything that looks like it and does not."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest

from harness.bench.proof import Reading, Seen, Side, judge_discharge, live_side
from harness.bench.safety_spec import DischargeSpec, VoltmeterSpec

DISCHARGE = DischargeSpec(resistance=1000.0, source_side=100e-6, load_side=50e-6, within=2.0)
METER = VoltmeterSpec("simulated", 1, 2, gain=0.005, offset=0.5)
SEEN = Seen().then(699.0, 698.0, source=700.0)
TIMES = [0.02 * k for k in range(61)]

Curve = Callable[[float], float]


def falling(ohm: float, farad: float, began: float = 700.0) -> Curve:
    return lambda t: began * math.exp(-t / (ohm * farad))


GOOD_SOURCE, GOOD_LOAD = falling(1000.0, 100e-6), falling(1000.0, 50e-6)


def problems(source: Curve, load: Curve, seen: Seen = SEEN, times: list[float] = TIMES) -> tuple[str, ...]:
    return judge_discharge([Reading(t, source(t), load(t)) for t in times], seen, DISCHARGE, METER).reasons


def test_both_sides_that_fell_as_they_should_are_dead() -> None:
    assert problems(GOOD_SOURCE, GOOD_LOAD) == ()


def test_two_sides_that_fall_together_through_a_switch_that_does_not_open_are_dead() -> None:
    together = falling(500.0, 150e-6)

    assert problems(together, together) == ()


@pytest.mark.parametrize("factor", [0.8, 1.3])
def test_tolerances_of_resistor_and_capacitor_are_allowed_for(factor: float) -> None:
    assert problems(falling(1000.0 * factor, 100e-6), falling(1000.0 * factor, 50e-6)) == ()


@pytest.mark.parametrize(
    ("load_v", "seen"),
    [
        ((698.0, 400.0, 150.0, 3.0), True),
        ((698.0, 650.0, 400.0, 400.0, 150.0, 0.0), True),
        (tuple(698.0 * 0.99**k for k in range(300)), True),
        ((698.0, 3.0), False),
        ((698.0, 400.0, 3.0), False),
        ((698.0, 400.0, 400.0, 400.0, 3.0), False),  # another voltage is no way down
        ((698.0, 680.0, 660.0, 640.0, 3.0), False),  # nor is a source that sags
        ((698.0, 400.0, 150.0, 3.0, 698.0, 3.0), False),  # what was seen once is no more than that
    ],
)
def test_a_side_that_is_dead_when_the_discharge_begins_was_seen_to_fall_before(
    load_v: tuple[float, ...], seen: bool
) -> None:
    readings = [Reading(t, GOOD_SOURCE(t), 3.0) for t in TIMES]
    before = Seen(700.0, Side(699.0, 699.0, 699.0), Side())
    for volts in load_v:
        before = before.then(699.0, volts)

    reasons = judge_discharge(readings, before, DISCHARGE, METER).reasons

    assert reasons == (() if seen else ("load side: nobody saw it fall: a lead may be off",))


@pytest.mark.parametrize(
    ("source", "load", "seen", "why"),
    [
        (lambda t: 0.0, lambda t: 0.0, Seen(), "source side: this channel has not read the source's voltage"),
        (GOOD_SOURCE, lambda t: 0.0, Seen().then(699.0, 3.0, source=700.0), "load side: this channel has not read"),
        (GOOD_SOURCE, lambda t: 700.0 if t < 0.01 else 0.0, SEEN, "load side: 0 V after 0.02 s, faster than"),
        (GOOD_SOURCE, falling(1e5, 50e-6), SEEN, "load side: reads up to"),
        (falling(1e5, 100e-6), GOOD_LOAD, SEEN, "source side: reads up to"),
        (falling(3000.0, 100e-6), GOOD_LOAD, SEEN, "the discharge does not work"),
        (lambda t: GOOD_SOURCE(t) if t < 1.0 else 80.0, GOOD_LOAD, SEEN, "source side: reads up to 84 V"),  # rebound
        (lambda t: -70.0 if t else 700.0, GOOD_LOAD, SEEN, "source side: reads up to 74 V"),
    ],
    ids=["never seen", "load never seen", "lead off", "stuck load", "stuck source", "slow", "rebound", "negative"],
)
def test_what_only_looks_dead_is_not_proved(source: Curve, load: Curve, seen: Seen, why: str) -> None:
    assert any(why in reason for reason in problems(source, load, seen)), problems(source, load, seen)


def test_readings_that_never_caught_it_falling_prove_nothing() -> None:
    assert any("nobody saw it fall" in reason for reason in problems(GOOD_SOURCE, GOOD_LOAD, times=[0.0, 1.5, 2.0]))


@pytest.mark.parametrize(("last_v", "dead"), [(59.0, False), (28.29, False), (28.28, True)])
def test_sixty_volts_alone_do_not_prove_the_energy(last_v: float, dead: bool) -> None:
    # 500 uF at 60 V still hold 0.9 J; 0.2 J are reached at 28.28 V (1/2 C V^2; limit of ISO 6469-4:2015 5.2.3).
    large = DischargeSpec(1000.0, 500e-6, 50e-6, 5.0)
    exact = VoltmeterSpec("simulated", 1, 2, 0.0, 0.0)
    falls = falling(1000.0, 500e-6)
    readings = [Reading(t, max(falls(t), last_v), GOOD_LOAD(t)) for t in (0.05 * k for k in range(40))]

    judged = judge_discharge(readings, SEEN, large, exact)

    assert judged.proved is dead
    assert dead or judged.reasons[0] == f"source side: holds up to {250e-6 * last_v**2:.2g} J, and 0.2 J is the limit"


def test_one_dead_reading_after_a_live_one_proves_nothing() -> None:
    falling_to_78_v = TIMES[:12]

    assert problems(GOOD_SOURCE, GOOD_LOAD, times=[*falling_to_78_v, 1.98, 2.0]) == ()
    assert problems(GOOD_SOURCE, GOOD_LOAD, times=[*falling_to_78_v, 2.0]) == (
        "source side: reads up to 82 V, and 60 V is the limit",
    )


def test_too_few_readings_prove_nothing() -> None:
    assert problems(GOOD_SOURCE, GOOD_LOAD, times=[0.0, 2.0])


@pytest.mark.parametrize(
    ("both", "why"),
    [
        ((59.0, 59.0), None),
        ((59.3, 0.0), "the source side reads 59 V"),  # 60 V with the voltmeter's error
        ((0.0, -59.3), "the load side reads -59 V"),
        ((0.0, 700.0), "the load side reads 700 V"),
    ],
)
def test_one_reading_is_live_by_the_limit_of_touch_less_what_the_voltmeter_may_be_wrong(
    both: tuple[float, float], why: str | None
) -> None:
    assert live_side(both, DISCHARGE, METER) == why


def test_one_reading_is_live_by_what_a_large_capacitor_still_holds() -> None:
    # 0.2 J (ISO 6469-4:2015 5.2.3): 500 uF reach it at 28.28 V
    large = DischargeSpec(resistance=1000.0, source_side=500e-6, load_side=50e-6, within=2.0)

    assert live_side((27.0, 27.0), large, METER) is None
    assert live_side((28.0, 0.0), large, METER) == "the source side reads 28 V"
    assert live_side((0.0, 28.0), large, METER) is None


@pytest.mark.parametrize("at", [0.0, 0.5, 1.0])
def test_a_voltmeter_that_is_slow_to_answer_is_allowed_for(at: float) -> None:
    """100 ms an answer, and it looked at the beginning of that, in its middle or at its end."""
    took = 0.1
    asked = [0.11 * number for number in range(30)]
    looked = [each + at * took for each in asked]
    readings = [
        Reading(each + took, GOOD_SOURCE(when), GOOD_LOAD(when), took_s=took)
        for each, when in zip(asked, looked, strict=True)
    ]

    reasons = judge_discharge(readings, SEEN, DISCHARGE, METER).reasons

    assert not any("does not work" in reason or "faster than" in reason for reason in reasons)


def test_a_slow_voltmeter_hides_no_discharge_that_is_stuck() -> None:
    readings = [Reading(0.11 * number + 0.1, 690.0, 690.0, took_s=0.1) for number in range(30)]

    assert any(
        "the discharge does not work" in reason for reason in judge_discharge(readings, SEEN, DISCHARGE, METER).reasons
    )
