"""Published maximum-likelihood fits of interval-censored lives, SciPy as a second optimiser, and properties.

The vectors are in hours, years or months; a model of ages does not mind, and months are turned into days.
"""

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize
from scipy.stats import CensoredData, expon, weibull_min

from fleetcal.metrology.budget import RefusedError
from fleetcal.metrology.censored_ages import CensoredAges, Undetermined, collect_ages
from fleetcal.metrology.reliability import (
    EXPONENTIAL,
    ReliabilityFit,
    find_target_interval,
    fit_exponential,
    fit_weibull,
)

any_speed = settings(deadline=None, max_examples=60, suppress_health_check=[HealthCheck.too_slow])
INF = math.inf
MONTH_DAYS = 30.4375

# Nelson (1982), page 415, 167 turbine parts; read in the documentation of SAS/QC.
TURBINE_EDGES = [6.12, 19.92, 29.64, 35.40, 39.72, 45.24, 52.32, 63.48]
TURBINE_COUNTS = [5, 16, 12, 18, 18, 2, 6, 17, 73]


def make_turbine() -> CensoredAges:
    return collect_ages([0, *TURBINE_EDGES], [*TURBINE_EDGES, INF], TURBINE_COUNTS)


def make_tubes() -> CensoredAges:
    """Heat-exchanger tubes of three plants, pooled (Meeker and Escobar, from memory)."""
    return collect_ages([0, 1, 2, 1, 2, 3], [1, 2, 3, INF, INF, INF], [4, 5, 2, 99, 95, 95])


def make_inspections(*rows: tuple[float, int, int]) -> CensoredAges:
    """Months, items found out of tolerance, items checked."""
    lower = [low for months, _, _ in rows for low in (0.0, months * MONTH_DAYS)]
    upper = [high for months, _, _ in rows for high in (months * MONTH_DAYS, INF)]
    return collect_ages(lower, upper, [n for _, out, checked in rows for n in (out, checked - out)])


def make_simulated(seed: int, items: int, scale_days: float, shape: float) -> CensoredAges:
    """Each item is checked at random ages until it is found out, or the last of its checks."""
    rng = np.random.default_rng(seed)
    rows = []
    for life in scale_days * rng.weibull(shape, items):
        checks = np.cumsum(np.round(rng.uniform(60, 250, rng.integers(1, 4))))
        found = int(np.searchsorted(checks, life))
        rows.append((checks[found - 1] if found else 0.0, checks[found] if found < checks.size else INF))
    return collect_ages([low for low, _ in rows], [high for _, high in rows])


def test_it_fits_nelson_s_turbine_parts() -> None:
    fit = fit_weibull(make_turbine())
    assert fit.scale_days == pytest.approx(71.690406, abs=5e-7)  # published 71.6904
    assert fit.shape == pytest.approx(1.485367, abs=5e-7)  # published 1.4854
    assert math.log(fit.scale_days) == pytest.approx(4.27236, abs=5e-6)
    assert 1 / fit.shape == pytest.approx(0.67323, abs=5e-6)
    assert fit.log_likelihood == pytest.approx(-309.66841, abs=5e-6)
    assert fit.u_scale_days == pytest.approx(5.3335, abs=5e-5)
    assert fit.u_shape == pytest.approx(0.14654, abs=5e-6)
    assert (fit.items, fit.found_out, fit.parameters) == (167, 94, 2)


def test_it_fits_nelson_s_turbine_parts_by_an_exponential() -> None:
    fit = fit_exponential(make_turbine())
    assert fit.scale_days == pytest.approx(82.665527, abs=2e-6)
    assert fit.log_likelihood == pytest.approx(-316.67055, abs=5e-6)
    assert (fit.model, fit.shape, fit.parameters) == (EXPONENTIAL, 1.0, 1)


def test_it_agrees_with_an_independent_survival_library() -> None:
    # lifelines 0.30.3 gave these for the turbine parts, with counts as weights; its optimiser stops at 1e-6.
    fit = fit_weibull(make_turbine())
    assert (fit.scale_days, fit.shape) == pytest.approx((71.690428, 1.485368), rel=1e-6)


def test_it_fits_the_heat_exchanger_tubes() -> None:
    fit = fit_weibull(make_tubes())
    assert (fit.scale_days, fit.shape) == pytest.approx((23.619922, 1.345515), abs=5e-6)
    assert fit.log_likelihood == pytest.approx(-54.41471, abs=5e-6)


def test_one_inspection_age_has_its_closed_form() -> None:
    # λ = −ln(1 − k/N)/T and se = √((k/N)/((1 − k/N)·N))/T with k = 7, N = 40, T = 12 months; computed.
    fit = fit_exponential(make_inspections((12, 7, 40)))
    assert fit.rate_per_day * MONTH_DAYS == pytest.approx(0.0160309911, abs=5.1e-11)
    assert fit.u_rate_per_day * MONTH_DAYS == pytest.approx(0.0060684923, abs=5.1e-11)
    for target, months in ((0.95, 3.199633), (0.90, 6.572302)):
        found = find_target_interval(fit, target)
        assert found.interval_days / MONTH_DAYS == pytest.approx(months, abs=5.1e-7)
        assert not found.extrapolated


def test_two_inspection_ages() -> None:
    fit = fit_exponential(make_inspections((12, 7, 40), (6, 2, 30)))
    assert fit.rate_per_day * MONTH_DAYS == pytest.approx(0.01473780816, abs=5.1e-12)  # computed
    # Two parameters meet two shares exactly.
    weibull = fit_weibull(make_inspections((12, 7, 40), (6, 2, 30)))
    assert weibull.reliability_at([6 * MONTH_DAYS, 12 * MONTH_DAYS]) == pytest.approx(
        [28 / 30, 33 / 40], rel=1e-9
    )


def test_it_agrees_with_scipy_s_own_fit_of_censored_data() -> None:
    ages = make_simulated(seed=11, items=60, scale_days=500, shape=1.6)
    left, right, interval = [], [], []
    for low, high, count in zip(ages.lower_days, ages.upper_days, ages.counts.astype(int), strict=True):
        if high == INF:
            right += [low] * count
        elif low == 0.0:
            left += [high] * count
        else:
            interval += [(low, high)] * count
    data = CensoredData(left=left, right=right, interval=np.array(interval).reshape(-1, 2))
    shape, _, scale_days = weibull_min.fit(data, floc=0)
    fit = fit_weibull(ages)
    assert (fit.shape, fit.scale_days) == pytest.approx((shape, scale_days), rel=2e-4)
    assert fit_exponential(ages).scale_days == pytest.approx(expon.fit(data, floc=0)[1], rel=2e-4)


def find_log_likelihood(ages: CensoredAges, log_scale: float, log_shape: float) -> float:
    """The naive twin: Σ n·ln(R(lower) − R(upper)) as it is written."""
    reliability = [
        np.exp(-((limit / math.exp(log_scale)) ** math.exp(log_shape)))
        for limit in (ages.lower_days, ages.upper_days)
    ]
    return float(ages.counts @ np.log(reliability[0] - reliability[1]))


@pytest.mark.parametrize("seed", range(4))
def test_no_search_finds_a_better_fit_than_newton_s_method(seed: int) -> None:
    ages = make_simulated(seed, items=80, scale_days=400, shape=1.4)
    fit = fit_weibull(ages)
    assert find_log_likelihood(ages, math.log(fit.scale_days), math.log(fit.shape)) == pytest.approx(
        fit.log_likelihood, abs=1e-9
    )
    best = minimize(
        lambda x: -find_log_likelihood(ages, x[0], x[1]),
        [math.log(300.0), 0.0],
        method="Nelder-Mead",
        options={"xatol": 1e-9, "fatol": 1e-12},
    )
    assert fit.log_likelihood >= -best.fun - 1e-9
    assert (math.log(fit.scale_days), math.log(fit.shape)) == pytest.approx(tuple(best.x), abs=1e-5)


def test_the_covariance_is_the_inverse_curvature_of_the_naive_likelihood() -> None:
    ages = make_simulated(5, items=120, scale_days=400, shape=1.4)
    fit, h = fit_weibull(ages), 1e-4
    center = np.array([math.log(fit.scale_days), math.log(fit.shape)])
    hessian = np.empty((2, 2))
    for i in range(2):
        for j in range(2):
            a, b = h * np.eye(2)[i], h * np.eye(2)[j]
            corners = [find_log_likelihood(ages, *(center + s * a + t * b)) for s in (1, -1) for t in (1, -1)]
            hessian[i, j] = (corners[0] - corners[1] - corners[2] + corners[3]) / (4 * h * h)
    u_log = np.sqrt(np.diag(np.linalg.inv(-hessian)))
    assert fit.u_scale_days / fit.scale_days == pytest.approx(u_log[0], rel=1e-4)
    assert fit.u_shape / fit.shape == pytest.approx(u_log[1], rel=1e-4)


def test_the_limits_cover_a_known_truth_as_often_as_they_claim() -> None:
    truth_days = 500 * (-math.log(0.9)) ** (1 / 1.6)
    inside = in_band = 0
    for seed in range(300):
        fit = fit_weibull(make_simulated(1_000 + seed, items=150, scale_days=500, shape=1.6))
        found = find_target_interval(fit, 0.90)
        inside += found.lower_days <= truth_days <= (found.upper_days or INF)
        lower, upper = fit.band_at(truth_days)
        in_band += bool(lower <= 0.90 <= upper)
    # 95 % of 300 is 285, with a standard deviation of 3.8.
    assert 272 <= inside <= 297
    assert 272 <= in_band <= 297


def test_the_band_is_the_delta_method_on_the_log_log_scale() -> None:
    # With one inspection age ln H there has the standard error se(p)/|R·ln R|.
    fit = fit_exponential(make_inspections((12, 7, 40)))
    R = 33 / 40
    u = math.sqrt(R * (1 - R) / 40) / abs(R * math.log(R))
    lower, upper = fit.band_at(12 * MONTH_DAYS, confidence=0.95)
    assert float(lower) == pytest.approx(R ** math.exp(1.959964 * u), rel=1e-6)
    assert float(upper) == pytest.approx(R ** math.exp(-1.959964 * u), rel=1e-6)


def test_for_the_exponential_the_interval_s_limits_are_where_the_band_meets_the_target() -> None:
    fit = fit_exponential(make_turbine())
    found = find_target_interval(fit, 0.9)
    assert found.upper_days is not None
    lower, _ = fit.band_at(found.lower_days)
    _, upper = fit.band_at(found.upper_days)
    assert (float(lower), float(upper)) == pytest.approx((0.9, 0.9), rel=1e-12)


@st.composite
def draw_inspections(draw: st.DrawFn) -> CensoredAges:
    months = draw(st.lists(st.integers(1, 60), min_size=2, max_size=6, unique=True))
    rows = []
    for age in months:
        checked = draw(st.integers(2, 60))
        rows.append((age, draw(st.integers(1, checked - 1)), checked))
    return make_inspections(*rows)


def fit_if_determined(ages: CensoredAges) -> ReliabilityFit:
    try:
        return fit_weibull(ages)
    except Undetermined:
        assume(False)
        raise


@given(draw_inspections(), st.floats(0.05, 0.99))
@any_speed
def test_reliability_falls_from_one_inside_its_band(ages: CensoredAges, confidence: float) -> None:
    fit = fit_if_determined(ages)
    days = np.linspace(0, 3_000, 40)
    reliability = fit.reliability_at(days)
    lower, upper = fit.band_at(days, confidence)
    assert reliability[0] == lower[0] == upper[0] == 1.0
    assert (np.diff(reliability) <= 0).all()
    assert ((lower <= reliability) & (reliability <= upper)).all()
    assert ((lower >= 0) & (upper <= 1)).all()


@given(draw_inspections(), st.floats(0.5, 0.99))
@any_speed
def test_the_interval_is_where_the_reliability_is_the_target(ages: CensoredAges, target: float) -> None:
    fit = fit_if_determined(ages)
    try:
        found = find_target_interval(fit, target)
    except Undetermined:
        assert not float(fit.reliability_at(1e6)) < target < float(fit.reliability_at(1e-6))
        return
    assert float(fit.reliability_at(found.interval_days)) == pytest.approx(target, rel=1e-9)
    assert found.lower_days < found.interval_days
    assert found.upper_days is None or found.upper_days > found.interval_days
    assert found.extrapolated == (found.interval_days > ages.upper_days[np.isfinite(ages.upper_days)].max())


@given(draw_inspections())
@any_speed
def test_the_weibull_model_fits_no_worse_than_the_exponential_within_it(ages: CensoredAges) -> None:
    assert fit_if_determined(ages).log_likelihood >= fit_exponential(ages).log_likelihood - 1e-9


@given(draw_inspections(), st.floats(0.1, 10))
@any_speed
def test_another_unit_of_age_scales_the_scale_only(ages: CensoredAges, factor: float) -> None:
    fit = fit_if_determined(ages)
    scaled = fit_weibull(collect_ages(factor * ages.lower_days, factor * ages.upper_days, ages.counts))
    assert scaled.shape == pytest.approx(fit.shape, rel=1e-7)
    assert scaled.log_likelihood == pytest.approx(fit.log_likelihood, rel=1e-9)
    assert math.log(scaled.scale_days / fit.scale_days) == pytest.approx(math.log(factor), abs=1e-5)


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ([(12.0, 0, 40)], "none of 40 items was found out"),
        ([(12.0, 40, 40)], "all of 40 items were found out"),
    ],
)
def test_no_model_is_fitted_without_both_outcomes(rows: list[tuple[float, int, int]], words: str) -> None:
    [(months, out, checked)] = rows
    days = months * MONTH_DAYS
    ages = collect_ages([0.0 if out else days] * checked, [days if out else INF] * checked)
    with pytest.raises(Undetermined, match=words):
        fit_exponential(ages)
    with pytest.raises(Undetermined, match=words):
        fit_weibull(ages)


def test_no_shape_is_fitted_from_one_age() -> None:
    with pytest.raises(
        Undetermined, match="7 of 40 items found out of tolerance do not determine the weibull"
    ):
        fit_weibull(make_inspections((12, 7, 40)))


def test_no_shape_is_fitted_where_the_failures_start_between_two_ages() -> None:
    # Every item good at 6 months and some found out at 12: the steeper the shape, the better the fit.
    ages = collect_ages([6, 0, 12], [INF, 12, INF], [10, 5, 5])
    with pytest.raises(Undetermined, match="5 of 20 items"):
        fit_weibull(ages)


def test_no_shape_is_fitted_where_older_items_do_better() -> None:
    with pytest.raises(Undetermined, match="does not rise with age: 11 of 20 items"):
        fit_weibull(make_inspections((6, 6, 10), (12, 5, 10)))


def test_no_shape_is_fitted_where_age_makes_no_difference() -> None:
    with pytest.raises(Undetermined, match="does not rise with age: 12 of 16 items"):
        fit_weibull(make_inspections((1, 6, 8), (2, 6, 8)))


def test_an_interval_below_a_millionth_of_a_day_is_not_given() -> None:
    fit = fit_weibull(make_inspections((6, 500, 1_000), (12, 501, 1_000)))
    assert fit.shape < 0.01
    with pytest.raises(Undetermined, match=r"falls below 0\.9 in less than 1e-06 d"):
        find_target_interval(fit, 0.9)


def test_an_interval_beyond_a_million_days_is_not_given() -> None:
    fit = fit_exponential(make_inspections((60, 1, 1_000_000)))
    with pytest.raises(Undetermined, match=r"stays above 0\.5 for more than 1e"):
        find_target_interval(fit, 0.5)
    assert find_target_interval(fit, 0.9995).upper_days is None


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: fit_weibull(make_tubes()).reliability_at([-1.0]), "age: -1.0 d"),
        (lambda: fit_weibull(make_tubes()).band_at(math.nan), "age: nan d"),
        (lambda: fit_weibull(make_tubes()).band_at(1.0, confidence=0.0), "confidence: 0.0"),
        (lambda: find_target_interval(fit_weibull(make_tubes()), 1.0), "reliability target: 1.0"),
    ],
)
def test_it_refuses_what_it_cannot_answer(call: Callable[[], object], words: str) -> None:
    with pytest.raises(RefusedError, match=words):
        call()
