"""The analogue truth, through instruments and gate: who sees which current, how fast, and at which instant."""

import pytest
from world_bench import MS, Bench


def live(bench: Bench, volts: float = 700.0, limit: float = 120.0) -> None:
    bench.say("source", f"SOUR:VOLT {volts};CURR {limit};:OUTP ON")
    bench.wait(0.1)


def switched(bench: Bench) -> float:
    """Current through the switch now."""
    return bench.world.plant.current.at(bench.clock.now_ns())


def test_load_takes_its_current_only_through_a_closed_switch_on_a_live_source():
    bench = Bench()
    bench.say("load", "SOUR:CURR 25;:INP ON")
    bench.wait(0.1)
    assert switched(bench) == 0
    live(bench)
    assert 0 < switched(bench) <= 2e-3  # declared leakage at rated voltage
    bench.close()
    assert switched(bench) == pytest.approx(25, abs=0.1)
    bench.say("source", "OUTP OFF")
    bench.wait(0.1)
    assert switched(bench) == 0


def test_a_cut_off_that_counts_from_the_current_waits_for_the_switch():
    bench = Bench()
    live(bench)
    bench.say("load", "TRIG:SOUR INT;:SOUR:CURR 20;:SOUR:PULS:WIDT 0.5;:INP ON")
    bench.wait(3.0)
    assert bench.ask("load", "INP?") == 1
    bench.close()
    closed = bench.clock.now_ns()
    assert switched(bench) == pytest.approx(20, abs=0.1)
    bench.wait(0.45 - (bench.clock.now_ns() - closed) / 1e9)
    assert bench.ask("load", "INP?") == 1
    bench.wait(0.1)
    assert bench.ask("load", "INP?") == 0
    bench.say("load", "INP ON")  # through a closed switch it begins at once
    bench.wait(0.55)
    assert bench.ask("load", "INP?") == 0


def test_slew_of_the_load_is_what_was_set():
    bench = Bench()
    live(bench)
    bench.close()
    bench.say("load", "SOUR:CURR:SLEW 1000;:SOUR:CURR 20;:INP ON")
    before = switched(bench)
    bench.wait(0.01)

    assert switched(bench) - before == pytest.approx(10, abs=1e-6)
    bench.wait(0.02)
    assert bench.ask("load", "MEAS:CURR?") == pytest.approx(20 + before, abs=0.06)  # 0.2 % and 20 mA


def test_opening_clamps_and_breaks_in_microseconds():
    """di/dt = (clamp - source) / L: 980 V against 700 V in 20 uH is 14 A/us."""
    bench = Bench()
    live(bench)
    bench.close()
    bench.say("load", "SOUR:CURR 28;:INP ON")
    bench.wait(0.1)
    plant = bench.world.plant
    now = bench.clock.now_ns()
    bench.command("open")
    off = plant.gate.crossing(2.5, False, now - 1, None)
    commuted = plant.switch_voltage.crossing(490, True, now - 1, None)
    interrupted = plant.current.crossing(5e-3, False, now - 1, None)

    assert off == now
    assert commuted is not None
    assert interrupted is not None
    assert 300 <= commuted - off < 1500
    assert interrupted - commuted == pytest.approx(2000, rel=0.01)
    assert plant.switch_voltage.at(commuted + 100) == pytest.approx(980)
    assert plant.switch_voltage.at(interrupted + MS) == pytest.approx(700, rel=0.15)  # leakage leaves the load a share
    assert 0 < switched(bench) <= 2e-3


def test_closing_while_the_break_is_not_over_ends_closed_and_conducting():
    bench = Bench()
    live(bench)
    bench.close()
    bench.say("load", "SOUR:CURR 28;:INP ON")
    bench.wait(0.1)
    plant = bench.world.plant
    plant.set_gate(False)
    bench.wait(2e-6)
    plant.set_gate(True)
    bench.wait(0.001)

    assert switched(bench) == pytest.approx(28, abs=0.1)
    assert plant.switch_voltage.at(bench.clock.now_ns()) < 1


def test_nothing_but_the_clamp_has_a_say_while_the_switch_breaks():
    """The load's own cut-off, slower than the clamp, comes in the middle of the break."""
    reference, disturbed = Bench(), Bench()
    ends = []
    for bench in (reference, disturbed):
        live(bench)
        bench.close()
        bench.say("load", "SOUR:CURR:SLEW 100;:SOUR:CURR 28;:INP ON")
        bench.wait(0.5)
        now = bench.clock.now_ns()
        bench.world.plant.set_gate(False)
        if bench is disturbed:
            bench.wait(2e-6)
            bench.say("load", "INP OFF")
        bench.wait(0.001)
        ends.append(bench.world.plant.current.at(now + 10_000))

    assert ends[0] == pytest.approx(ends[1], abs=1e-9)
    assert ends[1] < 2e-3


def test_injected_current_is_sensed_and_flows_on_after_the_switch_opened():
    bench = Bench()
    live(bench)
    bench.close()
    bench.say("load", "SOUR:CURR 10;:INP ON")
    bench.say("injector", "SOUR:CURR 12;:OUTP ON")
    bench.wait(0.1)
    amperes = 400 / 65536
    both = bench.world.firmware.current * amperes
    bench.command("open")
    bench.wait(0.1)
    alone = bench.world.firmware.current * amperes

    assert both == pytest.approx(22, abs=22 * 0.012 + 0.1 + 0.2)  # device 1 % and 0.1 A, stimuli 0.2 %, noise
    assert alone == pytest.approx(12, abs=12 * 0.012 + 0.1 + 0.2)
    assert switched(bench) < 2e-3


def test_source_in_current_limit_says_so_by_its_voltage():
    bench = Bench()
    live(bench, limit=15.0)
    bench.close()
    bench.say("load", "SOUR:CURR 10;:INP ON")
    bench.wait(0.01)
    assert bench.ask("source", "MEAS:VOLT?") == pytest.approx(699.8, abs=0.05)  # sag 20 mohm
    assert not bench.world.plant.limited
    bench.say("load", "SOUR:CURR 40")
    bench.wait(0.01)

    assert bench.world.plant.limited
    assert bench.ask("source", "MEAS:CURR?") == pytest.approx(15, abs=0.1)
    assert bench.ask("source", "MEAS:VOLT?") < 10
    assert bench.ask("load", "MEAS:VOLT?") < bench.ask("source", "MEAS:VOLT?")


def test_load_side_of_an_open_switch_is_live():
    """An open solid-state breaker does not isolate."""
    bench = Bench()
    live(bench)

    assert 5 < bench.ask("load", "MEAS:VOLT?") < 100
    assert bench.ask("source", "MEAS:VOLT?") == pytest.approx(700)


def test_source_ramps_and_falls():
    bench = Bench()
    bench.say("source", "SOUR:VOLT 700;CURR 5;:OUTP ON")
    bench.wait(0.01)
    assert bench.ask("source", "MEAS:VOLT?") == pytest.approx(200, abs=1e-3)  # 20 V/ms
    bench.wait(0.1)
    bench.say("source", "OUTP OFF")
    bench.wait(0.001)
    assert bench.ask("source", "MEAS:VOLT?") == pytest.approx(500, abs=1e-3)  # 200 V/ms
    bench.wait(0.003)
    assert bench.ask("source", "MEAS:VOLT?") == 0
    assert bench.ask("source", "OUTP?") == 0


def test_source_that_dips_and_comes_back_keeps_its_load():
    """700 V falls for 1 ms to 500 V; at 200 V/ms it would have passed the load's lock-out 3.3 ms after the start."""
    bench = Bench()
    live(bench)
    bench.close()
    bench.say("load", "SOUR:CURR 28;:INP ON")
    bench.wait(0.1)
    bench.say("source", "OUTP OFF")
    bench.wait(0.001)
    bench.say("source", "OUTP ON")
    bench.wait(0.02)

    assert switched(bench) == pytest.approx(28, abs=0.1)


def test_supply_has_delay_and_decay_and_its_current_follows_the_gate():
    bench = Bench()
    assert bench.ask("supply_12v", "MEAS:CURR?") == pytest.approx(0.06)
    bench.close()
    assert bench.ask("supply_12v", "MEAS:CURR?") == pytest.approx(0.08)
    bench.say("supply_12v", "OUTP OFF")
    bench.wait(0.001)
    assert bench.ask("supply_12v", "MEAS:VOLT?") == 13.5
    bench.wait(0.01)
    assert bench.ask("supply_12v", "MEAS:VOLT?") == pytest.approx(7.5, abs=1e-3)  # 0.6 V/ms
    assert bench.world.firmware.powered
    bench.wait(0.003)
    assert not bench.world.firmware.powered  # below 6 V
    bench.wait(0.1)
    assert bench.ask("supply_12v", "MEAS:CURR?") == bench.ask("supply_12v", "MEAS:VOLT?") == 0
