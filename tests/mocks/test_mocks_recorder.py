"""Recorder: trigger, pre-trigger, partial data, the gate's instant, errors within what the bench declares."""

import numpy as np
import pytest
from world_bench import MS, Bench

WAITING, MEASURING = 32, 16  # SCPI-99 volume 1, 20.1: operation condition register


def condition(bench: Bench) -> int:
    return int(bench.ask("recorder", "STAT:OPER:COND?"))


def test_states_from_armed_to_done():
    bench = Bench()
    assert condition(bench) == 0
    bench.record(1e-4, 1000, 200, 1, 10.0)
    bench.wait(1.0)
    assert condition(bench) == WAITING
    assert bench.ask("recorder", "TRAC:POIN? CHAN1") == 0
    bench.say("injector", "SOUR:CURR 20;:OUTP ON")
    bench.wait(0.02)
    assert condition(bench) == MEASURING
    assert bench.ask("recorder", "TRAC:POIN? CHAN1") == pytest.approx(400, abs=1)  # 20 ms before, 20 ms after
    bench.wait(1.0)
    assert condition(bench) == 0
    assert bench.ask("recorder", "TRAC:POIN? CHAN1") == 1000
    trace = bench.trace(1)
    assert np.abs(trace[:200]).max() < 0.05
    assert trace[200] == pytest.approx(20, rel=0.01)
    assert trace[201:] == pytest.approx(np.full(799, 20), rel=0.01)


def test_the_event_register_remembers_what_began_until_it_is_read_or_cleared():
    """SCPI-99 volume 2, 20.6; *CLS clears it (IEEE 488.2, 10.3)."""
    bench = Bench()
    assert bench.ask("recorder", "STAT:OPER:EVEN?") == 0
    bench.say("recorder", "SENS:SWE:TINT 1e-6;POIN 20;:TRIG:SOUR IMM;:INIT")
    bench.wait(0.01)
    assert condition(bench) == 0
    assert bench.ask("recorder", "STAT:OPER?") == WAITING | MEASURING
    assert bench.ask("recorder", "STAT:OPER:EVEN?") == 0
    bench.record(1e-3, 100, 10, 1, 10.0)
    assert bench.ask("recorder", "STAT:OPER:EVEN?") == WAITING
    bench.say("recorder", "ABOR;INIT;*CLS")
    assert bench.ask("recorder", "STAT:OPER:EVEN?") == 0


def test_trigger_is_the_first_grid_point_after_the_crossing():
    """1000 A/s from 10 ms on: 20 A at 30 ms, on or just beside grid point 300 by the time base's error."""
    bench = Bench()
    bench.say("injector", "SOUR:CURR:SLEW 1000;:SOUR:CURR 100")
    bench.record(1e-4, 300, 50, 1, 20.0)
    bench.wait(0.01)
    bench.say("injector", "OUTP ON")
    bench.wait(0.2)
    trace = bench.trace(1)

    assert trace[50] >= 20.0 - 0.02
    assert trace[49] < 20.0
    assert np.diff(trace)[:150] == pytest.approx(np.full(150, 0.1), abs=0.02)


@pytest.mark.parametrize(("slope", "first"), [("POS", 30.0), ("NEG", 0.0)])
def test_slope(slope: str, first: float):
    bench = Bench()
    bench.record(1e-3, 50, 10, 1, 15.0, slope)
    bench.wait(0.1)
    bench.say("injector", "SOUR:CURR 30;:SOUR:PULS:WIDT 0.2;:OUTP ON")
    bench.wait(1.0)

    assert bench.trace(1)[11] == pytest.approx(first, abs=0.15)


def test_pretrigger_part_must_be_filled_before_a_trigger_counts():
    bench = Bench()
    bench.record(1e-3, 200, 100, 1, 10.0)
    bench.say("injector", "SOUR:CURR 20;:OUTP ON")  # at once: only 0 of the 100 points are there
    bench.wait(0.15)
    assert condition(bench) == WAITING
    bench.say("injector", "OUTP OFF")
    bench.wait(0.05)
    bench.say("injector", "OUTP ON")
    bench.wait(0.2)

    assert condition(bench) == 0
    assert bench.trace(1)[[49, 51, 98, 101]] == pytest.approx([20, 0, 0, 20], abs=0.15)


def test_immediate_trigger_and_time_base():
    bench = Bench()
    bench.say("recorder", "SENS:SWE:TINT 1e-3;POIN 20;:TRIG:SOUR IMM;:INIT")
    bench.wait(0.0101)
    assert bench.ask("recorder", "TRAC:POIN? CHAN5") == 11
    bench.wait(0.02)
    assert bench.trace(5) == pytest.approx(np.full(20, 13.5), abs=0.05)


def test_gate_channel_shows_the_instant():
    """Microsecond samples around the opening of the gate, whose instant the test knows."""
    bench = Bench()
    bench.close()
    bench.record(1e-6, 2000, 1000, 2, 2.5, "NEG")
    bench.wait(0.0100005)
    opened = bench.clock.now_ns()
    armed = opened - 10_000_500
    bench.command("open")
    gate = bench.trace(2)
    first_off = int(np.nonzero(gate < 2.5)[0][0])

    assert first_off == 1000
    assert set(np.round(gate)) == {0.0, 5.0}
    assert (opened - armed) % 1000 == 500  # between two grid points; the trigger is the next one


def test_abort_keeps_what_there_is_and_a_wait_without_trigger_keeps_nothing():
    bench = Bench()
    bench.record(1e-3, 1000, 10, 1, 10.0)
    bench.wait(0.1)
    bench.say("injector", "SOUR:CURR 20;:OUTP ON")
    bench.wait(0.0505)
    bench.say("recorder", "ABOR")
    bench.wait(1.0)
    assert condition(bench) == 0
    assert len(bench.trace(1)) == pytest.approx(61, abs=1)

    bench.record(1e-3, 1000, 10, 1, 100.0)
    bench.wait(0.5)
    bench.say("recorder", "ABOR")
    scpi = bench.world.scpi("recorder")
    assert scpi.handle("TRAC:DATA? CHAN1") is None
    assert scpi.handle("SYST:ERR?") == '-230,"Data corrupt or stale;nothing recorded"'


def test_refusals():
    bench = Bench()
    scpi = bench.world.scpi("recorder")
    for line, number in (
        ("SENS:SWE:TINT 9e-9", -222),
        ("SENS:SWE:POIN 1000001", -222),
        ("SENS:SWE:POIN 10;OFFS:POIN 10;:INIT", -221),
        ("*RST;:INIT;:INIT", -213),
        ("TRAC:DATA? CHAN10", -224),
        ("FORM ASC", -109),
    ):
        assert scpi.handle(line) is None
        answer = scpi.handle("SYST:ERR?")
        assert isinstance(answer, str)
        assert answer.startswith(f"{number},"), line
    assert scpi.handle("*RST;:SENS:SWE:TINT?;POIN?;OFFS:POIN?;:TRIG:SOUR?;LEV?;SLOP?;:STAT:OPER:COND?") == (
        "0.001;1000;0;IMM;0;POS;0"
    )
    assert scpi.handle("FORM REAL,32") is None
    assert scpi.handle("SYST:ERR?") == '0,"No error"'


def test_data_stay_when_the_world_goes_on():
    bench = Bench()
    bench.record(1e-4, 500, 100, 1, 10.0)
    bench.wait(0.1)
    bench.say("injector", "SOUR:CURR 20;:SOUR:PULS:WIDT 0.02;:OUTP ON")
    bench.wait(0.1)
    first = bench.trace(1)
    for amperes in (5, 6, 7):
        bench.say("injector", f"SOUR:CURR {amperes};:OUTP ON")
        bench.wait(0.1)

    assert np.array_equal(bench.trace(1), first)
    assert first[99] == pytest.approx(0, abs=0.05)
    assert first[150] == pytest.approx(20, abs=0.2)
    assert first[-1] == pytest.approx(0, abs=0.05)


@pytest.mark.parametrize("seed", range(5))
def test_errors_of_recorder_and_injector_are_within_the_bench_file(seed: int):
    """testplans/benches/simulated.yaml: injector 0.2 % and 20 mA, channel 'injected' 0.2 % and 30 mA."""
    bench = Bench(seed)
    bench.say("recorder", "SENS:SWE:TINT 1e-3;POIN 100;:TRIG:SOUR IMM;:INIT")
    bench.say("injector", "SOUR:CURR 100;:OUTP ON")
    bench.wait(0.5)
    true = bench.world.plant.injected.at(bench.clock.now_ns())
    trace = bench.trace(1)[1:]

    assert abs(true - 100) <= 0.2 + 0.02
    assert np.abs(trace - true).max() <= 0.2 + 0.03
    assert trace.std() == pytest.approx(2e-3, rel=0.4)


def test_pretrigger_part_is_all_there():
    """A pulse 0.5 s before the trigger, changes of everything else in between and afterwards."""
    bench = Bench()
    bench.record(1e-3, 2000, 1000, 1, 30.0)
    bench.wait(2.5)
    bench.say("injector", "SOUR:CURR 10;:SOUR:PULS:WIDT 0.1;:OUTP ON")
    for volts in (100, 200, 300, 400, 500):
        bench.wait(0.1)
        bench.say("source", f"SOUR:VOLT {volts};CURR 5;:OUTP ON")
    bench.say("injector", "SOUR:CURR 40;:SOUR:PULS:WIDT 0.1;:OUTP ON")
    for volts in (400, 300, 200):
        bench.wait(0.4)
        bench.say("source", f"SOUR:VOLT {volts}")
    on = np.nonzero(bench.trace(1) > 5)[0]
    trace = bench.trace(1)

    assert [int(on[0]), int(on[99]), int(on[100]), int(on[-1]), len(on)] == pytest.approx(
        [500, 599, 1000, 1099, 200], abs=1
    )
    assert trace[[510, 1010]] == pytest.approx([10, 40], abs=0.2)


@pytest.mark.parametrize("seed", range(4))
def test_time_base_is_within_its_declared_accuracy(seed: int):
    """0.001 %: 900 s are 9 ms, or 9 samples of 1 ms."""
    bench = Bench(seed)
    bench.say("recorder", "SENS:SWE:TINT 1e-3;POIN 1000000;:TRIG:SOUR IMM;:INIT")
    bench.wait(900)
    bench.say("injector", "SOUR:CURR 20;:OUTP ON")
    bench.wait(101)
    shift = int(np.nonzero(bench.trace(1) > 10)[0][0]) - 900_000

    assert abs(shift) <= 9 + 1


def test_time_bases_differ():
    assert len({round(Bench(seed).world.bench.recorder.time_base, 9) for seed in range(6)}) == 6


def test_history_is_bounded_while_armed_and_while_not():
    bench = Bench()
    bench.record(1e-3, 1000, 10, 3, 100.0)
    for index in range(500):
        bench.say("injector", f"SOUR:CURR {index % 7};:OUTP ON")
        bench.clock.sleep_until(bench.clock.now_ns() + 20 * MS)

    assert max(len(track.frozen().starts) for track in bench.world.plant.tracks) < 20
