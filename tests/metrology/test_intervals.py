"""The interval test, re-estimate and staircase against SciPy's exact limits and computed cases."""

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy.stats import binom, binomtest

from fleetcal.metrology.budget import RefusedError
from fleetcal.metrology.intervals import (
    EXTEND,
    KEEP,
    NOT_PROVEN,
    REDUCE,
    TOO_LONG,
    TOO_SHORT,
    Staircase,
    balance_reduction,
    find_binomial_limits,
    find_staircase_rate,
    judge_interval,
    propose_interval,
    reestimate_interval,
    step_interval,
)

any_speed = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])
counts = st.integers(1, 200).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))
shares = st.floats(0.01, 0.99)


def test_the_limits_of_7_in_40() -> None:
    assert find_binomial_limits(7, 40) == pytest.approx((0.073383, 0.327790), abs=5e-7)  # computed


@given(counts, shares)
@any_speed
def test_the_limits_are_those_of_scipy_s_exact_test(pair: tuple[int, int], confidence: float) -> None:
    limits = binomtest(*pair).proportion_ci(confidence, method="exact")
    assert find_binomial_limits(*pair, confidence) == pytest.approx((limits.low, limits.high), abs=1e-9)


@pytest.mark.parametrize("truth", [0.5, 0.9, 0.97])
def test_the_limits_cover_the_truth_at_least_as_often_as_they_claim(truth: float) -> None:
    covered = [lower <= truth <= upper for lower, upper in (find_binomial_limits(g, 40) for g in range(41))]
    assert binom.pmf(range(41), 40, truth) @ np.array(covered) >= 0.95


@pytest.mark.parametrize(
    ("in_tolerance", "checks", "outcome"),
    [(18, 20, NOT_PROVEN), (10, 20, TOO_LONG), (20, 20, NOT_PROVEN), (200, 200, TOO_SHORT)],
)  # target 0.90 at 95 %, computed; with 20 of 20 the lower limit is 0.832
def test_the_interval_test_has_three_outcomes(in_tolerance: int, checks: int, outcome: str) -> None:
    judgement = judge_interval(in_tolerance, checks, 0.90)
    assert judgement.outcome == outcome
    assert judgement.observed == in_tolerance / checks
    if (in_tolerance, checks) == (20, 20):
        assert judgement.lower == pytest.approx(0.832, abs=5e-4)
        assert judgement.upper == 1.0


@given(counts, shares)
@any_speed
def test_no_interval_is_called_wrong_while_the_observed_share_is_on_the_right_side(
    pair: tuple[int, int], target: float
) -> None:
    judgement = judge_interval(*pair, target)
    if judgement.outcome == TOO_LONG:
        assert judgement.observed < target
    if judgement.outcome == TOO_SHORT:
        assert judgement.observed > target


@pytest.mark.parametrize(
    ("observed", "uncapped_days", "interval_days", "capped"),
    [(0.80, 172.34, 182.5, True), (0.95, 749.74, 730.0, True), (0.85, 236.63, 236.63, False)],
)  # 365 d, target 0.90, computed
def test_the_exponential_re_estimate_and_its_caps(
    observed: float, uncapped_days: float, interval_days: float, capped: bool
) -> None:
    proposal = reestimate_interval(365, observed, 0.90)
    assert proposal.uncapped_days == pytest.approx(uncapped_days, abs=5.1e-3)
    assert proposal.interval_days == pytest.approx(interval_days, abs=5.1e-3)
    assert proposal.capped is capped


def test_shares_of_none_and_all_go_to_the_caps() -> None:
    best, worst = reestimate_interval(365, 1.0, 0.90), reestimate_interval(365, 0.0, 0.90)
    assert (best.interval_days, best.uncapped_days, best.capped) == (730.0, None, True)
    assert (worst.interval_days, worst.uncapped_days, worst.capped) == (182.5, 0.0, True)


@given(st.floats(1, 2_000), st.floats(0, 1), shares)
@any_speed
def test_the_re_estimate_moves_in_the_right_direction_and_never_beyond_the_caps(
    interval_days: float, observed: float, target: float
) -> None:
    days = reestimate_interval(interval_days, observed, target).interval_days
    assert 0.5 * interval_days <= days <= 2.0 * interval_days
    if observed > target:
        assert days >= interval_days
    if observed < target:
        assert days <= interval_days


@pytest.mark.parametrize(
    ("in_tolerance", "checks", "interval_days"), [(20, 20, 365), (10, 20, 182.5), (199, 200, 730)]
)
def test_only_a_proven_interval_is_changed(in_tolerance: int, checks: int, interval_days: float) -> None:
    proposal = propose_interval(365, judge_interval(in_tolerance, checks, 0.90))
    assert proposal.interval_days == interval_days


@pytest.mark.parametrize(
    ("share", "outcome", "interval_days"),
    [
        (0.60, EXTEND, 220.0),
        (0.80, EXTEND, 220.0),
        (0.85, KEEP, 200.0),
        (1.0, KEEP, 200.0),
        (1.01, REDUCE, 110.0),
    ],
)  # factors 1.1 and 0.55
@pytest.mark.parametrize("sign", [1, -1])
def test_the_staircase(share: float, outcome: str, interval_days: float, sign: int) -> None:
    step = step_interval(200, sign * share * 435, 435, Staircase())
    assert step.outcome == outcome
    assert step.interval_days == pytest.approx(interval_days, rel=1e-12)


def test_the_staircase_stays_between_the_shortest_and_the_longest() -> None:
    rule = Staircase(shortest_days=90, longest_days=400)
    assert step_interval(390, 0, 500, rule).interval_days == 400
    assert step_interval(100, 600, 500, rule).interval_days == 90


def test_the_staircase_hovers_at_the_rate_that_balances_its_factors() -> None:
    rate = find_staircase_rate(1.1, 0.55)
    assert rate == pytest.approx(0.1375, abs=5e-5)  # computed
    # An exponential item, walked up and down: the long run's share of failures is that rate.
    rng, interval_days, failures = np.random.default_rng(7), 100.0, 0
    rule = Staircase(extend_within=1.0)
    for _ in range(20_000):
        failed = bool(rng.random() > math.exp(-interval_days / 1_000))
        failures += failed
        interval_days = step_interval(interval_days, 600 if failed else 100, 500, rule).interval_days
    assert failures / 20_000 == pytest.approx(rate, abs=0.005)


@given(st.floats(1.01, 2.0), st.floats(0.5, 0.95))
@any_speed
def test_the_balanced_reduction_hovers_at_the_target(extend_factor: float, target: float) -> None:
    reduce_factor = balance_reduction(extend_factor, target)
    assert find_staircase_rate(extend_factor, reduce_factor) == pytest.approx(1 - target, rel=1e-9)
    # (1 + a)^R·(1 − b)^(1 − R) = 1, the balance of the simple response method (from memory).
    assert extend_factor**target * reduce_factor ** (1 - target) == pytest.approx(1, rel=1e-9)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: find_binomial_limits(0, 0), "checks: 0 given, at least 1"),
        (lambda: find_binomial_limits(5, 4), "found in tolerance: 5 given, 0 to 4"),
        (lambda: find_binomial_limits(-1, 4), "found in tolerance: -1"),
        (lambda: find_binomial_limits(1, 4, 1.0), "confidence: 1.0"),
        (lambda: judge_interval(1, 4, 0.0), "reliability target: 0.0"),
        (lambda: reestimate_interval(0, 0.9, 0.9), "present interval: 0 d"),
        (lambda: reestimate_interval(math.inf, 0.9, 0.9), "present interval: inf d"),
        (lambda: reestimate_interval(365, math.nan, 0.9), "observed reliability: nan"),
        (lambda: reestimate_interval(365, 0.9, 0.9, lower_cap=0), "lower cap: 0"),
        (lambda: reestimate_interval(365, 0.9, 0.9, upper_cap=math.inf), "upper cap: inf"),
        (lambda: propose_interval(-1, judge_interval(18, 20, 0.9)), "present interval: -1 d"),
        (lambda: step_interval(365, math.nan, 500, Staircase()), "size of the error: nan kg"),
        (lambda: step_interval(365, 100, 0, Staircase()), "tolerance: 0 kg"),
        (lambda: Staircase(extend_within=1.2), "share of tolerance that extends: 1.2"),
        (lambda: Staircase(extend_factor=1.0), "extending factor: 1.0"),
        (lambda: Staircase(reduce_factor=1.0), "reducing factor: 1.0"),
        (lambda: Staircase(shortest_days=300, longest_days=200), "at most the longest, 200 d"),
        (lambda: balance_reduction(1.1, 1.0), "reliability target: 1.0"),
    ],
)
def test_it_refuses_what_it_cannot_judge(call: Callable[[], object], words: str) -> None:
    with pytest.raises(RefusedError, match=words):
        call()
