"""The decision rule: guard bands by JCGM 106 and ISO 14253-1."""

import pytest
from scipy.stats import norm

from harness.record.result import Measurement, Verdict, strongest
from harness.run.verdict import GUARD_FACTOR, judge


def operate_time(value: float | None, u: float = 0.01) -> Measurement:
    return Measurement("operate time", value, "s", 1.0, 2.0, 1.5, u)


@pytest.mark.parametrize(
    ("value", "verdict"),
    [
        (1.5, Verdict.PASS),
        (1.0 + 0.01645, Verdict.PASS),
        (1.0 + 0.0164, Verdict.INCONCLUSIVE),
        (1.0, Verdict.INCONCLUSIVE),
        (1.0 - 0.0164, Verdict.INCONCLUSIVE),
        (1.0 - 0.0165, Verdict.FAIL),
        (2.0 - 0.01646, Verdict.PASS),
        (2.0, Verdict.INCONCLUSIVE),
        (2.0 + 0.0165, Verdict.FAIL),
        (None, Verdict.FAIL),
    ],
)
def test_zones_of_a_two_sided_limit(value: float | None, verdict: Verdict) -> None:
    assert judge(operate_time(value))[0] is verdict


def test_late_and_early_are_told_apart() -> None:
    late = judge(operate_time(2.5), "late", "early")[1]
    early = judge(operate_time(0.5), "late", "early")[1]

    assert late == "operate time 2.5 s is too late: wanted 1 s to 2 s"
    assert early == "operate time 500 ms is too early: wanted 1 s to 2 s"


def test_guard_factor_is_the_one_sided_95_per_cent_quantile() -> None:
    # JCGM 106:2012 table 1: conformance probability 0.95 at z = 1.6449
    assert pytest.approx(norm.ppf(0.95), abs=5e-4) == GUARD_FACTOR


def test_a_band_narrower_than_the_uncertainty_cannot_pass() -> None:
    assert judge(operate_time(1.5, u=0.4))[0] is Verdict.INCONCLUSIVE


@pytest.mark.parametrize(
    ("several", "overall"),
    [
        ([], Verdict.NOT_RUN),
        ([Verdict.PASS, Verdict.PASS], Verdict.PASS),
        ([Verdict.PASS, Verdict.NOT_RUN], Verdict.NOT_RUN),
        ([Verdict.NOT_RUN, Verdict.INCONCLUSIVE], Verdict.INCONCLUSIVE),
        ([Verdict.FAIL, Verdict.INCONCLUSIVE, Verdict.PASS], Verdict.FAIL),
        ([Verdict.FAIL, Verdict.ERROR], Verdict.ERROR),
    ],
)
def test_rank_of_verdicts(several: list[Verdict], overall: Verdict) -> None:
    assert strongest(several) is overall
