import importlib.resources

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fleetcal.metrology.least_squares import Unresolvable, UnusableReadings, gls

# A busy machine must not fail a property that holds.
any_speed = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])


def make_line(x: list[float]) -> np.ndarray:
    return np.column_stack((np.ones(len(x)), x))


def test_it_fits_the_weighted_line_of_iso_ts_28037_example_1() -> None:
    # ISO/TS 28037:2010, pages 13-15: equal weights, u = 0.5.
    y = [3.3, 5.6, 7.1, 9.3, 10.7, 12.1]
    fit = gls(make_line([1, 2, 3, 4, 5, 6]), y, 0.25 * np.eye(6))
    assert fit.coefficients == pytest.approx([1.866667, 1.757143], abs=5e-7)
    assert np.sqrt(np.diag(fit.covariance)) == pytest.approx([0.465475, 0.119523], abs=5e-7)
    assert fit.covariance[0, 1] == pytest.approx(-0.05, abs=5e-7)
    assert fit.chi_square == pytest.approx(1.664762, abs=5e-7)
    assert fit.degrees_of_freedom == 4


def test_the_95_percent_point_of_chi_square_has_probability_0_05() -> None:
    # ISO/TS 28037:2010 example 1 prints 9.487729 for 4 degrees of freedom.
    y = np.array([3.3, 5.6, 7.1, 9.3, 10.7, 12.1])
    u = 0.5 * np.sqrt(1.664761904761905 / 9.487729036781154)
    fit = gls(make_line([1, 2, 3, 4, 5, 6]), y, u**2 * np.eye(6))
    assert fit.probability == pytest.approx(0.05, abs=1e-8)


def test_it_fits_the_certified_line_of_nist_norris() -> None:
    # NIST StRD, Norris; certified values from the header of the file that SciPy ships.
    path = importlib.resources.files("scipy.stats.tests") / "data" / "nist_linregress" / "Norris.dat"
    data = np.loadtxt(path.read_text().splitlines()[60:])
    assert data.shape == (36, 2)
    y, x = data.T
    fit = gls(make_line(x.tolist()), y, 0.884796396144373**2 * np.eye(36))
    assert fit.coefficients == pytest.approx([-0.262323073774029, 1.00211681802045], rel=1e-10)
    deviations = np.sqrt(np.diag(fit.covariance))
    assert deviations == pytest.approx([0.232818234301152, 0.429796848199937e-3], rel=1e-10)
    assert fit.chi_square == pytest.approx(34, rel=1e-10)


def test_it_fits_the_certified_line_through_the_origin_of_nist_no_int_1() -> None:
    # NIST StRD, NoInt1.
    fit = gls(np.arange(60.0, 71.0)[:, None], np.arange(130.0, 141.0), 3.56753034006338**2 * np.eye(11))
    assert fit.coefficients[0] == pytest.approx(2.07438016528926, rel=1e-13)
    assert np.sqrt(fit.covariance[0, 0]) == pytest.approx(0.165289256198347e-1, rel=1e-12)


def make_random_case(seed: int, m: int, n: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    root = rng.normal(size=(m, m))
    return rng.normal(size=(m, n)), rng.normal(size=m) * 10, root @ root.T + 0.1 * np.eye(m)


@any_speed
@given(seed=st.integers(0, 10_000), n=st.integers(1, 4), extra=st.integers(0, 4))
def test_it_agrees_with_an_independent_implementation(seed: int, n: int, extra: int) -> None:
    design, values, covariance = make_random_case(seed, n + extra, n)
    fit = gls(design, values, covariance)
    oracle = sm.GLS(values, design, sigma=covariance).fit(cov_type="fixed scale")
    assert fit.coefficients == pytest.approx(oracle.params, rel=1e-6, abs=1e-6)
    assert fit.covariance == pytest.approx(oracle.normalized_cov_params, rel=1e-6, abs=1e-8)
    assert fit.chi_square == pytest.approx(oracle.wresid @ oracle.wresid, rel=1e-6, abs=1e-6)
    assert fit.gain @ values == pytest.approx(fit.coefficients, rel=1e-6, abs=1e-6)


@any_speed
@given(seed=st.integers(0, 10_000))
def test_the_normalised_residuals_are_those_of_the_textbook_formula(seed: int) -> None:
    # w_i = (V⁻¹ r)_i / √(V⁻¹ Q_r V⁻¹)_ii with Q_r = V - H C Hᵀ; naive, by inverses.
    design, values, covariance = make_random_case(seed, 6, 3)
    fit = gls(design, values, covariance)
    inverse = np.linalg.inv(covariance)
    weighted = inverse @ (covariance - design @ fit.covariance @ design.T) @ inverse
    expected = (inverse @ fit.residuals) / np.sqrt(np.diag(weighted))
    assert fit.w_statistics == pytest.approx(expected, rel=1e-5, abs=1e-5)


def test_the_normalised_residuals_have_unit_variance_under_a_full_covariance() -> None:
    design, _, covariance = make_random_case(7, 5, 2)
    noise = np.random.default_rng(1).multivariate_normal(np.zeros(5), covariance, size=4000)
    w = np.array([gls(design, z, covariance).w_statistics for z in noise])
    # 4000 draws: the standard error of a variance of 1 is √(2/4000) = 0.022.
    assert w.var(axis=0) == pytest.approx(np.ones(5), abs=0.1)


def test_it_names_the_columns_that_a_deficient_design_does_not_determine() -> None:
    with pytest.raises(Unresolvable) as refusal:
        gls([[1, 0, 0], [0, 1, 1]], [1, 2], np.eye(2))
    assert refusal.value.keys == ("1", "2")


def test_columns_of_very_different_size_are_not_taken_for_dependent() -> None:
    load = np.arange(1.0, 9.0) * 1e5
    design = np.column_stack((np.ones(8), load, load**2))
    fit = gls(design, design @ [1.0, 2e-6, 3e-14], np.eye(8) * 1e-6)
    assert fit.coefficients == pytest.approx([1.0, 2e-6, 3e-14], rel=1e-8)


@pytest.mark.parametrize(
    ("design", "values", "covariance"),
    [
        ([[1.0]], [1.0, 2.0], [[1.0]]),
        ([1.0], [1.0], [[1.0]]),
        ([[]], [1.0], [[1.0]]),
        ([[1.0]], [1.0], [[1.0, 0.0]]),
        ([[1.0]], [float("nan")], [[1.0]]),
        ([[float("inf")]], [1.0], [[1.0]]),
        ([[1.0]], [1.0], [[0.0]]),
        ([[1.0]], [1.0], [[-1.0]]),
        ([[1.0], [1.0]], [1.0, 1.0], [[1.0, 2.0], [2.0, 1.0]]),
        ([[1.0], [1.0]], [1.0, 1.0], [[1.0, 0.5], [0.0, 1.0]]),
        ([[1.0], [1.0]], [1e300, -1e300], [[1e-300, 0.0], [0.0, 1e-300]]),
    ],
)
def test_it_refuses_what_cannot_be_fitted(design: object, values: object, covariance: object) -> None:
    with pytest.raises(UnusableReadings):
        gls(design, values, covariance)  # type: ignore[arg-type]
