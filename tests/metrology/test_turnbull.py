"""The non-parametric estimate against closed forms: life table, Kaplan-Meier, isotonic shares; and a naive twin."""

import math

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy.optimize import isotonic_regression
from scipy.stats import CensoredData, ecdf

from fleetcal.metrology.budget import RefusedError
from fleetcal.metrology.censored_ages import CensoredAges, Undetermined, collect_ages, collect_as_found
from fleetcal.metrology.reliability import fit_weibull
from fleetcal.metrology.turnbull import estimate_turnbull

any_speed = settings(deadline=None, max_examples=60, suppress_health_check=[HealthCheck.too_slow])
INF = math.inf


def test_it_gives_the_life_table_of_the_heat_exchanger_tubes() -> None:
    # Meeker and Escobar, three plants pooled (from memory): risk sets 300, 197, 97.
    estimate = estimate_turnbull(
        collect_ages([0, 1, 2, 1, 2, 3], [1, 2, 3, INF, INF, INF], [4, 5, 2, 99, 95, 95])
    )
    failed = [1 - estimate.bounds_at(age)[0] for age in (1, 2, 3)]
    assert failed == pytest.approx([0.013333, 0.038376, 0.058203], abs=5.1e-7)
    assert (estimate.left_days.tolist(), estimate.right_days.tolist()) == ([0, 1, 2, 3], [1, 2, 3, INF])


def test_inside_an_interval_with_mass_the_reliability_is_only_bounded() -> None:
    estimate = estimate_turnbull(collect_ages([0, 10, 10], [10, 20, INF], [1, 1, 2]))
    assert estimate.bounds_at(0) == (1.0, 1.0)
    assert estimate.bounds_at(5) == pytest.approx((0.75, 1.0))
    assert estimate.bounds_at(10) == pytest.approx((0.75, 0.75))
    assert estimate.bounds_at(15)[1] == pytest.approx(0.75)
    with pytest.raises(RefusedError, match=r"age: -1\.0 d"):
        estimate.bounds_at(-1)


def test_with_every_failure_seen_it_is_the_kaplan_meier_estimate() -> None:
    rng = np.random.default_rng(3)
    lives, ends = np.ceil(rng.weibull(1.5, 80) * 30), np.ceil(rng.uniform(1, 50, 80))
    failed = lives <= ends
    seen = np.minimum(lives, ends)
    km = ecdf(CensoredData.right_censored(seen, ~failed)).sf
    # Failures on day t left in (t − 1, t]; those withdrawn on day t were good then.
    estimate = estimate_turnbull(collect_ages(np.where(failed, seen - 1, seen), np.where(failed, seen, INF)))
    for day in range(1, int(seen[failed].max()) + 1):
        assert estimate.bounds_at(day)[0] == pytest.approx(float(km.evaluate(day)), abs=1e-6)


@st.composite
def draw_checks(draw: st.DrawFn) -> tuple[list[int], list[bool]]:
    rows = draw(st.lists(st.tuples(st.integers(1, 12), st.booleans()), min_size=1, max_size=40))
    return [age for age, _ in rows], [good for _, good in rows]


@given(draw_checks())
@any_speed
def test_with_one_check_an_item_it_is_the_isotonic_regression_of_the_shares(
    checks: tuple[list[int], list[bool]],
) -> None:
    ages, good = np.array(checks[0]), np.array(checks[1])
    estimate = estimate_turnbull(collect_as_found(ages, good))
    each = np.unique(ages)
    share = [float(good[ages == age].mean()) for age in each]
    weights = [int((ages == age).sum()) for age in each]
    expected = isotonic_regression(share, weights=weights, increasing=False).x
    likelihood = sum(
        n * (s * math.log(x) if s else 0.0) + n * ((1 - s) * math.log(1 - x) if s < 1 else 0.0)
        for n, s, x in zip(weights, share, expected, strict=True)
    )
    assert estimate.log_likelihood == pytest.approx(likelihood, abs=1e-7)
    for age, reliability in zip(each, expected, strict=True):
        lower, upper = estimate.bounds_at(float(age))
        assert lower - 1e-4 <= reliability <= upper + 1e-4


@st.composite
def draw_ages(draw: st.DrawFn) -> CensoredAges:
    rows = []
    for _ in range(draw(st.integers(1, 25))):
        low = draw(st.integers(0, 20))
        width = draw(st.integers(1, 15))
        rows.append((low, INF if draw(st.booleans()) else low + width, draw(st.integers(1, 5))))
    lower, upper, counts = zip(*rows, strict=True)
    return collect_ages(lower, upper, counts)


@given(draw_ages())
@any_speed
def test_no_other_distribution_is_likelier(ages: CensoredAges) -> None:
    estimate = estimate_turnbull(ages)
    assert estimate.masses.sum() == pytest.approx(1, abs=1e-12)
    assert (estimate.masses > 0).all()
    assert (estimate.left_days < estimate.right_days).all()
    # The naive twin: self-consistent iteration over all elementary intervals, not the innermost ones only.
    limits = np.unique(np.concatenate((ages.lower_days, ages.upper_days)))
    left, right = limits[:-1], limits[1:]
    alpha = ((ages.lower_days[:, None] <= left) & (right <= ages.upper_days[:, None])).astype(float)
    p = np.full(left.size, 1 / left.size)
    for _ in range(400):
        p = p * (alpha.T @ (ages.counts / (alpha @ p))) / ages.counts.sum()
    twin = float(ages.counts @ np.log(alpha @ p))
    assert estimate.log_likelihood >= twin - 1e-7
    # Its own gap bounds how far the twin still is from the summit.
    gap = float((alpha.T @ (ages.counts / (alpha @ p))).max() - ages.counts.sum())
    assert estimate.log_likelihood <= twin + gap + 1e-7


@given(draw_ages())
@any_speed
def test_it_fits_no_worse_than_any_model(ages: CensoredAges) -> None:
    try:
        model = fit_weibull(ages).log_likelihood
    except Undetermined:
        model = -INF
    assert estimate_turnbull(ages).log_likelihood >= model - 1e-7


def test_it_settles_on_a_fleet_of_a_thousand_results() -> None:
    rng = np.random.default_rng(8)
    lives, ages = 400 * rng.weibull(1.5, 1_000), np.round(rng.uniform(30, 730, 1_000))
    estimate = estimate_turnbull(collect_as_found(ages, lives > ages))
    assert estimate.likelihood_gap <= 1e-7
    lower, upper = estimate.bounds_at(400)
    assert lower - 0.1 <= math.exp(-1) <= upper + 0.1


def test_no_step_leaves_an_item_without_probability() -> None:
    # Found by search: a full Newton step from the start takes it from one of these items.
    lower = [0] * 12 + [
        1,
        2,
        3,
        5,
        6,
        6,
        12,
        13,
        14,
        17,
        18,
        18,
        21,
        21,
        25,
        27,
        29,
        29,
        29,
        30,
        31,
        35,
        35,
        37,
    ]
    lower += [38, 42, 43, 45, 45, 46, 47, 48, 48]
    upper = [
        22,
        29,
        54,
        60,
        67,
        71,
        73,
        76,
        87,
        89,
        90,
        98,
        24,
        64,
        87,
        INF,
        36,
        INF,
        INF,
        INF,
        INF,
        57,
        54,
        80,
    ]
    upper += [
        59,
        INF,
        INF,
        96,
        39,
        56,
        INF,
        INF,
        INF,
        66,
        INF,
        118,
        INF,
        INF,
        INF,
        133,
        INF,
        INF,
        INF,
        87,
        INF,
    ]
    counts = [1994, 1019, 1650, 1689, 1580, 1924, 1023, 931, 309, 524, 2123, 1119, 1905, 785, 1011, 2486, 973]
    counts += [
        736,
        1896,
        894,
        369,
        1768,
        845,
        1063,
        1998,
        1324,
        1668,
        610,
        70,
        1622,
        1074,
        1706,
        1863,
        1205,
        66,
    ]
    counts += [329, 1257, 537, 1798, 1289, 1669, 1848, 2077, 264, 1166]
    estimate = estimate_turnbull(collect_ages(lower, upper, counts))
    assert math.isfinite(estimate.log_likelihood)
    assert estimate.likelihood_gap < 1e-4
