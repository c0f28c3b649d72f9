"""Drift: Student's distribution against scipy, Holm's procedure by hand, and the false rate by simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from harness.record.result import Measurement
from harness.report.drift import FAMILY_RATE, Drift, Place, drift, named, place, quantile, two_sided_p

TIME = Measurement("operate time", 1.2, "s", 1.0, 2.0, 1.4, 0.01, 0.003)


def at(distance: float, uncertainty: float = 0.0, repeatability: float = 0.01) -> Place:
    return Place(1.4 + distance, distance, 1.0, uncertainty, repeatability)


def of_p(p: float | None) -> Drift:
    return Drift("s", 1.0, 1.0, (1, 1), 0.0, 0.1, math.inf, p)


@pytest.mark.parametrize("dof", [1, 2, 3, 4, 7, 8, 30, 101, 999, 20_000, math.inf])
@pytest.mark.parametrize("t", [0.0, -0.3, 1.0, 2.5, -4.9, 7.0])
def test_two_sided_p_is_students(dof: float, t: float) -> None:
    # With so many degrees of freedom the normal distribution stands in, 1 % off at 5 deviations.
    wanted = 2 * (stats.norm.sf(abs(t)) if math.isinf(dof) else stats.t.sf(abs(t), dof))

    assert two_sided_p(t, dof) == pytest.approx(wanted, rel=0.02 if dof == 20_000 else 1e-4, abs=1e-13)


@pytest.mark.parametrize("dof", [1, 2, 5, 40, math.inf])
@pytest.mark.parametrize("p", [0.05, 1e-3, 1e-6])
def test_quantile_is_students(dof: float, p: float) -> None:
    wanted = stats.norm.isf(p / 2) if math.isinf(dof) else stats.t.isf(p / 2, dof)

    assert quantile(p, dof) == pytest.approx(wanted, rel=1e-6)


def test_a_place_is_its_distance_from_the_nominal_value_or_from_the_middle_of_the_band() -> None:
    low, high = 1.0, 2.0

    assert place(TIME) == Place(1.2, pytest.approx(-0.2), high - low, 0.01, 0.003)
    assert place(Measurement("supply", 13.4, "V", 13.0, 14.0)) == Place(13.4, pytest.approx(-0.1), 1.0, 0.0, 0.0)
    assert place(Measurement("leakage", 0.02, "A", None, 0.06)) == Place(0.02, 0.02, 0.06, 0.0, 0.0)


@pytest.mark.parametrize(
    "measurement",
    [
        Measurement("operate time", None, "s", 1.0, 2.0),  # did not come
        Measurement("count", 3.0, "1"),  # no limits
        Measurement("count", 3.0, "1", 3.0, 3.0),  # no width
        Measurement("operate time", 1.0, "s", None, math.inf),
    ],
)
def test_what_has_no_band_has_no_place(measurement: Measurement) -> None:
    assert place(measurement) is None


def test_the_uncertainty_of_a_shift_is_that_of_both_sides() -> None:
    found = drift("s", [at(0.0, 0.03, 0.04)], [at(0.5, 0.06, 0.04)])

    # JCGM 100, 5.1.2: sqrt(0.03² + 0.04² + 0.06² + 0.04²)
    assert (found.shift, found.uncertainty, found.dof) == (0.5, pytest.approx(math.sqrt(0.0077)), math.inf)
    assert found.p == pytest.approx(2 * stats.norm.sf(0.5 / math.sqrt(0.0077)))


def test_repeats_that_scatter_more_than_declared_count_with_their_own_deviation_and_degrees_of_freedom() -> None:
    old, new = [0.0, 0.2, 0.1, 0.3], [0.8, 0.7, 1.0]
    found = drift("s", [at(x, repeatability=0.0) for x in old], [at(x, repeatability=0.0) for x in new])
    welch = stats.ttest_ind(new, old, equal_var=False)

    assert found.dof == math.floor(welch.df)
    assert found.shift / found.uncertainty == pytest.approx(welch.statistic)
    assert found.p == pytest.approx(2 * stats.t.sf(welch.statistic, math.floor(welch.df)))


def test_repeats_that_agree_by_chance_do_not_make_a_value_better_than_declared() -> None:
    same = [at(0.1, repeatability=0.05)] * 4
    found = drift("s", same, same)

    assert (found.uncertainty, found.dof) == (pytest.approx(math.sqrt(2 * 0.05**2 / 4)), math.inf)


def test_a_value_of_which_nothing_says_how_it_repeats_is_not_tested_once_it_moves() -> None:
    bare = at(0.0, repeatability=0.0)

    assert drift("s", [bare], [at(0.1, repeatability=0.0)]).p is None
    assert drift("s", [bare], [bare]).p == 1.0


def test_holm_stops_at_the_first_value_that_is_not_sure_enough() -> None:
    # Thresholds of 0.05 for four: 0.0125, 0.0167, 0.025, 0.05; the third fails, so the fourth is not looked at.
    drifts = {"a": of_p(0.012), "b": of_p(0.03), "c": of_p(0.016), "d": of_p(0.04), "e": of_p(None)}

    assert named(drifts, 0.05) == ["a", "c"]
    assert named({}, 0.05) == []


def test_the_family_wise_false_rate_holds_where_nothing_moved() -> None:
    random = np.random.default_rng(4)
    rate, families, values = 0.05, 400, 60
    wrong = 0
    for _ in range(families):
        old, new = random.normal(0, 0.01, (2, values))
        drifts = {str(k): drift("s", [at(a)], [at(b)]) for k, (a, b) in enumerate(zip(old, new, strict=True))}
        wrong += bool(named(drifts, rate))

    # Binomial with 400 and 0.05: 0.1 % on either side lie outside 8 to 35.
    assert stats.binom.ppf(0.001, families, rate) <= wrong <= stats.binom.ppf(0.999, families, rate)
    assert FAMILY_RATE == 0.001


def test_a_shift_is_seen_ninety_nine_times_of_a_hundred_from_where_it_says() -> None:
    random = np.random.default_rng(5)
    rate, tries = 1e-4, 4000
    edge = drift("s", [at(0.0)], [at(0.0)]).seen_from(rate)
    pairs = random.normal((0.0, edge), 0.01, (tries, 2))
    seen = sum(drift("s", [at(a)], [at(b)]).p < rate for a, b in pairs)  # type: ignore[operator]

    assert seen / tries == pytest.approx(0.99, abs=4 * math.sqrt(0.99 * 0.01 / tries))
