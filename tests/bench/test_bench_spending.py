"""What a step uses a breaker up by: no less than what breaking its current, or a short circuit in its place, gives."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from harness.bench.fault import into_clamp, let_through, loop_at
from harness.bench.spec import load_bench, shipped_bench
from harness.bench.spending import Spending, spending_of
from harness.files.profile import load_device, shipped_device
from harness.plan.steps import ExpectNoTrip, ExpectTrip, ShortCircuit
from harness.trip.fault_current import Loop
from protocol.device import Device
from protocol.protection import Instantaneous

BENCH = load_bench(shipped_bench("simulated"))
HEATER = load_device(shipped_device("heater"))
assert BENCH.loop is not None
LOOP = Loop(700.0, 20e-6, 20e-3)
# (190 A and 1 A) by 2 % later, and then 35 A/us less what 20 mohm take, for 1.5 us: what the comparator lets through.
MOST = 191 / 0.98 + (700 - 0.02 * 191 / 0.98) / 20e-6 * 1.5e-6


def drawn(**changes: object) -> ExpectTrip:
    return ExpectTrip.model_validate({"draw": "25 A", "voltage": "700 V", "function": "overload", **changes})


def comparator(device: Device, **changes: object) -> Device:
    function = device.functions["short_circuit"]
    assert isinstance(function, Instantaneous)
    return replace(device, functions={**device.functions, "short_circuit": replace(function, **changes)})  # type: ignore[arg-type]


def defaults(device: Device) -> dict[str, float]:
    return {name: float(point.default) for name, point in device.set_points.items()}


def test_a_drawn_current_is_spent_as_the_short_circuit_that_it_may_become() -> None:
    found = spending_of(drawn(), HEATER, BENCH)
    assert found == Spending(0, pytest.approx(LOOP.clamp_energy(MOST, 930.0), rel=1e-3))


def test_a_current_that_begins_higher_is_spent_as_it_begins() -> None:
    step = drawn(draw="190 A", function="short_circuit", ramp={"from": "419 A", "rate": "1 A/us"})
    assert spending_of(step, HEATER, BENCH) == Spending(1, pytest.approx(LOOP.clamp_energy(419.0, 930.0)))


def test_a_loop_that_never_comes_to_the_threshold_carries_all_that_it_can() -> None:
    assert BENCH.loop is not None
    weak = replace(BENCH, loop=replace(BENCH.loop, resistance=4.0))
    found = spending_of(drawn(), HEATER, weak).clamp_energy
    assert found == pytest.approx(Loop(700.0, 20e-6, 4.0).clamp_energy(175.0, 930.0))


def test_what_is_deaf_at_first_lets_more_through() -> None:
    deaf = comparator(HEATER, blanking=10e-6)
    assert let_through(deaf.functions.values(), LOOP, deaf, defaults(deaf)) == pytest.approx(
        LOOP.current(10e-6 + 1.5e-6)
    )


def test_the_comparator_that_comes_first_ends_it() -> None:
    function = HEATER.functions["short_circuit"]
    assert isinstance(function, Instantaneous)
    slow = replace(function, name="slow", response=(1e-6, 9e-6))
    both = {**HEATER.functions, "slow": slow}
    assert let_through(both.values(), LOOP, HEATER, defaults(HEATER)) == let_through(
        HEATER.functions.values(), LOOP, HEATER, defaults(HEATER)
    )


def test_without_a_mode_it_is_the_one_in_which_most_gets_through() -> None:
    pump = load_device(shipped_device("pump"))
    function = pump.functions["short_circuit"]
    assert isinstance(function, Instantaneous)
    threshold = replace(
        function.threshold, fixed=None, banks={"drive": "overcurrent_pickup", "charge": "overload_pickup_drive"}
    )
    modal = comparator(pump, threshold=threshold)
    values, functions = defaults(modal), list(modal.functions.values())
    each = [let_through(functions, LOOP, modal, values, mode) for mode in ("drive", "charge")]
    assert each[0] > each[1]
    assert let_through(functions, LOOP, modal, values) == each[0]


def test_without_a_comparator_the_current_alone_counts() -> None:
    bare = replace(HEATER, functions={"overload": HEATER.functions["overload"]})
    assert spending_of(drawn(), bare, BENCH).clamp_energy == pytest.approx(LOOP.clamp_energy(25.0, 930.0))


@pytest.mark.parametrize("clamp", [None, (700.0, 1030.0), (690.0, 1030.0)])
def test_what_no_clamp_ends_is_not_nothing(clamp: tuple[float, float] | None) -> None:
    device = replace(HEATER, ratings=replace(HEATER.ratings, clamp=clamp))
    assert spending_of(drawn(), device, BENCH).clamp_energy == math.inf
    assert spending_of(ShortCircuit.model_validate({"voltage": "700 V"}), device, BENCH).clamp_energy == math.inf


@pytest.mark.parametrize("threshold", [100.0, 180.0, 190.0])
def test_no_less_than_what_check_holds_against_the_limits(threshold: float) -> None:
    values = defaults(HEATER) | {"short_circuit_threshold": threshold}
    assert BENCH.loop is not None
    loop = loop_at(700.0, BENCH.loop)
    demanded = into_clamp(let_through(HEATER.functions.values(), loop, HEATER, values), loop, HEATER)
    assert spending_of(drawn(), HEATER, BENCH).clamp_energy >= demanded


def test_what_need_not_be_broken_uses_nothing_up() -> None:
    hold = ExpectNoTrip.model_validate({"draw": "20 A", "voltage": "700 V", "duration": "1 s"})
    assert spending_of(hold, HEATER, BENCH) == Spending()
    injected = drawn(draw=None, voltage=None, inject="25 A")
    assert spending_of(injected, HEATER, BENCH) == Spending()
