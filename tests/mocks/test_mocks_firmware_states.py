"""The table of states, reactions, priorities, lock-out, modes: firmware by itself, its terminals in the test's hand."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import pytest
from world_bench import shipped

from mocks.calibrate import calibrate
from mocks.firmware.states import NEXT, Event, State
from mocks.firmware.tasks import Firmware, Terminals, Trip
from protocol.device import Device


class Rig:
    """Firmware with its supply on, and what it said to whom."""

    def __init__(self, device: Device | None = None) -> None:
        self.device = device or shipped()
        calibration = calibrate(self.device)
        self.temperatures = calibration.temperatures
        self.terminals = Terminals(13_500, 18_000, 7_000, self.temperatures.index(250))
        self.latched = False
        self.references: list[int] = []
        self.gate: list[bool] = []
        self.trips: list[Trip] = []
        self.conditions: list[tuple[str, bool]] = []
        self.firmware = Firmware(
            calibration, self.gate.append, lambda: self.terminals, self.references.append, lambda: self.latched
        )
        self.firmware.on_trip = self.trips.append
        self.firmware.on_condition = lambda cause, present: self.conditions.append((cause, present))
        self.firmware.power_on()

    def command(self, *words: str) -> str:
        for each in words:
            self.firmware.command(self.device.command.commands[each])
        return self.firmware.state.value

    def set(self, **values: int) -> None:
        self.terminals = self.terminals._replace(**values)

    def celsius(self, value: float) -> None:
        self.set(thermistor=min(range(len(self.temperatures)), key=lambda c: abs(self.temperatures[c] - value * 10)))

    def run(self, seconds: float, amperes: float = 0.0, talking: bool = True) -> str:
        """Slow periods, each with its fast ones, the master talking unless told otherwise."""
        sensing = self.device.sensing
        fast = round(amperes * (1 << sensing.fast_bits - 1) / sensing.full_scale)
        slow = round(amperes * (1 << sensing.slow_bits - 1) / sensing.full_scale)
        for _ in range(round(seconds * 100)):
            for _ in range(sensing.slow_period_ns // sensing.fast_period_ns):
                self.firmware.fast_task(fast)
            self.firmware.watch_task()
            self.firmware.slow_task(slow, slow**2)
            if talking:
                self.firmware.frame_heard()
        return self.firmware.state.value

    def close(self) -> None:
        assert self.command("none", "close") == "on"


def test_table_is_total_and_only_a_close_command_turns_on():
    assert NEXT.keys() == set(State)
    for state, event in product(State, Event):
        after = NEXT[state][event]
        if after is State.ON and state is not State.ON:
            assert (state, event) == (State.OFF, Event.CLOSE)
        if state is State.TRIPPED and after is not State.TRIPPED:
            assert event in (Event.OPEN, Event.OPEN_LOCKED)
        if state is State.LOCKED_OUT and after is not State.LOCKED_OUT:
            assert event is Event.RELEASE
        if state is State.ON and after is not State.ON:
            assert event in (Event.OPEN, Event.OPEN_LOCKED, Event.TRIP, Event.FAULT, Event.BLOCK)


@pytest.mark.parametrize(
    ("name", "cause", "terminals", "celsius", "amperes", "seconds"),
    [
        ("heater", "gate_rail_low", {"gate_rail": 12_990}, 25, 0, 0.03),
        ("heater", "overcurrent", {}, 25, 95, 0.12),
        ("heater", "junction_hot", {}, 85, 80, 2),
        ("heater", "heat_sink_hot", {}, 100, 0, 0.8),
        ("heater", "supply_low", {"supply": 8_480}, 25, 0, 0.11),
        ("heater", "supply_high", {"supply": 17_020}, 25, 0, 0.11),
        ("heater", "bus_low", {"bus": 2_995}, 25, 0, 0.06),
        ("heater", "bus_high", {"bus": 8_505}, 25, 0, 0.06),
        ("pump", "gate_rail_low", {"gate_rail": 13_980}, 25, 0, 0.02),
        ("pump", "overcurrent", {}, 25, 245, 0.06),
        ("pump", "heat_sink_hot", {}, 105, 0, 1.02),
    ],
)
def test_each_function_trips_with_its_own_cause(
    name: str, cause: str, terminals: dict[str, int], celsius: float, amperes: float, seconds: float
):
    rig = Rig(shipped(name))
    if "bus_undervoltage" in rig.device.set_points:
        rig.firmware.adopt({"bus_undervoltage": 3_000})
    rig.close()
    rig.run(0.1)
    rig.set(**terminals)
    if celsius != 25:
        for each in range(25, round(celsius) + 1, 5):
            rig.celsius(each)
            rig.run(0.02)
    assert rig.run(seconds, amperes) == "tripped"
    (trip,) = rig.trips
    assert (trip.cause, trip.trip_count) == (cause, 1)
    assert rig.firmware.cause == cause
    assert rig.firmware.status_signals()[rig.device.status.cause_signal] == rig.device.fault_codes[cause].cause_value


def test_silence_trips_and_a_frame_of_the_master_starts_it_anew():
    rig = Rig()
    rig.close()
    rig.run(4.9, talking=False)
    rig.firmware.frame_heard()
    assert rig.run(5.0, talking=False) == "on"
    assert rig.run(0.02, talking=False) == "tripped"
    assert rig.trips[0].cause == "silence"
    assert rig.trips[0].operate_time == pytest.approx(5000, abs=20)


@pytest.mark.parametrize("code", ["open", "short"])
def test_broken_sensor_is_not_taken_for_heat(code: str):
    rig = Rig()
    rig.close()
    rig.run(0.1)
    rig.set(thermistor=len(rig.temperatures) - 1 if code == "open" else 0)
    assert rig.run(2.0) == "tripped"
    assert [trip.cause for trip in rig.trips] == ["heat_sink_sensor"]
    assert rig.command("open") == "cooling"
    rig.celsius(25)
    assert rig.run(0.02) == "off"


def test_smaller_priority_gives_the_cause_of_what_is_due_at_once():
    """Both delays of the supply are one set-point: 100 ms. The bus's is 50 ms: set to the same."""
    rig = Rig()
    rig.firmware.adopt({"bus_delay": 100})
    rig.close()
    rig.set(supply=17_100, bus=8_600)
    rig.run(1)
    assert [trip.cause for trip in rig.trips] == ["supply_high"]

    functions = rig.device.functions
    swapped = {
        "supply_high": replace(functions["supply_high"], priority=11),
        "bus_high": replace(functions["bus_high"], priority=9),
    }
    rig = Rig(replace(rig.device, functions={**functions, **swapped}))
    rig.firmware.adopt({"bus_delay": 100})
    rig.close()
    rig.set(supply=17_100, bus=8_600)
    rig.run(1)
    assert [trip.cause for trip in rig.trips] == ["bus_high"]


def test_comparator_latch_is_read_by_the_next_fast_task():
    rig = Rig()
    assert rig.references[-1] == 180_000  # mA, default threshold
    rig.close()
    rig.latched = True

    assert rig.firmware.fast_task(0)
    assert (rig.firmware.state, rig.firmware.cause) == (State.TRIPPED, "short_circuit")
    rig.firmware.adopt({"short_circuit_threshold": 1234})
    assert rig.references[-1] == 123_400


def test_stuck_switch_is_found_with_the_switch_commanded_open():
    rig = Rig()
    rig.close()
    assert rig.run(1, 3) == "on"
    rig.command("open")
    assert rig.run(0.29, 3) == "off"
    assert rig.run(0.05, 3) == "tripped"
    assert rig.trips[0].cause == "switch_stuck"
    assert rig.command("none", "open") == "cooling"
    assert rig.run(0.02, 1.0) == "off"  # below 2 A less 0.5 A


def test_block_opens_bars_closing_and_needs_no_acknowledgement():
    rig = Rig(shipped("pump"))
    rig.close()
    rig.set(supply=8_900)
    assert rig.run(0.04) == "on"
    assert rig.run(0.03) == "off"
    assert rig.trips == []
    assert rig.conditions == [("supply_low", True)]
    assert rig.firmware.status_signals()["PmpReason"] == 37
    assert rig.command("none", "close") == "off"
    rig.set(supply=9_400)
    rig.run(0.1)
    assert rig.command("none", "close") == "off"  # 9 V and 0.5 V of hysteresis
    rig.set(supply=9_520)
    rig.run(0.02)
    assert rig.conditions == [("supply_low", True), ("supply_low", False)]
    assert rig.firmware.status_signals()["PmpReason"] == 0
    assert rig.command("none", "close") == "on"
    assert rig.firmware.trip_count == 0


def test_block_operates_with_the_switch_open_and_after_a_trip():
    rig = Rig(shipped("pump"))
    rig.set(supply=8_900)
    rig.run(0.1)
    assert (rig.conditions, rig.firmware.state) == ([("supply_low", True)], State.OFF)
    rig.set(supply=13_500)
    rig.run(0.1)
    rig.close()
    rig.run(1, 245)
    rig.set(supply=8_900)
    assert rig.run(0.1) == "tripped"
    assert rig.firmware.cause == "overcurrent"
    assert len(rig.conditions) == 3


def test_supply_out_of_range_bars_closing_though_its_reaction_is_trip():
    rig = Rig()
    rig.set(supply=8_000)
    rig.run(0.02)
    assert rig.command("none", "close") == "off"
    assert rig.trips == []
    rig.set(supply=9_020)
    rig.run(0.02)
    assert rig.command("none", "close") == "on"


def test_delay_counts_from_closing_for_what_lasted_before():
    rig = Rig()
    rig.set(gate_rail=12_000)
    rig.run(1)
    rig.close()
    assert rig.run(0.02) == "on"
    assert rig.run(0.02) == "tripped"
    assert rig.trips[0].cause == "gate_rail_low"


def test_cooling_ends_by_itself_and_closes_nothing():
    rig = Rig()
    rig.close()
    for celsius in range(30, 101, 5):
        rig.celsius(celsius)
        rig.run(0.02)
    assert rig.run(1) == "tripped"
    assert rig.command("open") == "cooling"
    assert rig.command("close") == "cooling"
    rig.celsius(86)
    assert rig.run(1) == "cooling"  # 95 degC less 10 K
    rig.celsius(84)
    assert rig.run(0.01) == "off"
    assert rig.run(1) == "off"
    assert rig.command("none", "close") == "on"


def trip_once(rig: Rig) -> None:
    rig.close()
    rig.run(0.2, 245)
    assert rig.firmware.state is State.TRIPPED


def test_lockout_after_trips_in_a_row_and_its_release():
    """The pump: 3 trips, each within 60 s of the one before."""
    rig = Rig(shipped("pump"))
    for _ in range(2):
        trip_once(rig)
        assert rig.command("open") == "cooling"
        assert rig.run(1) == "off"
    trip_once(rig)
    assert rig.command("open") == "locked_out"
    assert rig.command("none", "close") == "locked_out"
    rig.firmware.power_off()
    rig.firmware.power_on()
    assert rig.firmware.state is State.LOCKED_OUT
    assert rig.command("open", "close") == "locked_out"
    assert rig.firmware.status_signals()["PmpPhase"] == 15
    rig.firmware.release_lockout()
    assert rig.firmware.state is State.OFF
    rig.command("none")
    trip_once(rig)
    assert rig.command("open") == "cooling"  # counted anew


def test_lockout_counts_only_trips_close_to_one_another():
    rig = Rig(shipped("pump"))
    for _ in range(2):
        trip_once(rig)
        rig.command("open")
        rig.run(0.1)
    rig.firmware.uptime_ms += 60_000
    trip_once(rig)
    assert rig.command("open") == "cooling"


def test_lockout_count_outlasts_a_power_cycle():
    rig = Rig(shipped("pump"))
    for _ in range(2):
        trip_once(rig)
        rig.firmware.power_off()
        rig.firmware.power_on()
        rig.command("open")
    trip_once(rig)
    assert rig.command("open") == "locked_out"


def test_released_while_tripped_waits_for_the_acknowledgement():
    rig = Rig(shipped("pump"))
    for _ in range(3):
        trip_once(rig)
        rig.firmware.release_lockout()
        assert rig.firmware.state is State.TRIPPED
        rig.command("open")
        rig.run(1)


def test_mode_chooses_the_bank():
    """60 A: below the 66 A for driving, 2.73 times the 22 A for charging: 13.5 / 1.73 = 7.8 s."""
    rig = Rig(shipped("pump"))
    rig.close()
    for mode, state in (("drive", "on"), ("charge", "tripped")):
        rig.firmware.select_mode(rig.device.command.modes[mode])
        assert rig.run(9, 60) == state
    assert rig.trips[0].mode == 2
    assert rig.trips[0].operate_time == pytest.approx(7814, abs=30)


def test_override_takes_a_reading_over_until_it_is_returned():
    rig = Rig()
    rig.close()
    rig.firmware.override("bus_voltage", 8_600)
    assert rig.firmware.readings()["bus_voltage"] == 8_600
    assert rig.run(0.1) == "tripped"
    assert rig.trips[0].bus_voltage == 8_600
    rig.firmware.override("bus_voltage", None)
    assert rig.firmware.readings()["bus_voltage"] == 7_000
    rig.firmware.override("bus_voltage", 8_600)
    rig.firmware.power_off()
    rig.firmware.power_on()
    assert rig.firmware.readings()["bus_voltage"] == 7_000


def test_trip_holds_every_number():
    rig = Rig()
    rig.close()
    rig.celsius(35)
    rig.run(0.5)
    rig.set(supply=13_000, bus=6_500, gate_rail=17_500)
    before = rig.firmware.uptime_ms
    rig.run(0.2, 92)
    (trip,) = rig.trips
    assert (trip.supply_voltage, trip.bus_voltage, trip.gate_rail_voltage) == (13_000, 6_500, 17_500)
    assert trip.heat_sink_temperature == pytest.approx(350, abs=3)
    assert 35_000 < trip.junction_temperature < 150_000
    assert trip.operate_time == 100
    assert trip.uptime - before == 100
    assert 0 < trip.heat < 2**30
