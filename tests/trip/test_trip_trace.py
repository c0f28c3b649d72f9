import numpy as np
import pytest

from harness.trip.trace import Segments, Trace, segments_of

STAIRS = Segments(np.array([1.0, 2.0, 3.0]), np.array([10.0, 20.0, 30.0]))


def rows(segments: Segments) -> list[tuple[float, float]]:
    return list(zip(segments.durations.tolist(), segments.currents.tolist(), strict=True))


def test_a_trace_holds_each_sample_for_the_interval() -> None:
    trace = Trace(-0.5, 0.25, np.array([0.0, 40.0, 41.0]))

    assert rows(trace.segments) == [(0.25, 0.0), (0.25, 40.0), (0.25, 41.0)]
    assert trace.duration_s == trace.segments.duration_s == 0.75
    assert rows(segments_of(trace)) == rows(trace.segments)
    assert segments_of(STAIRS) is STAIRS


@pytest.mark.parametrize(
    ("seconds", "first", "after"),
    [
        (0.0, [], [(1, 10), (2, 20), (3, 30)]),
        (1.0, [(1, 10)], [(2, 20), (3, 30)]),
        (2.5, [(1, 10), (1.5, 20)], [(0.5, 20), (3, 30)]),
        (6.0, [(1, 10), (2, 20), (3, 30)], []),
        (9.0, [(1, 10), (2, 20), (3, 30)], []),
        (-1.0, [], [(1, 10), (2, 20), (3, 30)]),
    ],
)
def test_cutting(seconds: float, first: list[tuple[float, float]], after: list[tuple[float, float]]) -> None:
    assert rows(STAIRS.first(seconds)) == first
    assert rows(STAIRS.after(seconds)) == after


def test_pieces_without_duration_cut_nothing_off() -> None:
    steps = Segments(np.array([1.0, 0.0, 2.0, 0.0, 3.0]), np.array([10.0, 99.0, 20.0, 99.0, 30.0]))

    assert [part for part in rows(steps.first(3.5)) if part[0]] == [(1, 10), (2, 20), (0.5, 30)]
    assert [part for part in rows(steps.after(0.5)) if part[0]] == [(0.5, 10), (2, 20), (3, 30)]
    assert steps.first(6.0).duration_s == steps.after(0.0).duration_s == 6.0


def test_then_and_shifted() -> None:
    assert rows(Segments.constant(5.0, 2.0).then(7.0, 4.0)) == [(2, 5), (4, 7)]
    assert rows(Segments.constant(10.0, 1.0).shifted(0.5, -1.0)) == [(1, 14)]


def test_samples_are_a_copy_that_cannot_change() -> None:
    samples = np.array([1.0, 2.0])
    trace = Trace(0.0, 1.0, samples)
    samples[0] = 99.0

    assert trace.samples.tolist() == [1.0, 2.0]
    with pytest.raises(ValueError, match="read-only"):
        trace.samples[0] = 3.0


@pytest.mark.parametrize(
    ("interval", "samples", "message"),
    [
        (0.0, [1.0], "sampling interval of 0.0 s"),
        (float("nan"), [1.0], "sampling interval of nan s"),
        (1.0, [1.0, float("nan")], "samples: number 1 is nan"),
        (1.0, [[1.0]], "samples: want one row of numbers, got 2 dimensions"),
    ],
)
def test_a_trace_that_cannot_be(interval: float, samples: list[float], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        Trace(0.0, interval, np.array(samples))


@pytest.mark.parametrize(
    ("durations", "currents", "message"),
    [
        ([1.0, 2.0], [1.0], "2 durations for 1 currents"),
        ([-1.0], [1.0], "a duration of -1.0 s"),
        ([1.0], [float("inf")], "currents: number 0 is inf"),
    ],
)
def test_segments_that_cannot_be(durations: list[float], currents: list[float], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        Segments(np.array(durations), np.array(currents))


def test_a_noisy_plateau_becomes_one_value_with_the_same_heat() -> None:
    noise = np.random.default_rng(3).normal(0.0, 0.02, 5000)
    plateau = np.concatenate([np.zeros(100), np.full(4900, 60.0)]) + noise
    record = Segments(np.full(5000, 1e-3), plateau)
    merged = record.merged(0.3)

    assert len(merged.currents) == 2
    assert merged.duration_s == pytest.approx(5.0)
    heat, kept = ((each.durations * each.currents**2).sum() for each in (record, merged))
    assert kept == pytest.approx(heat, rel=1e-12)


def test_steps_beyond_the_tolerance_stay() -> None:
    record = Segments(np.array([1.0, 2.0, 3.0, 0.0]), np.array([10.0, -10.0, 10.2, 10.3]))

    merged = record.merged(0.25)

    assert merged.durations.tolist() == [1.0, 2.0, 3.0]
    assert merged.currents.tolist() == pytest.approx([10.0, -10.0, 10.2])


def test_nothing_merges_to_nothing() -> None:
    assert len(Segments(np.array([]), np.array([])).merged(1.0).currents) == 0
