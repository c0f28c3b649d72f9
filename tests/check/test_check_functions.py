"""What check says of stimuli, for every kind of protection function and both devices."""

from __future__ import annotations

from pathlib import Path

import pytest
from check_bench import HEATER, PUMP, complaints

from protocol.device import Device

POWER = "  - power_cycle: {duration: 1 s}\n"
CLOSE = POWER + "  - close\n"
TRIP = CLOSE + "  - expect_trip: {%s}"
HOLD = CLOSE + "  - expect_no_trip: {%s}"
ZONE = "where a breaker within its declared accuracy may or may not operate"

# Zones follow from the profile: low = (threshold - offset)/(1 + gain), high = (threshold + offset)/(1 - gain), own
# computation; for an undervoltage the other way round.
HEATER_CASES: dict[str, tuple[str, list[str]]] = {
    "comparator": (TRIP % "inject: 200 A, function: short_circuit", []),
    "comparator, beyond what is sampled": (TRIP % "inject: 250 A, function: short_circuit", []),
    "comparator, in its zone": (TRIP % "inject: ¶182 A, function: short_circuit", [
        f"short_circuit: 182 A lies between 175.5 A and 184.7 A, {ZONE} (pickup 180 A); choose a current outside",
    ]),
    "overcurrent, after the junction": (TRIP % "inject: ¶120 A, function: overcurrent", [
        "junction may operate before overcurrent does",
    ]),
    "overcurrent, before the junction": (
        POWER + "  - write_set_points: {values: {overcurrent_delay: 10 ms}}\n  - close\n"
        "  - expect_trip: {inject: 120 A, function: overcurrent}", [],
    ),
    "overcurrent, in its zone": (TRIP % "inject: ¶92 A, function: overcurrent", [
        f"overcurrent: 92 A lies between 86.21 A and 93.91 A, {ZONE} (pickup 90 A); choose a current outside",
    ]),
    "overcurrent, below": (TRIP % "inject: ¶60 A, function: overcurrent", [
        "below the pickup of overcurrent, 90 A; nothing has to operate".replace("pickup", "threshold"),
    ]),
    "junction": (TRIP % "inject: 80 A, function: junction", []),
    "junction, below its limit": (TRIP % "inject: ¶50 A, function: junction", [
        "junction does not come to its limit at 50 A; nothing has to operate",
    ]),
    "overload, after the junction": (TRIP % "inject: ¶80 A, function: overload", [
        "junction may operate before overload does",
    ]),
    "undervoltage": (TRIP % "supply: 7 V, function: supply_low", []),
    "undervoltage, above": (TRIP % "supply: ¶9 V, function: supply_low", [
        "above the threshold of supply_low, 8.5 V; nothing has to operate",
    ]),
    "undervoltage, in its zone": (TRIP % "supply: ¶8.5 V, function: supply_low", [
        f"supply_low: 8.5 V lies between 8.317 V and 8.687 V, {ZONE} (pickup 8.5 V); choose a value outside",
    ]),
    "overvoltage": (TRIP % "supply: 18 V, function: supply_high", []),
    "overvoltage, beyond the supply": (TRIP % "supply: ¶21 V, function: supply_high", [
        "beyond the range of supply_12v, 0 V to 20 V",
    ]),
    "bus": (TRIP % "bus: 900 V, function: bus_high", []),
    "bus, by a ramp": (TRIP % "bus: 900 V, ramp: {from: 800 V, rate: 100 V/s}, function: bus_high", []),
    "bus, a ramp that starts out of range": (
        TRIP % "bus: 900 V, ramp: {from: ¶1001 V, rate: 100 V/s}, function: bus_high",
        ["beyond the range of bus_signal, 0 V to 1000 V"],
    ),
    "bus undervoltage, disabled": (TRIP % "bus: ¶400 V, function: bus_low", [
        "above the threshold of bus_low, 0 V; nothing has to operate",
    ]),
    "bus undervoltage, closed onto": (
        POWER + "  - write_set_points: {values: {bus_undervoltage: 500 V}}\n"
        "  - expect_trip: {bus: 400 V, closing: true, function: bus_low}", [],
    ),
    "bus overvoltage, closed before": (
        POWER + "  - hold: {bus: 950 V}\n  - ¶close",
        ["bus_high operates on a closed breaker with the bus voltage at rest; disable it first"],
    ),
    "bus undervoltage below the bus at rest": (  # 650 V on this bench
        POWER + "  - write_set_points: {values: {bus_undervoltage: 500 V}}\n  - close",
        [],
    ),
    "bus healthy only while it lasts": (
        POWER + "  - hold: {bus: 950 V}\n  - expect_no_trip: {bus: 650 V, closing: ¶true, duration: 1 s}",
        ["bus_high operates when the bus voltage goes back to rest after this step"],
    ),
    "rail": (TRIP % "gate_rail: 12 V, function: gate_rail", []),
    "rail, slowly": (TRIP % "gate_rail: 12 V, ramp: {from: 18 V, rate: 1 V/s}, function: gate_rail", []),
    "heat sink": (TRIP % "heat_sink: 100 degC, function: heat_sink", []),
    "heat sink, in its zone": (TRIP % "heat_sink: ¶94 degC, function: heat_sink", [
        f"heat_sink: 94 degC lies between 93 degC and 97 degC, {ZONE} (pickup 95 degC); choose a value outside",
    ]),
    "heat sink, quickly": (TRIP % "heat_sink: 100 degC, slew: 2000 K/s, function: heat_sink", []),
    "heat sink, as a jump": (TRIP % "heat_sink: ¶100 degC, slew: 2200 K/s, function: heat_sink", [
        "heat_sink_sensor may operate before heat_sink does",
    ]),
    "thermistor, faster than can be": (TRIP % "heat_sink: 90 degC, slew: ¶200000 K/s, function: heat_sink_sensor", [
        "faster than bench simulated can, 1e+05 K/s",
    ]),
    "thermistor open": (TRIP % "heat_sink: open, function: heat_sink_sensor", []),
    "thermistor open, and another function": (TRIP % "heat_sink: ¶open, function: heat_sink", [
        "heat_sink wants a temperature; 'open' and 'short' are for a sensor check",
    ]),
    "thermistor plausible": (TRIP % "heat_sink: ¶60 degC, function: heat_sink_sensor", [
        "heat_sink_sensor need not operate between -47 and 152 degC, unless the temperature jumps by more than 58 K "
        "within 9.9 ms",
    ]),
    "thermistor jumping": (TRIP % "heat_sink: 90 degC, slew: 100000 K/s, function: heat_sink_sensor", []),
    "thermistor jumping, by what may be two steps": (
        TRIP % "heat_sink: ¶80 degC, slew: 100000 K/s, function: heat_sink_sensor",
        ["heat_sink_sensor need not operate between -47 and 152 degC, unless the temperature jumps by more than 58 K "
         "within 9.9 ms"],
    ),
    "thermistor jumping from where a ramp began": (
        TRIP % "heat_sink: ¶95 degC, ramp: {from: 80 degC, rate: 100 K/s}, function: heat_sink_sensor",
        ["heat_sink_sensor need not operate between -47 and 152 degC, unless the temperature jumps by more than 58 K "
         "within 9.9 ms"],
    ),
    "stuck switch": (POWER + "  - expect_trip: {inject: 10 A, switch: open, function: switch_stuck}", []),
    "stuck switch, while it is closed": (TRIP % "inject: 10 A, function: ¶switch_stuck", [
        "switch_stuck does not listen while the switch is closed",
    ]),
    "overload of an open switch": (
        POWER + "  - expect_trip: {inject: ¶30 A, switch: ¶open, function: overload}",
        ["switch_stuck may operate before overload does",
         "an open switch shows no trip; only a function that is there for it can be found so"],
    ),
    "stuck switch, but closed before": (
        CLOSE + "  - expect_trip: {inject: 10 A, switch: ¶open, function: switch_stuck}",
        ["the breaker is not known to be off here; put '- open' before this step"],
    ),
    "another quantity": (TRIP % "supply: 7 V, function: ¶overload", [
        "overload watches the current, and not the 12 V supply",
    ]),
    "silence by a stimulus": (TRIP % "inject: 30 A, function: ¶silence", [
        "silence watches the master's silence; use the step silence, and not the current",
    ]),
    "closing onto a fault": (POWER + "  - expect_trip: {inject: 200 A, closing: true, function: short_circuit}", []),
    "closing, though closed": (CLOSE + "  - expect_trip: {inject: 200 A, closing: ¶true, function: short_circuit}", [
        "the breaker is not known to be open here; put '- open' before this step",
    ]),
    "pulses that trip": (TRIP % "inject: 50 A, pulses: {on: 5 s, off: 1 s, count: 60}, function: overload", []),
    "pulses that need not": (TRIP % "inject: ¶50 A, pulses: {on: 1 s, off: 1 s, count: 2}, function: overload", [
        "overload need not operate within these pulses; nothing has to operate",
    ]),
    "pulses without a shape": (
        TRIP % "inject: 50 A, pulses: {on: ¶0 s, off: 1 s, low: ¶50 A}, function: overload",
        ["0 s: want more than 0 s", "want 0 A or more, below 50 A"],
    ),
    "inrush that must hold": (HOLD % "inject: 150 A, pulses: {low: 20 A, on: 5 ms, off: 1 s}", []),
    "inrush that may trip": (HOLD % "inject: ¶¶150 A, pulses: {low: 20 A, on: 120 ms, off: 1 s}", [
        "junction may operate within 1.12 s from a level of up to 0 %, so nothing can be told",
        "overcurrent may operate within 1.12 s, so nothing can be told",
    ]),
    "status bit of a hold": (HOLD % "inject: 5 A, duration: 5 s, bits: {¶pikup: true}", [
        "unknown status bit 'pikup'; want one of pickup, tripped, hot; did you mean 'pickup'?",
    ]),
    "supply that must hold": (HOLD % "supply: 9 V, duration: 5 s", []),
    "supply that may trip": (HOLD % "supply: ¶8.6 V, duration: 5 s", [
        "supply_low may operate within 5 s, so nothing can be told",
    ]),
    "heat sink that must hold": (HOLD % "heat_sink: 90 degC, duration: 5 s", []),
    "open thermistor that must hold": (HOLD % "heat_sink: ¶¶open, duration: 1 s", [
        "heat_sink may operate within 1 s, so nothing can be told",
        "heat_sink_sensor may operate within 1 s, so nothing can be told",
    ]),
    "source beside a bus limit": (
        POWER + "  - write_set_points: {values: {bus_overvoltage: 700 V}}\n  - close\n"
        "  - expect_no_trip: {draw: 10 A, voltage: ¶700 V, duration: 1 s}",
        ["bus_high may operate at this voltage"],
    ),
    "silence": (CLOSE + "  - silence: {duration: 6 s, function: silence}", []),
    "silence, too short": (CLOSE + "  - silence: {duration: ¶5 s, function: silence}", [
        "silence need not operate before 5.076 s; want a longer silence",
    ]),
    "silence that must hold": (CLOSE + "  - silence: {duration: 4.9 s}", []),
    "silence that may trip": (CLOSE + "  - silence: {duration: ¶5 s}", ["silence may operate from 4.95 s on"]),
    "silence of another function": (CLOSE + "  - silence: {duration: 6 s, function: ¶overload}", [
        "unknown function of silence 'overload'; want silence",
    ]),
    "forced": (CLOSE + "  - force: {control: heat_sink, value: 100 degC, function: heat_sink}", []),
    "forced, in the zone": (CLOSE + "  - force: {control: heat_sink, value: ¶95 degC, function: heat_sink}", [
        f"heat_sink: 95 degC lies between 93 degC and 97 degC, {ZONE} (pickup 95 degC); choose a value outside",
    ]),
    "forced, and may trip": (CLOSE + "  - force: {control: heat_sink, value: ¶100 degC}", [
        "heat_sink may operate at 100 degC",
    ]),
    "forced, another function": (CLOSE + "  - force: {control: bus, value: 900 V, function: ¶heat_sink}", [
        "heat_sink does not watch the bus voltage",
    ]),
    "forced, no such control": (CLOSE + "  - force: {control: ¶rail, value: 9 V}", [
        "unknown control 'rail'; want one of heat_sink, bus",
    ]),
    "forced, no such value": (CLOSE + "  - force: {control: bus, value: ¶9.05 V}", [
        "9.05 V cannot be held exactly; the nearest are 9 V or 9.1 V",
    ]),
}  # fmt: skip

COOL = "  - wait_until_cool: {level: 2 %, at_most: 5 min}\n  - open\n"
DRIVE = COOL + "  - set_mode: {mode: drive}\n  - close\n"
CHARGE = COOL + "  - set_mode: {mode: charge}\n  - close\n"
PUMP_CASES: dict[str, tuple[str, list[str]]] = {
    "mode not known": (COOL + "  - close\n  - ¶expect_trip: {inject: 120 A, function: overload}", [
        "the operating mode is not known here; put '- set_mode' before this step",
    ]),
    "driving": (DRIVE + "  - expect_trip: {inject: 120 A, function: overload, start: cold}", []),
    "driving, below": (DRIVE + "  - expect_trip: {inject: ¶60 A, function: overload, start: cold}", [
        "below the pickup of overload, 66 A; nothing has to operate",
    ]),
    "the same while charging": (CHARGE + "  - expect_trip: {inject: 60 A, function: overload, start: cold}", []),
    "a block closes again": (DRIVE + "  - expect_trip: {supply: 8 V, function: supply_low}\n  - close", []),
    "memory kept without supply": (
        DRIVE + "  - expect_trip: {inject: 120 A, function: overload}\n  - power_cycle: {duration: 1 s}\n  - ¶close",
        ["the breaker may refuse to close: the thermal level of overload may be 100 %; cool it first, by "
         "wait_until_cool, or by power_cycle where the device forgets its level"],
    ),
    "unknown mode": ("  - set_mode: {mode: ¶parked}", ["unknown mode 'parked'; want one of drive, charge"]),
    "constraint": (COOL + "  - write_set_points: {values: {overload_pickup_drive: ¶20 A}}", [
        "overload_pickup_drive: overload_pickup_charge would not be below overload_pickup_drive any more; "
        "say 'refused: request_out_of_range' if that is the test",
    ]),
    "constraint, refused": (
        COOL + "  - write_set_points: {values: {overload_pickup_drive: 20 A}, refused: request_out_of_range}", [],
    ),
    "constraint kept by writing both": (
        COOL + "  - write_set_points: {values: {overload_pickup_drive: 20 A, overload_pickup_charge: 15 A}}", [],
    ),
    "one wrong value refuses its record": (
        COOL + "  - write_set_points: {values: {overload_pickup_drive: 90 A, overload_multiplier: 50 %}, "
        "refused: request_out_of_range}", [],
    ),
    "written while closed": (DRIVE + "  - ¶write_set_points: {values: {overload_multiplier: 50 %}}", [
        "the breaker is on here and takes set-points only in off; say 'refused: conditions_not_correct' if that is "
        "the test",
    ]),
    "refused while closed": (
        DRIVE + "  - write_set_points: {values: {overload_multiplier: 50 %}, refused: conditions_not_correct}", [],
    ),
    "refused while closed, for two reasons": (
        DRIVE + "  - write_set_points: {values: {overload_multiplier: 4 %}, refused: ¶request_out_of_range}",
        ["the breaker is on here: two reasons to refuse, and one answer"],
    ),
}  # fmt: skip


@pytest.mark.parametrize(
    ("device", "steps", "wanted"),
    [
        pytest.param(device, *case, id=f"{device.name}: {name}")
        for device, cases in ((HEATER, HEATER_CASES), (PUMP, PUMP_CASES))
        for name, case in cases.items()
    ],
)
def test_stimuli(tmp_path: Path, device: Device, steps: str, wanted: list[str]) -> None:
    found, places = complaints(tmp_path, steps, device)

    assert found == [f"{at}: {message}" for at, message in zip(places, wanted, strict=True)]


ONE_TRIP = "  - power_cycle: {duration: 1 s}\n  - close\n  - %sexpect_trip: {inject: 80 A, function: junction}\n"
WAIT = "  - wait: {duration: %s}\n"


@pytest.mark.parametrize(
    ("steps", "wanted"),
    [
        pytest.param(ONE_TRIP % "" * 3, [], id="one short of the lock-out"),
        # Nobody knows how long a power cycle's start and a trip take; each is taken as up to 5 s of the window of 30 s.
        pytest.param(
            (ONE_TRIP % "" + WAIT % "10 s") * 3 + ONE_TRIP % "",
            [],
            id="certain to count",
        ),
        pytest.param((ONE_TRIP % "" + WAIT % "31 s") * 6, [], id="far apart"),
        pytest.param(
            (ONE_TRIP % "" + WAIT % "25 s") * 3 + ONE_TRIP % "¶",
            ["this may be trip 4 of 4 within 30 s, and lock the breaker out; release it by its routine before, "
             "or wait longer"],
            id="not certain",
        ),
        pytest.param(
            ONE_TRIP % "" * 4 + "  - open\n  - ¶close",
            ["the breaker is locked out here and will refuse to close; release it by its routine"],
            id="locked out",
        ),
        pytest.param(
            ONE_TRIP % "" * 4 + "  - run_routine: {routine: release_lockout}\n  - power_cycle: {duration: 1 s}\n"
            "  - close", [], id="released",
        ),
        pytest.param(ONE_TRIP % "" * 4 + "  - open\n  - close: {refused: true}", [], id="locked out, and refused"),
    ],
)  # fmt: skip
def test_trips_count_against_the_lock_out(tmp_path: Path, steps: str, wanted: list[str]) -> None:
    found, _ = complaints(tmp_path, steps)

    assert [line.partition(": ")[2] for line in found] == wanted
