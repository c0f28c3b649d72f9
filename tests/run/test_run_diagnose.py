"""Diagnostic steps on both devices, and on servers with defects."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest
from run_rig import DEVICES, HEATER, PUMP, Rig, reasons

from harness.bus.diagnostics import Diagnostics
from harness.clock import S
from harness.plan.steps import Force, Request, Reset, RunRoutine, StartSession, Unlock
from harness.quantity import parse
from harness.record.result import Coverage, Verdict
from harness.record.wear import read
from harness.run.diagnose import run_force, run_request, run_reset, run_routine, run_start_session, run_unlock
from harness.run.wear import Unit
from mocks.firmware import services
from mocks.firmware.configuration import Configuration
from mocks.firmware.controls import Controls
from mocks.firmware.security import Security
from mocks.firmware.services import Services
from mocks.node import Node
from protocol.budgets import Budgets


@pytest.fixture(params=DEVICES)
def rig(request: pytest.FixtureRequest, tmp_path: Path) -> Rig:
    return Rig(tmp_path, DEVICES[request.param])


@pytest.fixture
def heater(tmp_path: Path) -> Rig:
    return Rig(tmp_path, HEATER)


@pytest.fixture
def pump(tmp_path: Path) -> Rig:
    return Rig(tmp_path, PUMP)


# Sessions


def test_a_session_starts_and_is_kept(rig: Rig) -> None:
    name = rig.device.write_session
    outcome = rig.run(run_start_session, StartSession(session=name))
    assert not outcome.findings, reasons(outcome)
    assert rig.bench.diagnostics.session == name
    rig.wait(20)  # S3 is 5 s
    assert rig.bench.diagnostics.session == name


def test_a_server_that_allows_itself_more_time_than_declared_is_found(heater: Rig) -> None:
    object.__setattr__(heater.world.node.diagnosis._catalogue, "p2_ns", 120_000_000)
    outcome = heater.run(run_start_session, StartSession(session="extended"))
    assert "P2 = 120 ms, declared 50 ms" in reasons(outcome)


# Security


def test_the_key_of_the_bench_opens(pump: Rig) -> None:
    outcome = pump.run(run_unlock, Unlock())
    assert not outcome.findings, reasons(outcome)
    assert pump.bench.diagnostics.unlocked
    assert not pump.run(run_unlock, Unlock()).findings  # a seed of zeros: open already


def test_neither_seed_nor_key_is_kept(pump: Rig) -> None:
    pump.bench.take_exchanges()
    pump.run(run_unlock, Unlock())
    exchanges = pump.bench.take_exchanges()
    sent = [exchange.request.hex() for exchange in exchanges]
    assert sent == ["1040", "2701", "2702"]
    assert [exchange.answer for exchange in exchanges if exchange.request[0] == 0x27] == [b"\x67\x01", b"\x67\x02"]


def test_wrong_keys_are_refused_until_it_is_barred(pump: Rig) -> None:
    wrong = Unlock(wrong_key=True)
    for _ in range(2):
        assert not pump.run(run_unlock, wrong).findings
    outcome = pump.run(run_unlock, wrong)
    assert reasons(outcome) == "fail: the key was refused with exceeded_attempts, wanted invalid_key"
    barred = Unlock(refused="required_time_delay_not_expired")
    assert not pump.run(run_unlock, barred).findings
    pump.wait(10)  # the profile's delay
    assert not pump.run(run_unlock, Unlock()).findings


@pytest.mark.parametrize("step", [Unlock(), Unlock(wrong_key=True)])
def test_beyond_the_budget_no_seed_is_asked_for_and_no_key_is_made(
    pump: Rig, monkeypatch: pytest.MonkeyPatch, step: Unlock
) -> None:
    made: list[bytes] = []
    monkeypatch.setattr("harness.run.access.key_of", lambda command, seed, size: made.append(seed) or bytes(size))
    pump.ledger.wear = Unit(Budgets(0, 0.0, 0, key_attempts=0), "0001")
    pump.bench.take_exchanges()

    outcome = pump.run(run_unlock, step)

    assert reasons(outcome) == "not-run: this takes 1 of keys sent, and unit 0001 has 0 of 0 left"
    assert made == []
    assert not [each for each in pump.bench.take_exchanges() if each.request[0] == 0x27]


def test_a_key_is_noted_on_the_unit_before_it_is_sent(
    pump: Rig, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "units" / "0001.jsonl"
    pump.ledger.wear = Unit(Budgets(0, 0.0, 0, key_attempts=2), "0001", file, real=True)
    noted: list[float] = []
    send = Diagnostics.send_key

    def watched(diagnostics: Diagnostics, level: int, key: bytes) -> object:
        noted.append(read(file).spent["key_attempts"])
        return send(diagnostics, level, key)

    monkeypatch.setattr(Diagnostics, "send_key", watched)
    for step in (Unlock(wrong_key=True), Unlock(), Unlock()):  # the third finds it open: a seed of zeros, and no key
        pump.run(run_unlock, step)

    assert noted == [1, 2]
    assert read(file).spent["key_attempts"] == 2


def test_a_server_that_takes_any_key_is_found(pump: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    def any_key(self: Security, key: bytes, now_ns: int) -> tuple[None, int]:
        self.unlocked, self._seed = True, b""
        return None, now_ns

    monkeypatch.setattr(Security, "key", any_key)
    assert "the key was accepted, wanted invalid_key" in reasons(pump.run(run_unlock, Unlock(wrong_key=True)))


def test_no_key_command_no_key(tmp_path: Path) -> None:
    outcome = Rig(tmp_path, PUMP, commands={}).run(run_unlock, Unlock())
    assert outcome.verdict is Verdict.NOT_RUN and "no command 'key'" in reasons(outcome)


def test_a_key_command_that_fails_is_the_benchs_fault(tmp_path: Path) -> None:
    rig = Rig(tmp_path, PUMP, commands={"key": (sys.executable, "-c", "print('no key')")})
    outcome = rig.run(run_unlock, Unlock())
    assert outcome.verdict is Verdict.ERROR and "no key in hexadecimal" in reasons(outcome)


# Plain requests


@pytest.mark.parametrize(
    ("request_step", "finding"),
    [
        (Request(payload="22 F1 89", answer="62 F1 89 ..  ..."), ""),
        (Request(payload="22 F1 89", answer="62 F1 89 00 ..."), "wanted 62 F1 89 00 ..."),
        (Request(payload="22 F1 89", refused="request_out_of_range"), "should be refused"),
        (Request(payload="22 0F FF", refused="request_out_of_range"), ""),
        (Request(payload="22 0F FF", answer="62 ..."), "wanted no refusal"),
        (Request(payload="22 F1 89", silent=True), "should be silent"),
        (Request(payload="22 F1 89", nad=0x0B, silent=True), ""),
        (Request(payload="3E 80", silent=True), ""),
        (Request(payload="22 F1 89", functional=True, silent=True), ""),
        (Request(payload="BA 00", refused="service_not_supported"), ""),
    ],
    ids=str,
)
def test_what_comes_is_compared(heater: Rig, request_step: Request, finding: str) -> None:
    outcome = heater.run(run_request, request_step)
    assert (finding in reasons(outcome)) if finding else not outcome.findings, reasons(outcome)


@pytest.mark.parametrize("functional", [True, False])
def test_a_node_that_answers_what_is_not_for_it_is_found(
    heater: Rig, monkeypatch: pytest.MonkeyPatch, functional: bool
) -> None:
    node = heater.world.node
    request = Node._request

    def nosy(self: Node, pdu: bytes, now_ns: int) -> None:
        request(self, bytes((0x0A, *pdu[1:])), now_ns)

    monkeypatch.setattr(Node, "_request", nosy)
    assert node.diagnosis.node.nad == 0x0A
    step = Request(payload="22 F1 89", silent=True, **({"functional": True} if functional else {"nad": 0x0B}))
    assert "frame 0x3D carried 0A" in reasons(heater.run(run_request, step))


def test_a_dead_wire_is_no_silence(heater: Rig) -> None:
    port = heater.bench.master._port
    port._wire._listeners.remove(port._hear)  # type: ignore[attr-defined]
    outcome = heater.run(run_request, Request(payload="22 F1 89", silent=True, nad=0x0B))
    assert outcome.verdict is Verdict.ERROR


# Routines


def test_a_routine_gives_its_result(rig: Rig) -> None:
    name = next(iter(rig.device.routines))
    outcome = rig.run(run_routine, RunRoutine(routine=name))
    assert not outcome.findings, reasons(outcome)
    assert outcome.facts["took_s"] >= rig.device.routines[name].duration  # type: ignore[operator]


def test_a_routine_with_another_result_is_found(heater: Rig) -> None:
    outcome = heater.run(run_routine, RunRoutine(routine="self_test", result="01"))
    assert "the routine's result is 00, wanted 01" in reasons(outcome)


def test_a_routine_that_must_be_refused(pump: Rig) -> None:
    step = RunRoutine(routine="release_lockout", refused="service_not_supported_in_session")
    assert not pump.run(run_routine, step).findings
    pump.run(run_start_session, StartSession(session="service"))
    locked = RunRoutine(routine="release_lockout", refused="security_access_denied")
    assert not pump.run(run_routine, locked).findings
    assert not pump.run(run_routine, RunRoutine(routine="release_lockout")).findings  # with the key
    assert "was accepted, wanted security_access_denied" in reasons(pump.run(run_routine, locked))


# Reset


@pytest.mark.parametrize("kind", ["hard", "soft"])
def test_a_reset_opens_and_keeps_the_rest(rig: Rig, kind: str) -> None:
    rig.write("heat_sink_limit", 80)
    rig.close()
    outcome = rig.run(run_reset, Reset(kind=kind))
    assert not outcome.findings, reasons(outcome)
    assert rig.switch == "open"
    assert rig.bench.master.session is None


def test_a_reset_that_is_none_is_found(heater: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    heater.close()
    monkeypatch.setattr(Node, "_restart", lambda self: None)
    outcome = heater.run(run_reset, Reset())
    assert "its session was still open" in reasons(outcome)
    assert "the switch is closed" in reasons(outcome)


def test_a_reset_that_loses_set_points_is_found(heater: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    heater.write("heat_sink_limit", 80)
    monkeypatch.setattr(
        Configuration, "power_on", lambda self, now_ns: self._firmware.adopt(self._firmware.calibration.defaults)
    )
    outcome = heater.run(run_reset, Reset())
    assert "heat_sink_limit reads 95 degC, was 80 degC" in reasons(outcome)


# Control


def test_a_forced_value_trips_and_control_goes_back(heater: Rig) -> None:
    heater.close()
    step = Force(control="heat_sink", value=parse("105 degC"), function="heat_sink")
    outcome = heater.run(run_force, step)
    assert not outcome.findings, reasons(outcome)
    assert (outcome.coverage, outcome.function) == (Coverage.FORCED, "heat_sink")
    assert abs(outcome.facts["real_after"] - 25) < 3  # type: ignore[operator]
    assert heater.switch == "open"


def test_a_forced_value_that_must_not_trip(heater: Rig) -> None:
    heater.close()
    outcome = heater.run(run_force, Force(control="heat_sink", value=parse("60 degC")))
    assert not outcome.findings, reasons(outcome)
    assert outcome.coverage is Coverage.NONE
    assert heater.switch == "closed"


def test_a_trip_that_nobody_asked_for_is_found(heater: Rig) -> None:
    heater.close()
    outcome = heater.run(run_force, Force(control="heat_sink", value=parse("105 degC")))
    assert "it came to state tripped" in reasons(outcome)


def test_a_function_that_does_not_operate_is_found(heater: Rig) -> None:
    heater.close()
    step = Force(control="bus", value=parse("900 V"), function="bus_high")
    heater.world.firmware.override = lambda quantity, value: None  # type: ignore[method-assign]
    outcome = heater.run(run_force, step)
    assert "forced to 900 V" in reasons(outcome) and "bus_high did not operate" in reasons(outcome)


def test_control_that_is_not_given_back_is_found(heater: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Controls, "give_back", lambda self, row: None)
    outcome = heater.run(run_force, Force(control="heat_sink", value=parse("60 degC")))
    assert "control was given back and heat_sink reads 60 degC" in reasons(outcome)


def test_an_endless_response_pending_is_given_up(heater: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Services, "execute", lambda self, request, now_ns: _never(now_ns))
    began_ns = heater.bench.clock.now_ns()
    outcome = heater.run(run_request, Request(payload="22 F1 89", answer="62 ..."))
    assert outcome.verdict is Verdict.FAIL and "'response pending' for more than 20 s" in reasons(outcome)
    assert heater.bench.clock.now_ns() - began_ns < 25 * S


def _never(now_ns: int) -> services.Outcome:
    return services.Outcome(b"\x62\xf1\x89\x00", now_ns + 3600 * S)
