import math
import timeit
from fractions import Fraction

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fleetcal.metrology.axle_weights import (
    AxleWeights,
    Reading,
    SumEstimates,
    compare_with_gross,
    estimate,
    solve,
)
from fleetcal.metrology.least_squares import Unresolvable, UnusableReadings

KEYS = ("S", "D", "T")
COVERS = ("S", "SD", "SDT", "DT", "T")
LABELS = ("S", "S+D", "S+D+T", "D+T", "T")
VALUES_KG = (7100, 18480, 42160, 35020, 23700)

# A busy machine must not fail a property that holds.
any_speed = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])


def make_reading(
    covers: str, value_kg: float, u_own_kg: float = 20.0, u_shared_kg: float = 0.0, instrument: str = "bridge"
) -> Reading:
    return Reading("+".join(covers), value_kg, frozenset(covers), u_own_kg, instrument, u_shared_kg)


def make_passage(last_kg: float = 23700, u_own_kg: float = 20.0) -> list[Reading]:
    values = (*VALUES_KG[:-1], last_kg)
    return [make_reading(c, v, u_own_kg) for c, v in zip(COVERS, values, strict=True)]


# The passage over a bridge of three groups, worked in exact rationals.


def solve_exactly(last_kg: int = 23700) -> tuple[list[Fraction], list[list[Fraction]], Fraction]:
    """Naive twin: normal equations in fractions, with their adjugate inverse for three groups."""
    h = [[Fraction(int(key in c)) for key in KEYS] for c in COVERS]
    y = [Fraction(v) for v in (*VALUES_KG[:-1], last_kg)]
    inverse = [[Fraction(a, 8) for a in row] for row in ((5, -4, 1), (-4, 8, -4), (1, -4, 5))]
    normal = [[sum(row[i] * row[j] for row in h) for j in range(3)] for i in range(3)]
    identity = [[sum(normal[i][k] * inverse[k][j] for k in range(3)) for j in range(3)] for i in range(3)]
    assert identity == [[int(i == j) for j in range(3)] for i in range(3)]
    xty = [sum(row[i] * v for row, v in zip(h, y, strict=True)) for i in range(3)]
    w = [sum((inverse[i][j] * xty[j] for j in range(3)), Fraction(0)) for i in range(3)]
    residuals = [v - sum(a * b for a, b in zip(row, w, strict=True)) for row, v in zip(h, y, strict=True)]
    return w, inverse, sum((r * r for r in residuals), Fraction(0))


def test_it_equals_the_exact_rational_solution() -> None:
    exact, inverse, sum_of_squares = solve_exactly()
    assert exact == [Fraction(14235, 2), 11350, Fraction(47375, 2)]
    assert sum_of_squares == 950
    weights = solve(make_passage(), KEYS)
    assert weights.weights_kg == pytest.approx([float(w) for w in exact], rel=1e-13)
    assert weights.residuals_kg == pytest.approx([-17.5, 12.5, 5, -17.5, 12.5], abs=1e-9)
    expected = 400 * np.array(inverse, dtype=float)
    assert np.array(weights.covariance) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(
    ("u_own_kg", "chi_square", "probability", "has_suspects"),
    [(20.0, 2.375, 0.304983, False), (20 / math.sqrt(3), 7.125, 0.028368, True)],
)
def test_it_tests_the_consistency_of_the_passage(
    u_own_kg: float, chi_square: float, probability: float, has_suspects: bool
) -> None:
    weights = solve(make_passage(u_own_kg=u_own_kg), KEYS)
    assert weights.chi_square == pytest.approx(chi_square, rel=1e-9)
    assert weights.degrees_of_freedom == 2
    assert weights.probability == pytest.approx(probability, abs=5e-7)
    assert bool(weights.suspects) is has_suspects


def test_it_gives_the_uncertainty_of_each_group_and_of_the_gross() -> None:
    weights = solve(make_passage(), KEYS)
    assert [weights.u(key) / 20 for key in KEYS] == pytest.approx([0.790569, 1.0, 0.790569], abs=5e-7)
    assert weights.u_total() / 20 == pytest.approx(0.707107, abs=5e-7)
    assert weights.total() == pytest.approx(7117.5 + 11350 + 23687.5, rel=1e-13)
    assert weights.covariance[0][1] == pytest.approx(-200)


def test_it_names_every_reading_that_cannot_be_told_apart() -> None:
    weights = solve(make_passage(last_kg=23900), KEYS)
    assert weights.weights_kg == pytest.approx([7142.5, 11250, 23812.5], rel=1e-12)
    assert weights.chi_square == pytest.approx(52.375, rel=1e-9)
    assert weights.probability == pytest.approx(4.24e-12, rel=2e-3)
    assert weights.w_statistics == pytest.approx([-3.470, 7.144, -3.182, -3.470, 7.144], abs=5e-4)
    assert weights.suspects == (("S+D", "T"), ("S", "D+T"), ("S+D+T",))


def test_an_error_in_the_other_half_of_a_pair_names_the_same_pair_first() -> None:
    # Minus 200 kg in S+D leaves the residuals that plus 200 kg in T leaves, but for the sign.
    readings = make_passage()
    readings[1] = make_reading("SD", VALUES_KG[1] - 200)
    assert solve(readings, KEYS).suspects[0] == ("S+D", "T")


def test_without_redundancy_no_consistency_test_is_possible() -> None:
    weights = solve(make_passage()[:3], KEYS)
    assert weights.weights_kg == pytest.approx([7100, 11380, 23680], rel=1e-13)
    assert weights.degrees_of_freedom == 0
    assert weights.probability is None
    assert weights.w_statistics == (None, None, None)
    assert weights.suspects == ()


def test_a_reading_that_nothing_else_controls_has_no_w_statistic() -> None:
    readings = [make_reading("S", 7000), make_reading("S", 7010), make_reading("D", 9000)]
    weights = solve(readings, ("S", "D"))
    assert weights.w_statistics[0] == pytest.approx(-10 / math.sqrt(800))
    assert weights.w_statistics[2] is None


def test_two_readings_of_one_axle_that_disagree_are_both_suspect() -> None:
    weights = solve([make_reading("S", 7000), make_reading("S", 7100)], ("S",))
    assert weights.suspects == (("S", "S"),)


def test_it_combines_weights_with_their_covariance() -> None:
    weights = solve(make_passage(), KEYS)
    value, u = weights.combine({"S": 1, "D": -1})
    assert value == pytest.approx(7117.5 - 11350)
    assert u == pytest.approx(20 * math.sqrt(5 / 8 + 1 + 1))
    assert weights.combine({"D": 2.0}) == pytest.approx((22700, 40))


# Against an independent implementation and with an error that the readings share.


@any_speed
@given(st.lists(st.floats(1000, 40000), min_size=5, max_size=5), st.floats(0, 80), st.floats(2, 60))
def test_it_agrees_with_an_independent_gls(values: list[float], u_shared_kg: float, u_own_kg: float) -> None:
    shared = [u_shared_kg, 2 * u_shared_kg, 0.0, u_shared_kg / 2, u_shared_kg]
    names = ["bridge", "bridge", "bridge", "pads", "pads"]
    readings = [
        make_reading(c, v, u_own_kg, s, name)
        for c, v, s, name in zip(COVERS, values, shared, names, strict=True)
    ]
    same = np.array([[a == b for a in names] for b in names])
    covariance = u_own_kg**2 * np.eye(5) + np.outer(shared, shared) * same
    design = np.array([[key in c for key in KEYS] for c in COVERS], dtype=float)
    oracle = sm.GLS(values, design, sigma=covariance).fit()
    weights = solve(readings, KEYS)
    assert weights.weights_kg == pytest.approx(oracle.params, rel=1e-7, abs=1e-5)
    assert np.array(weights.covariance) == pytest.approx(oracle.normalized_cov_params, rel=1e-6, abs=1e-6)


@any_speed
@given(n=st.integers(1, 40), u_own_kg=st.floats(1, 50), u_shared_kg=st.floats(0, 100))
def test_an_error_common_to_an_instrument_does_not_average_out(
    n: int, u_own_kg: float, u_shared_kg: float
) -> None:
    weights = solve([make_reading("S", 7000, u_own_kg, u_shared_kg) for _ in range(n)], ("S",))
    assert weights.u("S") == pytest.approx(math.sqrt(u_own_kg**2 / n + u_shared_kg**2), rel=1e-7)


def test_errors_of_different_instruments_do_average_out() -> None:
    readings = [make_reading("S", 7000, 10.0, 40.0, name) for name in ("one", "two")]
    assert solve(readings, ("S",)).u("S") == pytest.approx(math.sqrt((100 + 1600) / 2))


reading_lists = st.lists(
    st.builds(
        make_reading,
        covers=st.sampled_from(["S", "D", "T", "SD", "DT", "ST", "SDT"]),
        value_kg=st.floats(0, 40000),
        u_own_kg=st.floats(3, 60),
        u_shared_kg=st.floats(0, 60),
        instrument=st.sampled_from(["bridge", "pads"]),
    ),
    min_size=0,
    max_size=5,
)
SINGLES = [make_reading("S", 7000, 9.0, 12.0), make_reading("D", 11000, 9.0, 17.0), make_reading("T", 23000)]


@any_speed
@given(extra=reading_lists, data=st.data())
def test_the_order_of_readings_and_keys_changes_nothing(extra: list[Reading], data: st.DataObject) -> None:
    readings = SINGLES + extra
    first = solve(readings, KEYS)
    keys = data.draw(st.permutations(KEYS))
    second = solve(data.draw(st.permutations(readings)), keys)
    for key in KEYS:
        assert second.weight(key) == pytest.approx(first.weight(key), rel=1e-7, abs=1e-5)
        assert second.u(key) == pytest.approx(first.u(key), rel=1e-7)
    assert second.chi_square == pytest.approx(first.chi_square, rel=1e-6, abs=1e-6)


@any_speed
@given(extra=reading_lists)
def test_one_more_reading_never_makes_an_uncertainty_larger(extra: list[Reading]) -> None:
    before = solve(SINGLES, KEYS)
    for end in range(1, len(extra) + 1):
        after = solve(SINGLES + extra[:end], KEYS)
        for key in KEYS:
            assert after.u(key) <= before.u(key) * (1 + 1e-9)
        assert after.u_total() <= before.u_total() * (1 + 1e-9)
        before = after


@any_speed
@given(extra=reading_lists)
def test_nothing_that_is_not_finite_leaves(extra: list[Reading]) -> None:
    weights = solve(SINGLES + extra, KEYS)
    numbers = [
        *weights.weights_kg,
        *weights.residuals_kg,
        *(w for w in weights.w_statistics if w is not None),
    ]
    assert all(math.isfinite(number) for number in numbers)
    assert weights.probability is None or 0 <= weights.probability <= 1


# Refusals.


@pytest.mark.parametrize(
    ("covers", "missing"),
    [(["SD", "T"], ("S", "D")), (["S"], ("D", "T")), (["S", "SDT"], ("D", "T")), (["SDT"], KEYS)],
)
def test_it_refuses_a_rank_deficient_design_naming_each_axle(
    covers: list[str], missing: tuple[str, ...]
) -> None:
    with pytest.raises(Unresolvable, match=missing[0]) as refusal:
        solve([make_reading(c, 9000) for c in covers], KEYS)
    assert refusal.value.keys == missing


@pytest.mark.parametrize(
    "changes",
    [
        {"value_kg": -1.0},
        {"value_kg": math.nan},
        {"value_kg": math.inf},
        {"value_kg": 1e300},
        {"u_own_kg": 0.0},
        {"u_own_kg": -5.0},
        {"u_own_kg": math.nan},
        {"u_own_kg": 1e-200},
        {"u_shared_kg": -1.0},
        {"u_shared_kg": math.inf},
        {"covers": ""},
    ],
)
def test_it_refuses_a_reading_that_cannot_be_one(changes: dict[str, float]) -> None:
    with pytest.raises(UnusableReadings):
        make_reading(**{"covers": "S", "value_kg": 7000.0, **changes})  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("readings", "keys"),
    [
        ([], ("S",)),
        ([make_reading("S", 7000)], ()),
        ([make_reading("S", 7000)], ("S", "S")),
        ([make_reading("SX", 7000)], ("S",)),
        ([make_reading("S", 7000, 0.01), make_reading("S", 7000, 1e5)], ("S",)),
    ],
)
def test_it_refuses_readings_and_keys_that_do_not_fit(readings: list[Reading], keys: tuple[str, ...]) -> None:
    with pytest.raises(UnusableReadings):
        solve(readings, keys)


def test_it_refuses_to_give_a_weight_that_was_not_solved() -> None:
    weights = solve(make_passage(), KEYS)
    with pytest.raises(UnusableReadings, match="X"):
        weights.weight("X")
    with pytest.raises(UnusableReadings, match="finite"):
        weights.combine({"S": math.inf})


# Sums, where not every axle can be resolved.


def make_targets(*covers: str) -> list[frozenset[str]]:
    return [frozenset(c) for c in covers]


def require_value(estimates: SumEstimates, index: int) -> tuple[float, float]:
    found = estimates[index]
    assert found is not None
    return found.value_kg, found.u_kg


def test_a_ticket_of_the_gross_gives_the_gross_and_nothing_else() -> None:
    estimates = estimate([make_reading("SDT", 42160, 6.0, 8.0)], KEYS, make_targets("SDT", "S", "SD"))
    assert require_value(estimates, 0) == (42160, 10)
    assert list(estimates)[1:] == [None, None]
    assert estimates.covariance[0] == (100, None, None)
    assert estimates.probability is None


def test_it_separates_what_the_readings_separate_and_says_what_they_do_not() -> None:
    readings = [make_reading("ABC", 20000, 20.0, 10.0), make_reading("ABCDE", 38000, 20.0, 19.0)]
    estimates = estimate(readings, "ABCDE", make_targets("DE", "ABC", "ABCDE", "D", "AB"))
    assert require_value(estimates, 0) == pytest.approx((18000, math.sqrt(800 + 81)))
    assert require_value(estimates, 1) == pytest.approx((20000, math.sqrt(500)))
    assert require_value(estimates, 2) == pytest.approx((38000, math.sqrt(761)))
    assert estimates[3] is None
    assert estimates[4] is None
    assert estimates.covariance[0][1] == pytest.approx(-400 + 190 - 100)
    assert estimates.covariance[3] == (None,) * 5


def test_a_redundant_but_deficient_set_still_tests_its_consistency() -> None:
    readings = [make_reading("SD", 18480), make_reading("T", 23700), make_reading("SDT", 42260)]
    estimates = estimate(readings, KEYS, make_targets("SD", "S"))
    assert estimates.degrees_of_freedom == 1
    assert estimates.chi_square == pytest.approx(80**2 / 1200)
    assert require_value(estimates, 0)[0] == pytest.approx(18480 + 80 / 3)
    assert estimates[1] is None


@any_speed
@given(extra=reading_lists)
def test_estimates_of_single_axles_equal_the_solution(extra: list[Reading]) -> None:
    weights = solve(SINGLES + extra, KEYS)
    estimates = estimate(SINGLES + extra, KEYS, make_targets("S", "D", "T", "SDT"))
    for i, key in enumerate(KEYS):
        assert require_value(estimates, i) == pytest.approx((weights.weight(key), weights.u(key)), rel=1e-6)
    assert require_value(estimates, 3) == pytest.approx((weights.total(), weights.u_total()), rel=1e-6)
    assert estimates.covariance[0][2] == pytest.approx(weights.covariance[0][2], rel=1e-6, abs=1e-6)


def test_one_reading_alone_gives_what_the_general_way_gives() -> None:
    # The second reading is of another axle and another instrument, so that it tells nothing about the first.
    one, other = make_reading("SD", 18480, 6.0, 8.0), make_reading("T", 23700, 5.0, 0.0, "pads")
    alone = estimate([one], KEYS, make_targets("SD", "S"))
    together = estimate([one, other], KEYS, make_targets("SD", "S"))
    assert require_value(alone, 0) == pytest.approx(require_value(together, 0), rel=1e-12)
    assert alone[1] is None
    assert together[1] is None
    assert dict(together.shared_kg)["bridge"][0] == pytest.approx(dict(alone.shared_kg)["bridge"][0])


@pytest.mark.parametrize("target", [frozenset(), frozenset("X"), frozenset("SX")])
@pytest.mark.parametrize("count", [1, 2])
def test_it_refuses_a_target_that_is_not_a_set_of_the_keys(target: frozenset[str], count: int) -> None:
    with pytest.raises(UnusableReadings, match="target"):
        estimate([make_reading("S", 7000)] * count, KEYS, [target])


def test_ten_thousand_single_tickets_take_less_than_a_second() -> None:
    # About 5 µs each when written; the margin is for a busy machine.
    reading, targets = make_reading("SDT", 42160), make_targets("SDT")
    assert timeit.timeit(lambda: estimate([reading], KEYS, targets), number=10_000) < 1.0


# The gross in one draft against the sum of the other readings.


def test_the_gross_is_compared_with_what_the_other_readings_give() -> None:
    found = compare_with_gross(make_passage(), KEYS)
    assert found is not None
    # S+D with T, and S with D+T: two independent sums of the same gross, 42180 and 42120.
    assert (found.sum_kg, found.gross_kg) == pytest.approx((42150, 42160))
    assert found.difference_kg == pytest.approx(-10)
    assert found.u_difference_kg == pytest.approx(math.sqrt(400 + 400))


def test_an_error_of_the_same_bridge_in_proportion_to_load_cancels_in_the_comparison() -> None:
    readings = [
        make_reading("SD", 18480, 20.0, 18.48),
        make_reading("T", 23700, 20.0, 23.70),
        make_reading("SDT", 42180, 20.0, 42.18),
    ]
    found = compare_with_gross(readings, KEYS)
    assert found is not None
    assert found.u_difference_kg == pytest.approx(math.sqrt(1200))


def test_an_error_of_another_bridge_does_not_cancel() -> None:
    readings = [make_reading("S", 7000, 20.0, 30.0, "pads"), make_reading("D", 9000, 20.0, 30.0, "pads")]
    found = compare_with_gross([*readings, make_reading("SD", 16000, 20.0, 40.0)], ("S", "D"))
    assert found is not None
    assert found.u_difference_kg == pytest.approx(math.sqrt(1200 + 60**2 + 40**2))


@pytest.mark.parametrize("covers", [["S", "SD", "SDT"], ["S", "D", "T"], ["SDT", "SDT"]])
def test_there_is_no_comparison_where_nothing_else_gives_the_sum(covers: list[str]) -> None:
    assert compare_with_gross([make_reading(c, 9000) for c in covers], KEYS) is None


def test_the_shared_part_explains_the_covariance_beyond_the_own_errors() -> None:
    own = solve([make_reading(c, 9000, 20.0) for c in ("S", "SD", "SDT")], KEYS)
    both = solve([make_reading(c, 9000, 20.0, s) for c, s in (("S", 7), ("SD", 18), ("SDT", 42))], KEYS)
    part = dict(both.shared_kg)["bridge"]
    assert part == pytest.approx((7, 11, 24))
    assert np.array(both.covariance) == pytest.approx(np.array(own.covariance) + np.outer(part, part))
    assert isinstance(both, AxleWeights)
