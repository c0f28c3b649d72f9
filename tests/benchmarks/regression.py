"""How fast and how large the shipped regression runs on the simulated bench, and what twenty healthy units make of it.

    python tests/benchmarks/regression.py [--seeds N]

Figures are of this machine, now; the tests assert none of them.
"""

from __future__ import annotations

import argparse
import resource
import tempfile
import time
from collections import Counter
from pathlib import Path

from harness.bench.bench import open_bench
from harness.bench.spec import load_bench, shipped_bench
from harness.cli.work import Work, load_work
from harness.files.profile import shipped_plans
from harness.plan.plan import Plan, PlanStep
from harness.record.journal import Journal
from harness.record.result import Result, Verdict
from harness.run.engine import Engine


class _Nobody:
    def started(self, plan: Plan, step: PlanStep) -> None:
        pass

    def finished(self, result: Result) -> None:
        pass


def run_once(work: Work, seed: int) -> tuple[list[Result], float]:
    """Results of every plan on the unit of ``seed``, and the bench time in s."""
    results: list[Result] = []
    bench_s = 0.0
    with tempfile.TemporaryDirectory() as folder:
        for device, plans in work:
            journal = Journal(Path(folder) / device.name)
            bench = open_bench(load_bench(shipped_bench("simulated"), seed), device)
            ending = Engine(device, bench, journal, _Nobody()).run(plans)
            journal.close()
            results += ending.results
            bench_s += ending.bench_ns / 1e9
    return results, bench_s


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--seeds", type=int, default=1, help="how many units, one seed each")
    seeds = parser.parse_args().seeds
    work = load_work([shipped_plans()], load_bench(shipped_bench("simulated")))
    for seed in range(1, seeds + 1):
        wall, cpu = time.perf_counter(), time.process_time()
        results, bench_s = run_once(work, seed)
        wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
        counts = Counter(result.verdict.value for result in results)
        share = counts[Verdict.PASS.value] / len(results)
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        print(
            f"seed {seed}: {len(results)} results, {dict(counts)}, {share:.2%} pass; {bench_s:.0f} s of bench time in"
            f" {wall:.1f} s ({cpu:.1f} s of one core): {bench_s / wall:.0f} times faster; peak {peak:.0f} MB",
            flush=True,
        )
        for result in results:
            if result.verdict is not Verdict.PASS:
                print(f"  {result.verdict.value} {result.id}: {'; '.join(result.reasons)}")


if __name__ == "__main__":
    main()
