"""The whole breaker on its bench: every protection function of both devices, several units, within what they declare.

Bounds are worked out here, from the set-points and the declared limits of error, by formulas of facts/protection.md.
"""

from __future__ import annotations

import math

import pytest
from world_bench import MS, Bench, S, shipped

from protocol.device import Device
from protocol.protection import DefiniteTime, Instantaneous, SensorCheck, Silence

SEEDS = range(4)


def bench_of(name: str, seed: int) -> Bench:
    """A closed breaker whose master talks, a different phase of the tasks for each seed."""
    bench = Bench(seed, device=shipped(name))
    bench.world.plant.before_change = bench.world.bench.recorder.settle  # and forget nothing
    bench.close()
    bench.keep_talking()
    bench.wait(0.1 + 0.00137 * seed)
    return bench


def crossed_ns(bench: Bench, role: str, level: float, rising: bool, from_ns: int) -> int:
    """When the bench's own quantity crossed ``level``, exactly."""
    found = getattr(bench.world.plant, role).crossing(level, rising, from_ns - 1, None)
    assert found is not None
    return int(found)


def within(took_ns: int, function: DefiniteTime | Silence | SensorCheck, delay: float) -> None:
    declared = function.declared
    low, high = delay * (1 - declared.timer) + declared.latency[0], delay * (1 + declared.timer) + declared.latency[1]
    assert low <= took_ns / S <= high, (low, took_ns / S, high)


# Definite time on every quantity: the threshold, and by how much the stimulus goes beyond it and stays short of it.

STIMULI = {
    "gate_rail_voltage": ("gate_supply", "gate_rail", "SOUR:VOLT {};:OUTP ON"),
    "supply_voltage": ("supply_12v", "supply", "SOUR:VOLT {};:OUTP ON"),
    "bus_voltage": ("bus_signal", "bus", "SOUR:VOLT {};:OUTP ON"),
    "heat_sink_temperature": ("ntc", "heat_sink", "SOUR:TEMP:SLEW 1000;:SOUR:TEMP {}"),
    "current": ("injector", "injected", "SOUR:CURR:SLEW 2e6;:SOUR:CURR {};:OUTP ON"),
}
HEALTHY = {"gate_rail_voltage": 18.0, "bus_voltage": 700.0, "supply_voltage": 13.5, "heat_sink_temperature": 25.0}
DEFINITE = [
    (device, name)
    for device in ("heater", "pump")
    for name, function in shipped(device).functions.items()
    if isinstance(function, DefiniteTime) and function.condition != "commanded_open"
]


def limits(device: Device, function: DefiniteTime, bench: Bench) -> tuple[float, float, float]:
    """Threshold, the nearest value that must not operate and the nearest that must."""
    set_points = device.defaults()
    if function.name == "bus_low":
        set_points["bus_undervoltage"] = 300.0
        bench.adopt(bus_undervoltage=300.0)
    threshold = function.threshold.value(set_points)
    error = threshold * function.declared.gain + function.declared.offset
    if function.quantity == "current":
        error += 0.002 * threshold + 0.02  # the injector's own
    sign = 1 if function.direction == "over" else -1
    return threshold, threshold - sign * error, threshold + sign * error


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize(("device", "name"), DEFINITE)
def test_definite_time(device: str, name: str, seed: int):
    bench = bench_of(device, seed)
    function = bench.device.functions[name]
    assert isinstance(function, DefiniteTime)
    role, track, line = STIMULI[function.quantity]
    for other, line_before in (
        ("gate_supply", "SOUR:VOLT 18"),
        ("bus_signal", "SOUR:VOLT 700"),
        ("ntc", "SOUR:TEMP 25"),
    ):
        bench.say(other, f"{line_before};:OUTP ON")
    bench.wait(0.2)
    threshold, short, beyond = limits(bench.device, function, bench)
    if device == "heater":
        bench.adopt(junction_limit=160.0)
    delay = function.delay.value(bench.device.defaults())

    bench.say(role, line.format(short))
    bench.wait(0.3 + 3 * delay if function.quantity != "current" else 0.5 * delay)
    assert bench.opened_ns is None
    if function.quantity == "current":
        bench.say("injector", "OUTP OFF")
        bench.wait(60)
    from_ns = bench.clock.now_ns()
    bench.say(role, line.format(beyond))
    bench.wait(0.3 + 2 * delay)
    onset_ns = crossed_ns(bench, track, threshold, function.direction == "over", from_ns)

    assert bench.opened_ns is not None
    if function.reaction == "trip":
        assert (bench.state, bench.cause) == ("tripped", function.cause)
    else:
        assert (bench.state, bench.cause) == ("off", None)
    within(bench.opened_ns - onset_ns, function, delay)


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("device", ["heater", "pump"])
def test_silence(device: str, seed: int):
    bench = Bench(seed, device=shipped(device))
    bench.close()
    bench.wait(1.2345 + 0.0017 * seed)
    bench.say_command("none")
    heard_ns = bench.clock.now_ns()
    function = bench.device.functions["silence"]
    assert isinstance(function, Silence)
    bench.wait(6)

    assert bench.cause == "silence"
    assert bench.opened_ns is not None
    within(bench.opened_ns - heard_ns, function, function.timeout.value(bench.device.defaults()))


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("line", ["SOUR:FUNC OPEN", "SOUR:FUNC SHOR", "SOUR:TEMP:SLEW 1e5;:SOUR:TEMP 55"])
def test_sensor_check(line: str, seed: int):
    bench = bench_of("heater", seed)
    bench.say("ntc", "OUTP ON")
    bench.wait(0.5)
    onset_ns = bench.clock.now_ns()
    bench.say("ntc", line)
    bench.wait(0.5)
    function = bench.device.functions["heat_sink_sensor"]
    assert isinstance(function, SensorCheck)

    assert bench.cause == "heat_sink_sensor"
    assert bench.opened_ns is not None
    within(bench.opened_ns - onset_ns, function, function.delay.value({}))


def test_pump_takes_a_short_for_heat():
    """It has no sensor check, and says heat_sink_hot."""
    bench = bench_of("pump", 1)
    bench.say("ntc", "OUTP ON;:SOUR:FUNC SHOR")
    bench.wait(2)

    assert bench.cause == "heat_sink_hot"


# Short circuit


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("device", ["heater", "pump"])
@pytest.mark.parametrize("slew", [2e5, 2e6])
def test_comparator_without_the_cpu(device: str, slew: float, seed: int):
    """Gate off between the instants at which the current crosses the corners of the threshold, plus the response."""
    bench = bench_of(device, seed)
    if device == "heater":
        bench.adopt(short_circuit_threshold=150.0)
    else:
        bench.adopt(overcurrent_pickup=320.0)
    function = bench.device.functions["short_circuit"]
    assert isinstance(function, Instantaneous)
    threshold = 150.0 if device == "heater" else 350.0
    if device == "pump":
        # The injector gives 300 A; the rest of the way is the load's, at the same time.
        bench.say("source", "SOUR:VOLT 700;CURR 120;:OUTP ON")
        bench.wait(0.1)
        bench.say("load", "SOUR:CURR:SLEW 1e6;:SOUR:CURR 59;:INP ON")
        bench.wait(0.01)
    from_ns = bench.clock.now_ns()
    amperes = 200 if device == "heater" else 300
    bench.say("injector", f"SOUR:CURR:SLEW {slew};:SOUR:CURR {amperes};:OUTP ON")
    bench.wait(0.002)
    sensed = bench.world.plant.sensed
    error = threshold * function.declared.gain + function.declared.offset
    early = crossed_ns(bench, "sensed", threshold - error, True, from_ns)
    late = sensed.crossing(threshold + error, True, from_ns - 1, None)

    assert (bench.state, bench.cause) == ("tripped", "short_circuit")
    assert bench.opened_ns is not None
    assert early + function.response[0] * S <= bench.opened_ns
    if late is not None:
        assert bench.opened_ns <= late + function.response[1] * S


def test_comparator_is_deaf_while_blanked_and_looks_when_that_is_over():
    """Injected before closing: off one blanking and one response after the gate went on."""
    for seed in SEEDS:
        bench = Bench(seed, device=shipped())
        bench.say("injector", "SOUR:CURR 190;:OUTP ON")
        bench.wait(0.001)
        bench.say_command("none")
        bench.say_command("close")
        closed_ns = bench.clock.now_ns()
        bench.wait(0.001)
        function = bench.device.functions["short_circuit"]
        assert isinstance(function, Instantaneous)
        assert bench.cause == "short_circuit"
        assert bench.opened_ns is not None
        after = (bench.opened_ns - closed_ns) / S - function.blanking
        assert function.response[0] <= after <= function.response[1]


def test_comparator_ignores_an_open_switch():
    bench = Bench(2, device=shipped())
    bench.say("injector", "SOUR:CURR 195;:OUTP ON")
    bench.wait(0.1)

    assert bench.state == "off"


def test_current_of_a_short_circuit_rises_with_the_loop_and_is_cut():
    """Closing onto a waiting load: (700 V)/(20 uH) = 35 A/us, through 100 A, and what the response lets through."""
    bench = Bench(3, device=shipped())
    bench.adopt(short_circuit_threshold=100.0)
    bench.say("source", "SOUR:VOLT 700;CURR 120;:OUTP ON")
    bench.wait(0.1)
    bench.say("load", "SOUR:CURR 118;:INP ON")
    bench.record(1e-8, 4000, 200, 3, 10)
    bench.command("none", "close")
    current, gate = bench.trace(3), bench.trace(2)
    half = 50  # samples of 10 ns
    rises = [after - now for now, after in zip(current, current[half:], strict=False) if 20 < now < after < 90]

    assert bench.cause == "short_circuit"
    assert rises
    assert sum(rises) / len(rises) == pytest.approx(17.5, rel=0.01)
    assert 100 * 0.98 - 1 <= current.max() <= 118.5
    assert gate.min() < 1


# Overload and junction, on the whole device


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize(("mode", "pickup"), [("drive", 66.0), ("charge", 22.0)])
def test_inverse_time_by_mode(mode: str, pickup: float, seed: int):
    """Very inverse, t = 13.5 s / (M - 1): facts/protection.md section 1."""
    bench = Bench(seed, device=shipped("pump"))
    bench.close()

    def talk() -> None:
        bench.say_command("none", mode)
        bench.clock.at(bench.clock.now_ns() + S, talk)

    talk()
    bench.wait(0.1 + 0.0031 * seed)
    onset_ns = bench.clock.now_ns()
    bench.say("injector", f"SOUR:CURR {3 * pickup};:OUTP ON")
    bench.wait(8)
    current = bench.world.plant.injected.at(onset_ns + MS)
    declared = bench.device.functions["overload"].declared
    high = (current * (1 + declared.gain) + declared.offset) / pickup
    low = (current * (1 - declared.gain) - declared.offset) / pickup

    assert bench.cause == "overload"
    assert bench.opened_ns is not None
    took = (bench.opened_ns - onset_ns) / S
    assert 13.5 / (high - 1) * (1 - declared.timer) + declared.latency[0] <= took
    assert took <= 13.5 / (low - 1) * (1 + declared.timer) + declared.latency[1]


def junction_time(amperes: float, device: Device, scale: float, resistance: float) -> float:
    """By steps of 0.1 ms of the Foster stages: no closed form, nor the firmware's steps of 10 ms."""
    function = device.functions["junction"]
    stages = [(0.1, 2e-3), (0.3, 50e-3), (0.6, 1.0)]  # K/W and s, of the profile
    rises, seconds = [0.0] * 3, 0.0
    assert function.name == "junction"
    while sum(rises) < 125 and seconds < 10:
        power = (amperes / 2) ** 2 * 0.040 * resistance * (1 + 0.005 * sum(rises))
        rises = [
            rise + (power * k * scale - rise) * -math.expm1(-1e-4 / tau)
            for rise, (k, tau) in zip(rises, stages, strict=True)
        ]
        seconds += 1e-4
    return seconds


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("amperes", [105, 140])
def test_junction(amperes: float, seed: int):
    bench = bench_of("heater", seed)
    bench.adopt(overcurrent_pickup=160.0)
    onset_ns = bench.clock.now_ns()
    bench.say("injector", f"SOUR:CURR {amperes};:OUTP ON")
    bench.wait(3)
    declared = bench.device.functions["junction"].declared
    current = bench.world.plant.injected.at(onset_ns + MS)
    early = junction_time(current * (1 + declared.gain) + declared.offset, bench.device, 1.02, 1.02)
    late = junction_time(current * (1 - declared.gain) - declared.offset, bench.device, 0.98, 0.98)

    assert bench.cause == "junction_hot"
    assert bench.opened_ns is not None
    took = (bench.opened_ns - onset_ns) / S
    assert early * (1 - declared.timer) <= took <= late * (1 + declared.timer) + declared.latency[1]


# The bench


def test_stop_input_ends_the_injection_at_the_gate_edge():
    bench = bench_of("heater", 1)
    bench.say("injector", "TRIG:SEQ2:SOUR EXT")
    assert bench.world.scpi("injector").handle("TRIG:SEQ2:SOUR?") == "EXT"
    bench.say("injector", "SOUR:CURR 120;:OUTP ON")
    bench.wait(0.3)
    injected = bench.world.plant.injected

    assert bench.opened_ns is not None
    assert bench.ask("injector", "OUTP?") == 0
    assert injected.at(bench.opened_ns + 100_000) == 0
    assert injected.at(bench.opened_ns - 1) == pytest.approx(120, abs=0.5)
    bench.say("injector", "TRIG:SEQ2:SOUR IMM;:OUTP ON")
    bench.wait(0.1)
    assert bench.ask("injector", "OUTP?") == 1


def test_list_runs_through_its_currents_as_often_as_it_says_and_stays_at_the_last():
    bench = Bench()
    bench.say("injector", "SOUR:CURR:SLEW 2e6;:SOUR:LIST:CURR 10,20,5;:SOUR:LIST:DWEL 0.01,0.02,0.03")
    bench.say("injector", "SOUR:LIST:COUN 2;:SOUR:CURR:MODE LIST")
    assert bench.world.scpi("injector").handle("SOUR:LIST:CURR?;DWEL?;COUN?") == "10,20,5;0.01,0.02,0.03;2"
    start = bench.clock.now_ns()
    bench.say("injector", "SOUR:PULS:WIDT 0.2;:OUTP ON")
    seen = []
    for milliseconds in (5, 15, 25, 35, 55, 65, 75, 115, 195):
        bench.clock.sleep_until(start + milliseconds * MS)
        seen.append(round(bench.world.plant.injected.at(bench.clock.now_ns())))
    bench.wait(0.01)

    assert seen == [10, 20, 20, 5, 5, 10, 20, 5, 5]
    assert bench.world.plant.injected.at(bench.clock.now_ns()) == 0


def test_list_without_currents_or_with_other_times_is_refused():
    bench = Bench()
    injector = bench.world.scpi("injector")
    for line in ("SOUR:CURR:MODE LIST;:OUTP ON", "SOUR:LIST:CURR 1,2,3;DWEL 1,2;:OUTP ON"):
        injector.handle(line)
        answer = injector.handle("SYST:ERR?")
        assert isinstance(answer, str)
        assert answer.startswith("-221")
    assert bench.ask("injector", "OUTP?") == 0


def test_mean_square_of_pulses_is_exact():
    """80 A for 2 ms of every 10 ms: 16 A in the mean, 35.8 A root mean square; the overload goes by the latter."""
    bench = Bench(5)
    bench.close()
    bench.adopt(overload_pickup=30.0, overload_time_constant=2.0)
    bench.say("injector", "SOUR:LIST:CURR 80,0;:SOUR:LIST:DWEL 0.002,0.008;:SOUR:LIST:COUN 5000;:SOUR:CURR:MODE LIST")
    onset_ns = bench.clock.now_ns()
    bench.say("injector", "OUTP ON")
    bench.wait(6)
    multiple = 80**2 * 0.2 / 30**2  # squared

    assert bench.opened_ns is not None
    took = (bench.opened_ns - onset_ns) / S
    assert took == pytest.approx(2 * math.log(multiple / (multiple - 1)), rel=0.06)


def test_external_supplies_and_what_they_stand_in_for():
    bench = Bench(1, device=shipped())
    plant, now = bench.world.plant, bench.clock.now_ns
    assert (plant.gate_rail.at(now()), plant.bus.at(now()), plant.heat_sink.at(now())) == (18.0, 0.0, 25.0)
    bench.say("source", "SOUR:VOLT 700;CURR 10;:OUTP ON")
    bench.wait(0.1)
    assert plant.bus.at(now()) == pytest.approx(700, abs=0.01)
    bench.say("bus_signal", "SOUR:VOLT:SLEW 1000;:SOUR:VOLT 500;:OUTP ON")
    bench.wait(0.25)
    assert plant.bus.at(now()) == pytest.approx(250, abs=1)
    bench.wait(0.3)
    assert plant.bus.at(now()) == 500
    bench.say("bus_signal", "OUTP OFF")
    assert plant.bus.at(now()) == pytest.approx(700, abs=0.01)
    bench.say("ntc", "SOUR:TEMP 80;:OUTP ON")
    assert plant.heat_sink.at(now()) == 80
    bench.say("ntc", "SOUR:TEMP:SLEW 10;:SOUR:TEMP 90")
    bench.wait(0.5)
    assert plant.heat_sink.at(now()) == pytest.approx(85)
    bench.say("ntc", "OUTP OFF")
    assert plant.heat_sink.at(now()) == 25
    bench.say("gate_supply", "SOUR:VOLT 11;:OUTP ON")
    bench.wait(0.01)
    assert plant.gate_rail.at(now()) == 11
    bench.say("gate_supply", "*RST")
    bench.wait(0.01)
    assert plant.gate_rail.at(now()) == 18


def test_recorder_shows_the_new_quantities():
    bench = Bench(1, device=shipped())
    bench.record(1e-3, 300, 100, 7, 15, "NEG")
    bench.say("bus_signal", "SOUR:VOLT 650;:OUTP ON")
    bench.say("ntc", "SOUR:TEMP 40;:OUTP ON")
    bench.wait(0.15)
    bench.say("gate_supply", "SOUR:VOLT 12;:OUTP ON")
    bench.wait(0.3)

    assert bench.trace(6)[-1] == pytest.approx(650, abs=1)
    assert bench.trace(7)[0] == pytest.approx(18, abs=0.05)
    assert bench.trace(7)[-1] == pytest.approx(12, abs=0.05)
    assert bench.trace(8)[-1] == pytest.approx(40, abs=0.1)


def test_supply_follows_its_slew():
    bench = Bench(1, device=shipped())
    bench.say("supply_12v", "SOUR:VOLT:SLEW 10;:SOUR:VOLT 11.5")
    bench.wait(0.1)

    assert bench.ask("supply_12v", "MEAS:VOLT?") == pytest.approx(12.5, abs=0.01)
