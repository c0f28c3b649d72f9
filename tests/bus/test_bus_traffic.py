from __future__ import annotations

from harness.bus.traffic import Lateness, RequestMade, Run, Runs, Statistics
from protocol.decoder import FaultKind, FrameReceived, NoResponse, WireFault


def frame(payload: bytes, at: int, frame_id: int = 0x22) -> FrameReceived:
    return FrameReceived(frame_id, payload, at, at + 7)


def fault(kind: FaultKind, at: int) -> WireFault:
    return WireFault(kind, 0x22, b"\xe2\x01", at, at + 3)


def test_unchanged_traffic_is_counted_and_not_repeated() -> None:
    seen: list[Run | RequestMade] = []
    runs = Runs(seen.append)
    for event in (frame(b"\1", 0), frame(b"\1", 10), frame(b"\1", 20), frame(b"\2", 30), frame(b"\1", 40)):
        runs.add(event)
    assert seen == [Run(frame(b"\1", 0), 27, 3), Run(frame(b"\2", 30), 37, 1)]
    runs.flush()
    assert seen[2:] == [Run(frame(b"\1", 40), 47, 1)]
    runs.flush()
    assert len(seen) == 3


def test_each_frame_id_has_its_own_run() -> None:
    seen: list[Run | RequestMade] = []
    runs = Runs(seen.append)
    for at in range(0, 100, 20):
        runs.add(frame(b"\1", at, 0x21))
        runs.add(frame(b"\2", at + 10, 0x22))
    assert seen == []
    runs.flush()
    assert seen == [Run(frame(b"\1", 0, 0x21), 87, 5), Run(frame(b"\2", 10, 0x22), 97, 5)]


def test_silence_and_faults_make_runs_of_their_own() -> None:
    seen: list[Run | RequestMade] = []
    runs = Runs(seen.append)
    silence = NoResponse(0x22, 0, 2)
    events = [
        silence,
        NoResponse(0x22, 10, 12),
        fault(FaultKind.SHORT, 20),
        fault(FaultKind.CHECKSUM, 30),
        frame(b"", 40),
    ]
    for event in events:
        runs.add(event)
    runs.flush()
    counts = [run.count for run in seen if isinstance(run, Run)]
    assert counts == [2, 1, 1, 1]


def test_statistics_tell_frames_silence_and_faults_apart() -> None:
    statistics = Statistics()
    for event in (frame(b"", 0), frame(b"", 1), NoResponse(1, 0, 0), fault(FaultKind.SHORT, 0)):
        statistics.count(event)
    assert (statistics.frames, statistics.no_response, dict(statistics.faults)) == (2, 1, {FaultKind.SHORT: 1})


def test_lateness_is_a_histogram_in_powers_of_two() -> None:
    lateness = Lateness()
    for late_ns in (0, 900, 1_000, 3_999, 4_000, 5_000_000, -7):
        lateness.add(late_ns)
    assert dict(lateness.buckets) == {0: 3, 1: 1, 2: 1, 3: 1, 13: 1}
    assert lateness.worst_ns == 5_000_000
    assert (lateness.below_us(0.4), lateness.below_us(0.7), lateness.below_us(1)) == (1, 4, 8192)
    assert Lateness().below_us(0.99) == 0
