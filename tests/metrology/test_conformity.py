"""JCGM 106:2012 and ILAC-G8:09/2019 figures (from memory unless said), and computed cases in kg."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.stats import multivariate_normal, norm

from fleetcal.metrology.budget import RefusedError
from fleetcal.metrology.conformity import (
    BASIS_MAXIMUM,
    BASIS_REFERENCE,
    CONDITIONAL_FAIL,
    CONDITIONAL_PASS,
    FAIL,
    FALSE_ACCEPTANCE,
    FALSE_REJECTION,
    GUARD_BAND,
    PASS,
    PROBABILITY_OF_CONFORMITY,
    SIMPLE_ACCEPTANCE,
    DecisionRule,
    Tolerance,
    combine_with_prior,
    conformance_probability,
    decide,
    e_n,
    find_acceptance_limit,
    global_risks,
    nonconformance_probability,
    zone,
)

SIMPLE = DecisionRule(SIMPLE_ACCEPTANCE)
GUARDED = DecisionRule(GUARD_BAND)
PROBABLE = DecisionRule(PROBABILITY_OF_CONFORMITY, probability=0.95)


@pytest.mark.parametrize(
    ("value", "u", "lower", "upper", "probability"),
    [
        (
            13.6,
            1.8,
            12.5,
            16.3,
            0.662630,
        ),  # 7.4 oil viscosity; inputs read at metrologyrules.com/2022/03, prints 0.66
        (-5.47, 0.05, -math.inf, -5.40, 0.919243),  # 7.3.3 example 1, prints 0.92
        (509.7, 8.6, 490, math.inf, 0.989010),  # 7.3.3 example 2, prints 0.99
        (1_800, 125, -2_000, 2_000, 0.945201),  # computed
        (1_750, 125, -2_000, 2_000, 0.977250),  # computed
        (420, 45, -500, 500, 0.962280),  # computed
        (106.588, 0.02 * 106.588, -math.inf, 100, 0.001),  # guarded rejection at 100 km/h, 2 %, 99.9 %
    ],
)
def test_the_probability_of_conformance(
    value: float, u: float, lower: float, upper: float, probability: float
) -> None:
    assert conformance_probability(value, u, lower, upper) == pytest.approx(probability, abs=1e-6)
    assert nonconformance_probability(value, u, lower, upper) == pytest.approx(1 - probability, abs=1e-6)


@pytest.mark.parametrize(
    ("probability", "z"), [(0.80, 0.8416), (0.90, 1.2816), (0.95, 1.6449), (0.99, 2.3263), (0.999, 3.0902)]
)  # JCGM 106 table 1, computed
def test_the_acceptance_limit_for_a_wanted_probability_is_the_table_s_multiple_of_u(
    probability: float, z: float
) -> None:
    assert find_acceptance_limit(2_000, 100, probability) == pytest.approx(2_000 - z * 100, abs=6e-3)


@pytest.mark.parametrize(
    ("guard_factor", "risk"), [(1.0, 0.02275), (1.5, 0.00135), (0.83, 0.04846), (3.0, 9.87e-10), (0.0, 0.5)]
)  # ILAC-G8 table, computed for a result at the acceptance limit with k = 2
def test_the_risk_at_the_acceptance_limit_is_that_of_the_guard_band(guard_factor: float, risk: float) -> None:
    rule = DecisionRule(GUARD_BAND, guard_factor=guard_factor)
    error_kg = 2_000 - guard_factor * 200
    decision = decide(error_kg, 100, 200, 2_000, rule)
    assert decision.word == PASS
    assert decision.specific_risk == pytest.approx(risk, rel=1e-3)
    assert decision.risk == FALSE_ACCEPTANCE


@pytest.mark.parametrize(
    ("error_kg", "word"),
    [
        (1_700, PASS), (1_750, PASS), (1_750.1, CONDITIONAL_PASS), (1_800, CONDITIONAL_PASS),
        (2_000, CONDITIONAL_PASS), (2_000.1, CONDITIONAL_FAIL), (2_100, CONDITIONAL_FAIL),
        (2_250, CONDITIONAL_FAIL), (2_250.1, FAIL), (2_300, FAIL),
    ],
)  # fmt: skip
def test_four_words_of_the_guard_band_on_either_side_of_zero(error_kg: float, word: str) -> None:
    assert decide(error_kg, 125, 250, 2_000, GUARDED).word == word
    assert decide(-error_kg, 125, 250, 2_000, GUARDED).word == word
    assert zone(error_kg, 2_000, 250) == word


@pytest.mark.parametrize(("error_kg", "word"), [(0, PASS), (2_000, PASS), (-2_000, PASS), (2_000.1, FAIL)])
def test_simple_acceptance_knows_two_words(error_kg: float, word: str) -> None:
    assert decide(error_kg, 125, 250, 2_000, SIMPLE).word == word


def test_the_same_result_may_pass_by_probability_and_not_by_guard_band() -> None:
    guarded = decide(420, 45, 90, 500, GUARDED)
    probable = decide(420, 45, 90, 500, PROBABLE)
    assert (guarded.word, guarded.acceptance_limit_kg) == (CONDITIONAL_PASS, 410)
    assert probable.word == PASS
    assert probable.acceptance_limit_kg == pytest.approx(425.982, abs=5e-4)
    assert guarded.probability_of_conformity == probable.probability_of_conformity
    assert guarded.probability_of_conformity == pytest.approx(0.962280, abs=1e-6)


@pytest.mark.parametrize(
    ("error_kg", "word"),
    [
        (425.9, PASS),
        (426.1, CONDITIONAL_PASS),
        (500, CONDITIONAL_PASS),
        (573.9, CONDITIONAL_FAIL),
        (574.1, FAIL),
    ],
)  # computed: 500 ± 1.644854·45
def test_four_words_of_the_probability_rule(error_kg: float, word: str) -> None:
    assert decide(error_kg, 45, 90, 500, PROBABLE).word == word


def test_what_is_rejected_carries_the_risk_of_having_been_good() -> None:
    decision = decide(2_100, 125, 250, 2_000, GUARDED)
    assert not decision.accepted
    assert decision.risk == FALSE_REJECTION
    assert decision.specific_risk == decision.probability_of_conformity == pytest.approx(norm.cdf(-0.8))


@pytest.mark.parametrize("error_kg", [0, 400, 500, 700, 1_100])
def test_a_guard_band_wider_than_the_tolerance_lets_nothing_pass_and_says_so(error_kg: float) -> None:
    decision = decide(error_kg, 300, 600, 500, GUARDED)
    assert not decision.achievable
    assert decision.acceptance_limit_kg == -100
    assert decision.word == (CONDITIONAL_PASS if error_kg <= 500 else CONDITIONAL_FAIL)


def test_a_probability_that_even_no_error_misses_is_not_achievable() -> None:
    decision = decide(0, 300, 600, 500, PROBABLE)
    assert (decision.word, decision.achievable) == (CONDITIONAL_PASS, False)
    assert decision.acceptance_limit_kg < 0


def test_a_wide_uncertainty_feels_both_limits() -> None:
    # T = 2 u: the one-sided answer would be 0.3551 u, where p_c is not yet 0.95.
    limit = find_acceptance_limit(200, 100, 0.95)
    assert 0 < limit < 35.5
    assert conformance_probability(limit, 100, -200, 200) == pytest.approx(0.95, abs=1e-12)


@given(
    st.floats(-5_000, 5_000),
    st.floats(0, 1_000),
    st.floats(10, 3_000),
    st.sampled_from([SIMPLE, GUARDED, PROBABLE]),
)
def test_every_decision_is_symmetric_finite_and_agrees_with_its_acceptance_limit(
    error_kg: float, u_kg: float, limit_kg: float, rule: DecisionRule
) -> None:
    decision = decide(error_kg, u_kg, 2 * u_kg, limit_kg, rule)
    mirrored = decide(-error_kg, u_kg, 2 * u_kg, limit_kg, rule)
    assert decision.word == mirrored.word
    assert decision.probability_of_conformity == pytest.approx(mirrored.probability_of_conformity, abs=1e-15)
    assert 0 <= decision.probability_of_conformity <= 1
    assert 0 <= decision.specific_risk <= 1
    assert math.isfinite(decision.acceptance_limit_kg)
    if abs(error_kg) < decision.acceptance_limit_kg - 1e-6:
        assert decision.word == PASS
    if abs(error_kg) > decision.acceptance_limit_kg + 1e-6:
        assert decision.word != PASS
    if decision.word == PASS:
        assert decision.achievable


def test_a_known_error_is_judged_with_certainty() -> None:
    inside, outside = decide(500, 0, 0, 500, GUARDED), decide(501, 0, 0, 500, PROBABLE)
    assert (inside.word, inside.probability_of_conformity, inside.specific_risk) == (PASS, 1.0, 0.0)
    assert (outside.word, outside.probability_of_conformity, outside.specific_risk) == (FAIL, 0.0, 0.0)


@pytest.mark.parametrize(
    ("tolerance", "reference_kg", "maximum_kg", "limit_kg"),
    [
        (Tolerance(3), 40_000, None, 1_200),
        (Tolerance(3), 40_000, 44_000, 1_200),
        (Tolerance(5, BASIS_MAXIMUM), 7_000, 18_000, 900),
        (Tolerance(3, BASIS_REFERENCE, 500), 10_000, None, 500),
        (Tolerance(5, BASIS_MAXIMUM, 1_000), 7_000, 18_000, 1_000),
    ],
)
def test_a_tolerance_is_a_percentage_with_a_floor(
    tolerance: Tolerance, reference_kg: float, maximum_kg: float | None, limit_kg: float
) -> None:
    assert tolerance.limit_kg(reference_kg, maximum_kg) == limit_kg


def test_it_refuses_a_tolerance_out_of_shape() -> None:
    with pytest.raises(RefusedError):
        Tolerance(5, BASIS_MAXIMUM).limit_kg(7_000)
    with pytest.raises(RefusedError):
        Tolerance(3).limit_kg(0)
    for percent, basis, floor_kg in [(0, BASIS_REFERENCE, 0), (3, "gross", 0), (3, BASIS_REFERENCE, -1)]:
        with pytest.raises(RefusedError):
            Tolerance(percent, basis, floor_kg)


@pytest.mark.parametrize(
    ("kind", "guard_factor", "probability"),
    [
        ("shared risk", 1, 0.95),
        (GUARD_BAND, -0.5, 0.95),
        (GUARD_BAND, math.nan, 0.95),
        (GUARD_BAND, 1, 1.0),
        (GUARD_BAND, 1, 0.4),
    ],
)
def test_it_refuses_a_rule_out_of_shape(kind: str, guard_factor: float, probability: float) -> None:
    with pytest.raises(RefusedError):
        DecisionRule(kind, guard_factor, probability)


@pytest.mark.parametrize(
    ("error_kg", "u_kg", "U_kg", "limit_kg"),
    [
        (math.nan, 1, 2, 500),
        (math.inf, 1, 2, 500),
        (1, -1, 2, 500),
        (1, math.nan, 2, 500),
        (1, 10, 9, 500),
        (1, 1, math.nan, 500),
        (1, 1, 2, 0),
        (1, 1, 2, math.inf),
    ],
)
def test_it_refuses_to_decide_on_numbers_out_of_shape(
    error_kg: float, u_kg: float, U_kg: float, limit_kg: float
) -> None:
    with pytest.raises(RefusedError):
        decide(error_kg, u_kg, U_kg, limit_kg, GUARDED)


RISK_CASES = [
    (0.0, 500.0, 125.0, 1_000.0, 250.0),
    (300.0, 500.0, 400.0, 1_000.0, 0.0),
    (-900.0, 250.0, 60.0, 1_000.0, 120.0),
    (0.0, 200.0, 5.0, 1_000.0, -50.0),
    (100.0, 3_000.0, 20.0, 1_000.0, 990.0),
    (2_500.0, 100.0, 300.0, 1_000.0, 100.0),
]


@pytest.mark.parametrize(("mean", "prior_u", "u_m", "limit", "guard"), RISK_CASES)
def test_global_risks_agree_with_the_bivariate_normal(
    mean: float, prior_u: float, u_m: float, limit: float, guard: float
) -> None:
    edge = limit - guard
    joint = multivariate_normal([mean, mean], [[prior_u**2, prior_u**2], [prior_u**2, prior_u**2 + u_m**2]])
    good = norm.cdf(limit, mean, prior_u) - norm.cdf(-limit, mean, prior_u)
    total_u = math.hypot(prior_u, u_m)
    accepted = norm.cdf(edge, mean, total_u) - norm.cdf(-edge, mean, total_u)
    both = joint.cdf([limit, edge], lower_limit=[-limit, -edge])
    consumer, producer = global_risks(mean, prior_u, u_m, limit, guard)
    assert consumer == pytest.approx(accepted - both, abs=2e-7)
    assert producer == pytest.approx(good - both, abs=2e-7)


@pytest.mark.parametrize(("mean", "prior_u", "u_m", "limit", "guard"), RISK_CASES)
def test_global_risks_agree_with_adaptive_quadrature(
    mean: float, prior_u: float, u_m: float, limit: float, guard: float
) -> None:
    edge = limit - guard

    def density(x: float) -> float:
        return float(norm.pdf(x, mean, prior_u))

    def acceptance(x: float) -> float:
        return float(norm.cdf(edge, x, u_m) - norm.cdf(-edge, x, u_m))

    cuts = [cut for cut in (mean, -edge, edge) if abs(cut) < limit]
    producer_oracle, _ = quad(
        lambda x: density(x) * (1 - acceptance(x)), -limit, limit, points=cuts, limit=400, epsabs=1e-13
    )
    _, producer = global_risks(mean, prior_u, u_m, limit, guard)
    assert producer == pytest.approx(producer_oracle, abs=1e-9)


@given(
    st.floats(-1_000, 1_000),
    st.floats(1, 2_000),
    st.floats(1, 1_000),
    st.floats(10, 2_000),
    st.floats(0, 1_500),
)
def test_a_wider_guard_band_trades_the_consumer_s_risk_for_the_producer_s(
    mean: float, prior_u: float, u_m: float, limit: float, guard: float
) -> None:
    plain = global_risks(mean, prior_u, u_m, limit, 0.0)
    guarded = global_risks(mean, prior_u, u_m, limit, guard)
    assert guarded[0] <= plain[0] + 1e-12
    assert guarded[1] >= plain[1] - 1e-12
    assert all(0 <= risk <= 1 + 1e-12 for risk in (*plain, *guarded))


def test_accepted_shares_balance_with_the_closed_form() -> None:
    for mean, prior_u, u_m, limit, guard in RISK_CASES:
        consumer, producer = global_risks(mean, prior_u, u_m, limit, guard)
        good = norm.cdf(limit, mean, prior_u) - norm.cdf(-limit, mean, prior_u)
        total_u, edge = math.hypot(prior_u, u_m), limit - guard
        accepted = norm.cdf(edge, mean, total_u) - norm.cdf(-edge, mean, total_u)
        assert good - producer + consumer == pytest.approx(accepted, abs=1e-13)


def test_where_nothing_can_be_accepted_every_good_item_is_the_producer_s_loss() -> None:
    consumer, producer = global_risks(0, 500, 600, 1_000, 1_200)
    assert consumer == 0.0
    assert producer == pytest.approx(norm.cdf(2) - norm.cdf(-2), abs=1e-13)


def test_global_risks_agree_with_a_simulation() -> None:
    rng = np.random.default_rng(20261125)
    truth = rng.normal(100, 600, 1_000_000)
    measured = truth + rng.normal(0, 150, truth.size)
    consumer, producer = global_risks(100, 600, 150, 1_000, 300)
    for risk, observed in (
        (consumer, np.mean((np.abs(truth) > 1_000) & (np.abs(measured) <= 700))),
        (producer, np.mean((np.abs(truth) <= 1_000) & (np.abs(measured) > 700))),
    ):
        assert observed == pytest.approx(risk, abs=5 * math.sqrt(risk * (1 - risk) / truth.size))


def test_a_prior_and_a_measurement_meet_between_them() -> None:
    # Computed.
    value, u = combine_with_prior(0, 400, 300, 60)
    assert value == pytest.approx(293.399, abs=5e-4)
    assert u == pytest.approx(59.336, abs=5e-4)


@given(st.floats(-1e3, 1e3), st.floats(0.1, 1e3), st.floats(-1e3, 1e3), st.floats(0.1, 1e3))
def test_a_posterior_lies_between_and_is_narrower_than_either(
    prior: float, prior_u: float, measured: float, u_m: float
) -> None:
    value, u = combine_with_prior(prior, prior_u, measured, u_m)
    assert min(prior, measured) - 1e-9 <= value <= max(prior, measured) + 1e-9
    assert u <= min(prior_u, u_m) * (1 + 1e-12)


def test_e_n_of_a_display_and_its_reference() -> None:
    assert e_n(24_180, 23_700, 300, 60) == pytest.approx(1.568929, abs=5e-7)  # computed
    assert e_n(23_700, 24_180, 300, 60) == pytest.approx(-1.568929, abs=5e-7)
    with pytest.raises(RefusedError):
        e_n(1, 2, 0, 0)
    with pytest.raises(RefusedError):
        e_n(math.nan, 2, 1, 1)


@pytest.mark.parametrize(
    "arguments",
    [(0, 0, 1, 1, 0), (0, 1, 0, 1, 0), (0, 1, 1, 0, 0), (math.nan, 1, 1, 1, 0), (0, 1, 1, 1, math.inf)],
)
def test_it_refuses_risks_of_a_prior_or_measurement_without_spread(arguments: tuple[float, ...]) -> None:
    with pytest.raises(RefusedError):
        global_risks(*arguments)


@pytest.mark.parametrize(
    ("kind", "word"),
    [
        (GUARD_BAND, CONDITIONAL_PASS),
        (SIMPLE_ACCEPTANCE, PASS),
        (PROBABILITY_OF_CONFORMITY, CONDITIONAL_PASS),
    ],
)
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_an_error_of_exactly_the_tolerance_is_inside_it_whatever_the_last_bit_says(
    kind: str, word: str, sign: float
) -> None:
    decision = decide(sign * (540.0 + 1e-10), 185.0, 392.0, 540.0, DecisionRule(kind))
    assert decision.word == word
