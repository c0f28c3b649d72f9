"""The tester's questions, put to the servers of both devices in process."""

from __future__ import annotations

from fractions import Fraction

import pytest

from harness.bench.simulated import SimulatedPort
from harness.bus.diagnostics import Diagnostics
from harness.bus.master import Master, Refused
from harness.clock import MS, S
from harness.files.profile import load_device, shipped_device
from mocks.firmware.key import key_of
from mocks.world import World
from protocol.identifiers import ResetKind

DEVICES = {name: load_device(shipped_device(name)) for name in ("heater", "pump")}


class Rig:
    def __init__(self, name: str) -> None:
        self.device = DEVICES[name]
        self.world = World(self.device, 1)
        for line in ("SOUR:VOLT 13.5", "SOUR:CURR 2", "OUTP ON"):
            self.world.scpi("supply_12v").handle(line)
        self.master = Master(SimulatedPort(self.world, self.device), self.world.clock, self.device)
        self.diagnostics = Diagnostics(self.master, self.device)
        self.wait(0.5)

    def wait(self, seconds: float) -> None:
        self.master.run_until(self.world.clock.now_ns() + round(seconds * S))

    def unlock(self) -> None:
        self.diagnostics.open_session(self.device.write_session)
        security = self.device.security
        assert security is not None
        key = key_of(self.diagnostics.seed(security.level), security.key_bytes)
        self.diagnostics.send_key(security.level, key)


@pytest.fixture
def heater() -> Rig:
    return Rig("heater")


@pytest.fixture
def pump() -> Rig:
    return Rig("pump")


@pytest.mark.parametrize("name", DEVICES)
def test_sessions_by_their_names(name: str) -> None:
    rig = Rig(name)
    assert rig.diagnostics.session == "default"
    timing = rig.diagnostics.start_session(rig.device.write_session)
    assert (timing.p2_ns, timing.p2_star_ns) == (rig.device.timing.p2_ns, rig.device.timing.p2_star_ns)
    assert rig.diagnostics.session == rig.device.write_session
    rig.diagnostics.open_session("default")
    assert rig.diagnostics.session == "default"
    assert rig.master.session is None


def test_a_session_that_is_open_is_not_started_again(heater: Rig) -> None:
    heater.diagnostics.open_session("extended")
    began = heater.master.session
    heater.diagnostics.open_session("extended")
    assert began is not None and heater.master.session is not None
    assert heater.master.session.began_ns == began.began_ns


def test_a_key_lasts_as_long_as_its_session(pump: Rig) -> None:
    assert not pump.diagnostics.unlocked
    pump.unlock()
    assert pump.diagnostics.unlocked
    pump.wait(12)
    assert pump.diagnostics.unlocked  # kept by tester present
    assert not any(pump.diagnostics.seed(1))
    pump.diagnostics.start_session("service")
    assert not pump.diagnostics.unlocked
    with pytest.raises(Refused, match="security_access_denied"):
        pump.diagnostics.write_group(0x2001, pump.diagnostics.group(0x2001))


def test_a_session_that_ran_out_takes_the_key_with_it(pump: Rig) -> None:
    pump.unlock()
    pump.master.silence_until(pump.world.clock.now_ns() + 6 * S)
    assert not pump.diagnostics.unlocked and pump.diagnostics.session == "default"


def test_a_record_of_several_set_points(pump: Rig) -> None:
    pump.unlock()
    values = pump.diagnostics.group(0x2001) | {"overload_pickup_drive": Fraction(50)}
    pump.diagnostics.write_group(0x2001, values)
    assert pump.diagnostics.group(0x2001) == {
        "overload_pickup_drive": 50,
        "overload_pickup_charge": 22,
        "overload_multiplier": 1,
    }
    # 50 A in steps of 0.05 A is 1000 = 0x03e8, the low byte first as the pump's profile has it
    assert pump.master.request(b"\x22\x20\x01")[3:5] == b"\xe8\x03"


def trip(rig: Rig, amperes: float) -> None:
    for command in ("none", "close"):
        rig.master.send_command(command)
        rig.wait(0.05)
    injector = rig.world.scpi("injector")
    for line in ("SOUR:CURR:SLEW 1E6", "SOUR:PULS:WIDT 2", f"SOUR:CURR {amperes}", "OUTP ON"):
        injector.handle(line)
    rig.wait(1)
    injector.handle("OUTP OFF")
    rig.wait(1)
    for command in ("open", "none"):
        rig.master.send_command(command)
        rig.wait(0.1)


def test_both_snapshots_of_a_code(pump: Rig) -> None:
    dtc = pump.device.fault_codes["overcurrent"].dtc
    assert pump.diagnostics.snapshots(dtc) == {}
    assert pump.diagnostics.snapshot(dtc) == {}
    trip(pump, 270)
    trip(pump, 300)
    both = pump.diagnostics.snapshots(dtc)
    assert float(both[0x10]["current"]) == pytest.approx(270, rel=0.05)
    assert float(both[0x11]["current"]) == pytest.approx(300, rel=0.05)
    assert pump.diagnostics.snapshot(dtc, 0x10) == both[0x10]
    assert pump.diagnostics.snapshot(dtc) == both[0x11]


def test_control_is_taken_and_given_back(heater: Rig) -> None:
    heater.diagnostics.open_session("extended")
    control = heater.device.controls["heat_sink"]
    real = heater.diagnostics.controlled(control)
    heater.diagnostics.adjust(control, Fraction(601, 10))
    assert heater.diagnostics.controlled(control) == Fraction(601, 10)
    heater.diagnostics.return_control(control)
    heater.wait(0.1)
    assert abs(heater.diagnostics.controlled(control) - real) < 1


def test_a_routine_and_its_result(heater: Rig) -> None:
    routine = heater.device.routines["self_test"]
    heater.diagnostics.open_session("extended")
    with pytest.raises(Refused, match="request_sequence_error"):
        heater.diagnostics.routine_result(routine)
    began_ns = heater.world.clock.now_ns()
    assert heater.diagnostics.start_routine(routine) == b"\0"
    assert heater.world.clock.now_ns() - began_ns > 300 * MS  # of the profile, by 'response pending'
    assert heater.diagnostics.routine_result(routine) == b"\0"


@pytest.mark.parametrize("kind", [ResetKind.HARD, ResetKind.SOFT])
def test_a_reset_ends_the_session(heater: Rig, kind: ResetKind) -> None:
    heater.diagnostics.open_session("extended")
    heater.diagnostics.reset(kind)
    assert heater.diagnostics.session == "default"
    heater.wait(0.2)
    with pytest.raises(Refused, match="service_not_supported_in_session"):
        heater.master.request(b"\x2e")
