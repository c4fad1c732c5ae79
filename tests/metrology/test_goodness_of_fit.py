import math
from collections.abc import Callable

import numpy as np
import pytest
from scipy.special import xlogy

from fleetcal.metrology.budget import RefusedError
from fleetcal.metrology.censored_ages import collect_ages, collect_as_found
from fleetcal.metrology.goodness_of_fit import compare_by_age, compare_partition
from fleetcal.metrology.reliability import fit_exponential, fit_weibull

INF = math.inf
# Nelson (1982), page 415; read in the documentation of SAS/QC.
EDGES = [6.12, 19.92, 29.64, 35.40, 39.72, 45.24, 52.32, 63.48]
COUNTS = [5, 16, 12, 18, 18, 2, 6, 17, 73]
TURBINE = collect_ages([0, *EDGES], [*EDGES, INF], COUNTS)
# Ages in days with (in tolerance, found out).
BY_AGE = {180: (28, 2), 365: (33, 7), 540: (11, 9)}
AGES = [age for age, (good, out) in BY_AGE.items() for _ in range(good + out)]
GOOD = [good_one for good, out in BY_AGE.values() for good_one in [True] * good + [False] * out]


def test_the_turbine_parts_reject_the_weibull_model() -> None:
    found = compare_partition(fit_weibull(TURBINE), EDGES, COUNTS)
    expected = [4.263, 18.890, 16.274, 9.960, 7.445, 9.351, 11.549, 16.791, 72.478]  # computed
    assert found.expected == pytest.approx(expected, abs=5.1e-4)
    assert found.x2 == pytest.approx(31.597, abs=5.1e-4)
    assert found.g2 == pytest.approx(29.499, abs=5.1e-4)
    assert found.degrees_of_freedom == 6
    assert found.x2_probability == pytest.approx(1.95e-5, abs=5.1e-8)
    assert found.g2_probability is not None
    assert found.g2_probability < 1e-4
    assert found.smallest_expected == min(found.expected)


@pytest.mark.parametrize("fit_model", [fit_exponential, fit_weibull])
def test_g2_is_twice_what_the_likelihood_lacks_of_the_counts_own(fit_model: Callable) -> None:
    fit = fit_model(TURBINE)
    saturated = xlogy(COUNTS, np.array(COUNTS) / 167).sum()
    assert compare_partition(fit, EDGES, COUNTS).g2 == pytest.approx(
        2 * (saturated - fit.log_likelihood), rel=1e-9
    )
    by_age = fit_model(collect_as_found(AGES, GOOD))
    saturated = sum(
        xlogy(good, good / (good + out)) + xlogy(out, out / (good + out)) for good, out in BY_AGE.values()
    )
    found = compare_by_age(by_age, AGES, GOOD, [200, 400])
    assert found.g2 == pytest.approx(2 * (saturated - by_age.log_likelihood), rel=1e-9)
    assert found.degrees_of_freedom == 3 - by_age.parameters


def test_groups_of_unequal_ages_expect_the_sum_of_their_own_reliabilities() -> None:
    fit = fit_weibull(collect_as_found(AGES, GOOD))
    found = compare_by_age(fit, AGES, GOOD, [400])
    R = fit.reliability_at([180, 365, 540])
    hoped = [30 * R[0] + 40 * R[1], 20 * R[2]]
    assert found.observed == (61, 11, 9, 9)
    assert found.expected == pytest.approx([*hoped, 70 - hoped[0], 20 - hoped[1]], rel=1e-12)
    assert found.degrees_of_freedom == 0
    assert found.x2_probability is None
    assert found.g2_probability is None


def test_an_age_on_an_edge_belongs_to_the_group_before_it() -> None:
    fit = fit_exponential(collect_as_found(AGES, GOOD))
    assert compare_by_age(fit, AGES, GOOD, [180, 365]).observed == (28, 33, 11, 2, 7, 9)


def test_results_from_the_model_are_rejected_as_often_as_the_level_says() -> None:
    rng, rejected = np.random.default_rng(12), 0
    ages = np.repeat([90, 180, 270, 360, 450, 540], 60)
    for _ in range(400):
        good = 500 * rng.weibull(1.5, ages.size) > ages
        found = compare_by_age(
            fit_weibull(collect_as_found(ages, good)), ages, good, [90, 180, 270, 360, 450]
        )
        assert found.degrees_of_freedom == 4
        assert found.x2_probability is not None
        rejected += found.x2_probability < 0.05
    # 20 of 400 expected, with a standard deviation of 4.4.
    assert 7 <= rejected <= 35


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (
            lambda fit: compare_partition(fit, EDGES, COUNTS[:-1]),
            "counts: 8 given, 9, one more than the edges",
        ),
        (lambda fit: compare_partition(fit, [10, 5], [1, 1, 1]), "rising ages above 0 d"),
        (lambda fit: compare_partition(fit, [0, 5], [1, 1, 1]), "rising ages above 0 d"),
        (lambda fit: compare_partition(fit, [5], [0, 0]), "not all 0"),
        (lambda fit: compare_partition(fit, [5], [1, math.nan]), "numbers of at least 0"),
        (lambda fit: compare_partition(fit, [5], [1, -1]), "numbers of at least 0"),
        (lambda fit: compare_partition(fit, [1e-9], [1, 1]), "group more widely"),
        (lambda fit: compare_by_age(fit, [5, 6], [True], [5]), "two rows of one length"),
        (lambda fit: compare_by_age(fit, [], [], [5]), "two rows of one length"),
        (lambda fit: compare_by_age(fit, [-5], [True], [5]), "age: -5.0 d"),
    ],
)
def test_it_refuses_groups_that_are_none(call: Callable, words: str) -> None:
    with pytest.raises(RefusedError, match=words):
        call(fit_weibull(TURBINE))
