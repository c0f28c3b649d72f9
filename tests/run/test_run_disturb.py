"""Faulty frames, sleep and wake-up, on both devices and on nodes with defects."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest
from run_rig import DEVICES, HEATER, Rig, reasons

from harness.plan.steps import Disturb, SleepAndWake
from harness.record.result import Verdict
from harness.run.disturb import run_disturb, run_sleep_and_wake
from mocks.node import Node
from protocol.decoder import FrameReceived, WireFault

KINDS = ["wrong_checksum", "wrong_parity", "short_response", "bad_sync", "stray_bytes"]


@pytest.fixture(params=DEVICES)
def rig(request: pytest.FixtureRequest, tmp_path: Path) -> Rig:
    return Rig(tmp_path, DEVICES[request.param])


@pytest.fixture
def heater(tmp_path: Path) -> Rig:
    return Rig(tmp_path, HEATER)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("closed", [False, True])
def test_a_good_node_takes_every_disturbance(rig: Rig, kind: str, closed: bool) -> None:
    if closed:
        rig.close()
    outcome = rig.run(run_disturb, Disturb(kind=kind, count=3))
    assert not outcome.findings, reasons(outcome)
    assert outcome.facts["disturbances"] == 3
    assert rig.switch == ("closed" if closed else "open")


@pytest.mark.parametrize("kind", ["wrong_parity", "bad_sync"])
def test_a_faulty_header_of_the_command_frame(rig: Rig, kind: str) -> None:
    outcome = rig.run(run_disturb, Disturb(kind=kind, frame=rig.device.command.frame))
    assert not outcome.findings, reasons(outcome)


def test_a_response_of_the_node_is_out_of_a_masters_reach(heater: Rig) -> None:
    outcome = heater.run(run_disturb, Disturb(kind="wrong_checksum", frame="HeaterStatus"))
    assert outcome.verdict is Verdict.NOT_RUN


def test_a_port_without_raw_symbols(heater: Rig) -> None:
    port = heater.bench.master._port
    port.capabilities = dataclasses.replace(port.capabilities, raw_symbols=False, wake_pulse=False)  # type: ignore[misc]
    assert heater.run(run_disturb, Disturb(kind="bad_sync")).verdict is Verdict.NOT_RUN
    assert heater.run(run_sleep_and_wake, SleepAndWake()).verdict is Verdict.NOT_RUN


# Defects


def test_a_node_that_never_reports_is_found(heater: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    take = Node._take

    def quiet(self: Node, event: object) -> None:
        take(self, event)  # type: ignore[arg-type]
        self._response_error = False

    monkeypatch.setattr(Node, "_take", quiet)
    outcome = heater.run(run_disturb, Disturb(kind="wrong_checksum"))
    assert "was 0, 0, 0; wanted 1, 0, 0" in reasons(outcome)


def test_a_node_that_goes_on_reporting_is_found(heater: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    frame = Node._frame

    def sticky(self: Node, received: FrameReceived) -> None:
        error = self._response_error
        frame(self, received)
        self._response_error |= error

    monkeypatch.setattr(Node, "_frame", sticky)
    outcome = heater.run(run_disturb, Disturb(kind="short_response"))
    assert "was 1, 1, 1; wanted 1, 0, 0" in reasons(outcome)


def test_a_node_that_reports_header_faults_is_found(heater: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    take = Node._take

    def touchy(self: Node, event: object) -> None:
        if isinstance(event, WireFault):
            self._response_error = True
        take(self, event)  # type: ignore[arg-type]

    monkeypatch.setattr(Node, "_take", touchy)
    outcome = heater.run(run_disturb, Disturb(kind="bad_sync"))
    assert "was 1, 0, 0; wanted 0, 0, 0" in reasons(outcome)


def test_a_node_that_acts_on_a_disturbed_command_is_found_and_opened(
    heater: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    take = Node._take

    def trusting(self: Node, event: object) -> None:
        if isinstance(event, WireFault) and event.frame_id in self._commands:
            self._response_error = True
            event = FrameReceived(event.frame_id, event.raw[1:-1], event.start_ns, event.end_ns)
        take(self, event)  # type: ignore[arg-type]

    monkeypatch.setattr(Node, "_take", trusting)
    outcome = heater.run(run_disturb, Disturb(kind="wrong_checksum"))
    assert "switch open" in reasons(outcome) and "switch closed" in reasons(outcome)
    assert heater.switch == "open"


def test_a_node_that_answers_a_faulty_header_is_found(heater: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    hear = Node.hear

    def eager(self: Node, symbols: list[int], end_ns: int) -> None:
        hear(self, [0x55 if symbol == 0x54 else symbol for symbol in symbols], end_ns)

    monkeypatch.setattr(Node, "hear", eager)
    heater.world.wire._listeners = [
        (lambda symbols, end_ns: eager(heater.world.node, list(symbols), end_ns)) if i == 0 else listener
        for i, listener in enumerate(heater.world.wire._listeners)
    ]
    outcome = heater.run(run_disturb, Disturb(kind="bad_sync"))
    assert "was answered, though its header was faulty" in reasons(outcome)


# Sleep


def test_a_good_node_sleeps_and_wakes(rig: Rig) -> None:
    outcome = rig.run(run_sleep_and_wake, SleepAndWake())
    assert not outcome.findings, reasons(outcome)


def test_a_node_that_does_not_sleep_is_found(heater: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Node, "_go_to_sleep", lambda self: None)
    assert "answered a header after the go-to-sleep command" in reasons(heater.run(run_sleep_and_wake, SleepAndWake()))


def test_a_node_that_does_not_wake_by_a_signal_is_found(heater: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("mocks.node._WAKE_PULSE_NS", 500_000)  # a break is longer, the signal's 417 us is not
    assert "after a wake-up signal" in reasons(heater.run(run_sleep_and_wake, SleepAndWake()))
