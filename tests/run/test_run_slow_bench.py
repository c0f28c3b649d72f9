"""A good bench as benches are: instruments that take their time to answer, and a voltmeter that is a little off."""

from __future__ import annotations

import itertools

import pytest
from high_voltage_rig import LIVE, Rig

from harness.bench.gate import State
from harness.bench.simulated import SimulatedLink
from harness.clock import MS
from tests.run.test_run_short_circuit import SHOTS


@pytest.mark.parametrize(("plan", "answer_ms"), [(LIVE, 5), (LIVE, 20), (LIVE, 50), (SHOTS, 5), (SHOTS, 10)])
def test_a_healthy_bench_that_is_slow_and_noisy_passes_and_is_proved_dead(
    rig: Rig, monkeypatch: pytest.MonkeyPatch, plan: str, answer_ms: int
) -> None:
    query = SimulatedLink.query
    assert rig.bench.voltmeter is not None
    both, noise = rig.bench.voltmeter.both, itertools.cycle((0.5, -0.5, 0.0, -0.3, 0.4))

    def slow(link: SimulatedLink, text: str) -> str:
        rig.bench.clock.sleep_until(rig.bench.clock.now_ns() + answer_ms * MS)
        answer = query(link, text)
        if rig.bench.high_voltage is not None:
            rig.bench.high_voltage._watchdog.beat()  # as each answer over a real link does
        return answer

    def noisy() -> tuple[float, float]:
        source_side, load_side = both()
        return source_side + next(noise), load_side + next(noise)

    monkeypatch.setattr(SimulatedLink, "query", slow)
    monkeypatch.setattr(rig.bench.voltmeter, "both", noisy)

    ending = rig.run({}, plan)

    assert [action.problem for action in ending.made_safe if action.problem] == []
    assert ending.bench_lost is None
    assert (rig.state, rig.off) == (State.SAFE, True)
    assert [proof["reasons"] for proof in rig.events("proof")] == [[], []]
