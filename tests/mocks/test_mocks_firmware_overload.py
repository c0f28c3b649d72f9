"""Overload by thermal memory in fixed point, and a firmware that has nothing else."""

import math
from dataclasses import replace

import pytest

from harness.files.profile import load_device, shipped_device
from mocks.calibrate import calibrate
from mocks.firmware.calibration import ThermalCalibration
from mocks.firmware.overload import TRIP_LEVEL, Overload
from mocks.firmware.states import State
from mocks.firmware.tasks import Firmware, Terminals, Trip

SHIPPED = load_device(shipped_device("heater"))
DEVICE = replace(SHIPPED, functions={"overload": SHIPPED.functions["overload"]}, lockout=None)
COUNTS_PER_AMPERE = 65536 / 400  # 16 bits over ±200 A
STEP_S = 0.01


def overload(pickup: float = 10.0, heating: float = 60.0, cooling: float = 120.0) -> Overload:
    """An overload function with these set-points, written as the bus would: 0.01 A, 0.1 s, 0.5 % a step."""
    calibration = calibrate(DEVICE)
    constants = calibration.protection.memory
    assert isinstance(constants, ThermalCalibration)
    function = Overload(constants, calibration.slow_period_us)
    function.adopt(
        {
            "overload_pickup": round(pickup * 100),
            "overload_time_constant": round(heating * 10),
            "overload_cooling_time_constant": round(cooling * 10),
            "overload_reset_level": 100,
        },
        mode=0,
    )
    return function


def sample(function: Overload, counts: int) -> bool:
    """One sample of a constant current; whether it operates."""
    function.sample(counts, counts * counts)
    return function.due


def counts(amperes: float) -> int:
    return round(amperes * COUNTS_PER_AMPERE)


# Cold operate time over time constant: facts/protection.md section 2, its table for tau = 600 s (V:calc).
COLD = {1.1: 1050.7609, 1.2: 711.3742, 1.5: 352.6720, 2: 172.6092, 5: 24.4932, 10: 6.0302}


@pytest.mark.parametrize("heating", [20.0, 60.0, 600.0])
@pytest.mark.parametrize("multiple", COLD)
def test_cold_operate_time(multiple: float, heating: float):
    """Within one sample, half a step's share of the time constant (Euler) and the rounding of the level.

    31.25 A and 12.5 A are whole counts, and so are these multiples of them.
    """
    pickup = 31.25 if multiple < 10 else 12.5
    function, samples = overload(pickup, heating=heating), 1
    while not sample(function, counts(pickup * multiple)):
        samples += 1
    expected = COLD[multiple] * heating / 600

    assert samples * STEP_S == pytest.approx(expected, rel=STEP_S / heating / 2 + 2e-4, abs=STEP_S)


# facts/protection.md section 2 (V:calc), tau = 600 s: level after 100 s at M = 2 from cold; H 1 -> 0.5 without current.
def test_level_and_cooling():
    function = overload(heating=600.0, cooling=600.0)
    for _ in range(10_000):
        sample(function, counts(20))
    assert function.level / TRIP_LEVEL == pytest.approx(0.6140731, abs=2e-4)

    function.level, samples = TRIP_LEVEL, 0
    while function.level > TRIP_LEVEL // 2:
        sample(function, 0)
        samples += 1
    assert samples * STEP_S == pytest.approx(415.8883, rel=2e-4)


def test_cooling_has_its_own_time_constant_and_direction_does_not_matter():
    warm, cold = overload(heating=20.0, cooling=200.0), overload(heating=20.0, cooling=200.0)
    for _ in range(500):
        sample(warm, counts(-15))
        sample(cold, counts(15))
    assert warm.level == cold.level > 0

    before = warm.level
    for _ in range(2_000):
        sample(warm, 0)
    assert warm.level / before == pytest.approx(math.exp(-0.1), rel=1e-3)


def test_never_trips_at_the_pickup_current():
    """The level's limit is (I/pickup)²; rounding only ever keeps it below."""
    function = overload(pickup=32.0, heating=2.0)  # 32 A is exactly 5242.88 counts: the count below it

    assert not any(sample(function, 5242) for _ in range(100_000))
    assert function.level / TRIP_LEVEL == pytest.approx((5242 / 5242.88) ** 2, abs=1e-5)


def test_the_trip_level_itself_trips():
    """One count at the pickup moves the level by less than its last bit."""
    function = overload(pickup=31.25)
    function.level = TRIP_LEVEL

    assert sample(function, 5120)
    assert function.level == TRIP_LEVEL
    function.level = TRIP_LEVEL - 1
    assert not sample(function, 5120)


def test_pickup_is_the_set_points_own_count():
    function = overload(pickup=31.25)  # 5120 counts
    sample(function, 5119)
    assert not function.picked_up
    sample(function, 5120)
    assert function.picked_up


def test_pickup_flag_and_operate_time():
    function = overload(pickup=10.0)
    seen = []
    for amperes in (9.99, 10.01, 9.6, 9.4, 9.6, -10.01):
        sample(function, counts(amperes))
        seen.append((function.picked_up, function.operate_us))

    assert seen == [(False, 0), (True, 10_000), (True, 20_000), (False, 0), (False, 0), (True, 10_000)]


TERMINALS = Terminals(13_480, 18_000, 7_000, calibrate(DEVICE).temperatures.index(250))


class Rig:
    """Firmware with its supply on, and what it wrote to its outputs."""

    def __init__(self) -> None:
        self.gate: list[bool] = []
        self.trips: list[Trip] = []
        self.firmware = Firmware(calibrate(DEVICE), self.gate.append, lambda: TERMINALS)
        self.firmware.on_trip = self.trips.append
        self.firmware.power_on()
        self.gate.clear()

    def command(self, *words: str) -> State:
        for each in words:
            self.firmware.command(DEVICE.command.commands[each])
        return self.firmware.state

    def run(self, amperes: float, samples: int) -> int:
        """Samples until one changed the state, or all of them."""
        for sample in range(1, samples + 1):
            if self.firmware.slow_task(counts(amperes), counts(amperes) ** 2):
                return sample
        return samples


def test_trip_opens_once_and_says_what_it_saw():
    rig = Rig()
    rig.command("none", "close")
    samples = rig.run(55.0, 10_000)  # twice the default pickup of 27.5 A, tau 60 s: 17.261 s by the table above
    again = rig.run(55.0, 100)

    assert samples == pytest.approx(1726, abs=2)
    assert again == 100
    assert rig.gate == [True, False]
    (trip,) = rig.trips
    assert (trip.cause, trip.trip_count, trip.supply_voltage) == ("overload", 1, 13_480)
    assert trip.current == counts(55.0)
    assert trip.operate_time == samples * 10 == trip.uptime
    assert TRIP_LEVEL <= trip.heat < TRIP_LEVEL * 1.001
    status = rig.firmware.status_signals()
    assert status == {
        "HtrState": 2, "HtrSwitch": 0, "HtrCause": 1, "HtrCurrent": 10_200,  # (55 + 200) A / 0.025 A
        "HtrPickup": 1, "HtrTripped": 1, "HtrHot": 1,
    }  # fmt: skip


def test_closing_again_wants_an_acknowledgement_and_a_cool_memory():
    rig = Rig()
    rig.command("none", "close")
    rig.run(100.0, 10_000)

    assert rig.command("none", "close") is State.TRIPPED  # not acknowledged
    assert rig.firmware.status_signals()["HtrCause"] == 1
    assert rig.command("open") is State.COOLING
    assert rig.firmware.status_signals()["HtrCause"] == 0
    assert rig.command("close") is State.COOLING
    cooling = rig.run(0.0, 100_000)  # until the state changes by itself
    assert cooling * STEP_S == pytest.approx(120 * math.log(2), rel=0.01)  # default reset level 50 %, cooling 120 s
    assert rig.firmware.state is State.OFF  # the standing close command closes nothing by itself
    assert rig.command("close") is State.OFF
    assert rig.command("none", "close") is State.ON
    assert len(rig.trips) == 1


def test_reset_level_itself_bars_closing():
    rig = Rig()
    rig.firmware.overload.level = TRIP_LEVEL // 2  # the default reset level, 50 %

    assert rig.command("none", "close") is State.OFF
    rig.firmware.overload.level -= 1
    assert rig.command("none", "close") is State.ON


def test_command_acts_on_its_change_only():
    rig = Rig()
    rig.command("none", "close", "close")
    rig.run(100.0, 10_000)
    rig.command("close", "close")

    assert rig.gate == [True, False]
    assert rig.firmware.state is State.TRIPPED


def test_power_cycle_starts_off_cold_and_deaf_to_a_standing_close_command():
    rig = Rig()
    rig.command("none", "close")
    rig.run(100.0, 10_000)
    uptime = rig.firmware.uptime_ms
    rig.firmware.power_off()
    rig.firmware.power_on()

    assert rig.command("close", "close") is State.OFF
    assert rig.firmware.overload.level == 0
    assert rig.firmware.status_signals()["HtrPickup"] == 0
    assert (rig.firmware.uptime_ms, rig.firmware.trip_count) == (uptime, 1)
    assert rig.command("open", "close") is State.ON


def test_close_command_that_came_while_the_supply_was_gone_closes_nothing():
    rig = Rig()
    rig.command("none")
    rig.firmware.power_off()
    rig.firmware.power_on()

    assert rig.command("close", "close") is State.OFF
    assert rig.command("none", "close") is State.ON


def test_power_cycle_ends_pickup_and_operate_time():
    rig = Rig()
    rig.run(100.0, 20)
    rig.firmware.power_off()
    rig.firmware.power_on()

    assert not rig.firmware.overload.picked_up
    assert rig.firmware.overload.operate_us == 0


def test_memory_that_is_kept_without_supply():
    """Another profile's declaration; the level stays as it was, and does not cool."""
    calibration = calibrate(DEVICE)
    memory = replace(calibration.protection.memory, kept_without_supply=True)
    kept = replace(calibration, protection=replace(calibration.protection, memory=memory))
    firmware = Firmware(kept, lambda on: None, lambda: TERMINALS)
    firmware.power_on()
    for _ in range(100):
        firmware.slow_task(counts(60), counts(60) ** 2)
    level = firmware.overload.level
    firmware.power_off()
    firmware.power_on()

    assert firmware.overload.level == level > 0


def test_supply_loss_opens_and_says_so_to_the_gate():
    rig = Rig()
    rig.command("none", "close")
    rig.firmware.power_off()

    assert rig.gate == [True, False]
    assert rig.firmware.state is State.OFF


def test_injection_with_the_switch_open_heats_and_does_not_trip():
    rig = Rig()
    rig.run(100.0, 1_000)

    assert rig.trips == []
    assert rig.firmware.state is State.OFF
    assert rig.firmware.overload.level > TRIP_LEVEL
    assert rig.command("none", "close") is State.OFF


def test_uptime_wraps_at_32_bits():
    rig = Rig()
    rig.firmware.uptime_ms = 2**32 - 20
    rig.run(0.0, 3)

    assert rig.firmware.uptime_ms == 10
