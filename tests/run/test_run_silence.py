"""Silences on both devices, and on breakers that react too late, too early, or to nothing."""

from __future__ import annotations

from pathlib import Path

import pytest
from run_rig import DEVICES, HEATER, PUMP, Rig, reasons

from harness.plan.steps import Silence
from harness.quantity import parse
from harness.record.result import Coverage, Verdict
from harness.run.silence import run_silence
from mocks.firmware.tasks import Firmware
from protocol.device import Device

TIMEOUT_S = {"heater": 5.0, "pump": 4.0}  # of the profiles


@pytest.fixture(params=DEVICES)
def rig(request: pytest.FixtureRequest, tmp_path: Path) -> Rig:
    return Rig(tmp_path, DEVICES[request.param])


def silence(seconds: float, function: str | None = "silence") -> Silence:
    return Silence(duration=parse(f"{seconds} s"), function=function)


def test_a_good_breaker_opens_in_its_band(rig: Rig) -> None:
    rig.close()
    outcome = rig.run(run_silence, silence(6.0))
    assert not outcome.findings, reasons(outcome)
    (time,) = outcome.measurements
    timeout = TIMEOUT_S[rig.device.name]
    # declared: timer 1 % (heater) or 1.5 % (pump), latency 0 to 25 ms
    assert time.value == pytest.approx(timeout, rel=0.02, abs=0.03)
    assert time.low == pytest.approx(timeout, rel=0.02) and time.high == pytest.approx(timeout + 0.025, rel=0.02)
    assert time.uncertainty < 0.001
    assert outcome.coverage is Coverage.SECONDARY
    assert [waveform.channel for waveform in outcome.waveforms] == ["gate"]
    assert rig.cause == "silence"


def test_a_short_silence_changes_nothing(rig: Rig) -> None:
    rig.close()
    outcome = rig.run(run_silence, silence(3.5, None))
    assert not outcome.findings, reasons(outcome)
    assert rig.switch == "closed"


def test_a_silence_that_may_trip_tells_nothing(rig: Rig) -> None:
    outcome = rig.run(run_silence, silence(5.0, None))
    assert outcome.verdict is Verdict.ERROR
    assert "may operate from" in reasons(outcome)


def test_a_silence_that_is_too_short_for_the_band(rig: Rig) -> None:
    rig.close()
    assert "allow more time" in reasons(rig.run(run_silence, silence(4.0)))


def test_an_open_breaker_cannot_show_it(rig: Rig) -> None:
    outcome = rig.run(run_silence, silence(6.0))
    assert outcome.verdict is Verdict.ERROR and "must be closed" in reasons(outcome)


# Defects


def _deaf(self: Firmware) -> None: ...


@pytest.mark.parametrize("device", [HEATER, PUMP], ids=lambda device: device.name)
def test_a_breaker_that_does_not_watch_is_found(
    tmp_path: Path, device: Device, monkeypatch: pytest.MonkeyPatch
) -> None:
    rig = Rig(tmp_path, device)
    rig.close()
    monkeypatch.setattr(Firmware, "_operate", lambda self, *arguments: False)
    outcome = rig.run(run_silence, silence(6.0))
    assert "did not come" in reasons(outcome)


def test_a_breaker_whose_clock_starts_early_is_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    rig = Rig(tmp_path, HEATER)
    rig.close()
    rig.wait(0.3)
    monkeypatch.setattr(Firmware, "frame_heard", _deaf)  # frames do not restart it any more
    rig.wait(0.4)
    outcome = rig.run(run_silence, silence(6.0))
    assert "too early" in reasons(outcome)


def test_a_trip_ahead_of_its_time_is_found_in_a_short_silence(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    rig = Rig(tmp_path, HEATER)
    rig.close()
    rig.wait(1.5)
    monkeypatch.setattr(Firmware, "frame_heard", _deaf)
    rig.wait(1.0)
    outcome = rig.run(run_silence, silence(4.5, None))
    assert outcome.verdict is Verdict.FAIL and "a silence of" in reasons(outcome)
