"""NIST/SEMATECH e-Handbook charts, Montgomery's data, and run lengths computed through the charts' own steps."""

import itertools
import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy.special import ndtr

from fleetcal.metrology.budget import RefusedError
from fleetcal.metrology.control_charts import (
    ABOVE,
    BELOW,
    CUSUM,
    D2,
    EWMA,
    INDIVIDUALS,
    MOVING_RANGE,
    STANDARDISED,
    Baseline,
    Signal,
    chart_cusum,
    chart_ewma,
    chart_individuals,
    chart_moving_range,
    chart_series,
    estimate_baseline,
    step_cusum,
    step_ewma,
)

# A busy machine must not fail a property that holds.
any_speed = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])
series = st.lists(st.floats(-50, 50), max_size=40)

# e-Handbook 6.3.2.2, flow rate of ten batches.
FLOW = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
# e-Handbook 6.3.2.3.
CUSUM_DATA = [
    *(324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600),
    *(324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350),
]
# e-Handbook 6.3.2.4: ten values before those of 6.3.2.2.
EWMA_DATA = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, *FLOW]
# Montgomery's CUSUM and EWMA example, target 10, σ 1; read in public test suites.
MONTGOMERY = [
    *(9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.20, 10.34, 9.03, 11.47, 10.51, 9.40, 10.08),
    *(9.37, 10.62, 10.31, 8.52, 10.84, 10.90, 9.33, 12.29, 11.50, 10.60, 11.08, 10.38, 11.62, 11.31, 10.52),
]


def test_it_charts_the_individuals_of_the_e_handbook() -> None:
    baseline = estimate_baseline(FLOW)
    chart = chart_individuals(FLOW, baseline)
    assert chart.centre == pytest.approx(50.81, abs=1e-9)
    assert baseline.sigma * D2 == pytest.approx(1.8778, abs=5e-5)
    assert chart.upper == pytest.approx([55.8041] * 10, abs=5e-5)
    assert chart.lower == pytest.approx([45.8159] * 10, abs=5e-5)
    assert chart.signals == ()


def test_it_charts_the_moving_range_of_the_e_handbook() -> None:
    chart = chart_moving_range(FLOW, estimate_baseline(FLOW))
    assert chart.points == pytest.approx([2.0, 2.3, 1.4, 3.5, 3.4, 1.4, 0.2, 1.2, 1.5], abs=1e-9)
    assert chart.points.mean() == pytest.approx(chart.centre, rel=1e-12)
    # 3.267 times the mean range, computed.
    assert chart.upper == pytest.approx([6.1347] * 9, abs=5e-5)
    assert chart.signals == ()


def test_it_sums_as_the_e_handbook_s_cusum_and_signals_from_the_14th_value() -> None:
    # k = 0.3175 and h = 4.1959 in the unit of the data, σ = 1.27/√4.
    chart = chart_cusum(CUSUM_DATA, Baseline(325, 0.635), k_sigmas=0.5, h_sigmas=4.1959 / 0.635)
    assert chart.decision_interval == pytest.approx(4.1959, abs=1e-9)
    assert np.sum(np.array(CUSUM_DATA) - 325) == pytest.approx(19.075, abs=1e-9)
    printed_high = [
        0,
        0,
        0,
        0,
        0.03,
        0,
        0,
        0,
        0,
        0,
        0,
        0,
        3.01,
        4.94,
        7.45,
        10.63,
        11.99,
        14.44,
        16.00,
        19.04,
    ]
    assert chart.high == pytest.approx(printed_high, abs=0.00501)
    assert chart.high[12:] == pytest.approx(
        [3.0075, 4.94, 7.4475, 10.63, 11.9875, 14.445, 16.0025, 19.035], abs=1e-9
    )
    low = [0, 0.0075, 0, 0.3325, 0, 0, 0.5575, 0.715, 0.1725, 0.255, 0.3125] + [0] * 9
    assert chart.low == pytest.approx(low, abs=1e-9)
    assert chart.signals == (Signal(CUSUM, ABOVE, since=12, first=13, last=19),)


def test_it_averages_as_the_e_handbook_s_ewma() -> None:
    chart = chart_ewma(EWMA_DATA, Baseline(50, 2.0539), weight=0.3, width_sigmas=3)
    printed = [
        *(50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33),
        *(50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99),
    ]
    assert chart.points == pytest.approx(printed, abs=0.00501)
    # The page prints 52.5884 and 47.4115 for a long run, rounding √(0.3/1.7).
    assert chart.upper[-1] == pytest.approx(52.5884, abs=1e-3)
    assert chart.lower[-1] == pytest.approx(47.4115, abs=1e-3)
    assert chart.signals == ()


def test_it_sums_montgomery_s_data_downwards() -> None:
    low = [0.05, 1.56, 1.77, 0, 0, 0, 1.46, 0, 0.30, 0, 0.47, 0, 0, 0.10, 0, 0.13, 0, 0, 0.98]
    low += [0, 0, 0.17, 0, 0, 0, 0, 0, 0, 0, 0]  # computed
    assert chart_cusum(MONTGOMERY, Baseline(10, 1)).low == pytest.approx(low, abs=1e-9)


def test_it_finds_montgomery_s_shift_at_the_29th_value() -> None:
    cusum = chart_cusum(MONTGOMERY, Baseline(10, 1))
    ewma = chart_ewma(MONTGOMERY, Baseline(10, 1), weight=0.1, width_sigmas=2.7)
    assert ewma.points[:3] == pytest.approx([9.945, 9.7495, 9.7036], abs=5.01e-5)
    assert ewma.points[27:] == pytest.approx([10.5731, 10.6468, 10.6341], abs=5.01e-5)
    assert (ewma.lower[0], ewma.upper[0]) == pytest.approx((9.73, 10.27), abs=1e-12)
    assert (ewma.lower[1], ewma.upper[1]) == pytest.approx((9.6368, 10.3632), abs=5e-5)
    long_run = chart_ewma([10] * 500, Baseline(10, 1), weight=0.1, width_sigmas=2.7)
    assert (long_run.lower[-1], long_run.upper[-1]) == pytest.approx((9.3806, 10.6194), abs=5e-5)
    [signal] = ewma.signals
    assert (signal.rule, signal.side, signal.first, signal.last) == (EWMA, ABOVE, 28, 29)
    [signal] = cusum.signals
    # The shift was put in after the 20th value; the sum was last zero at the 22nd.
    assert signal == Signal(CUSUM, ABOVE, since=22, first=28, last=29)


def make_cusum_kernel(k: float, h: float, shift: float) -> tuple[np.ndarray, np.ndarray]:
    """Transition densities between nodes (from the last row, zero) and the probability of falling to zero."""
    nodes, weights = np.polynomial.legendre.leggauss(80)
    at, weights = np.append((nodes + 1) * h / 2, 0.0), weights * h / 2
    # step_cusum says where a value leads: to s + x − k where that is above zero.
    offset = np.array([step_cusum(float(s), 0.0, 1_000.0, k)[0] for s in at]) - 1_000.0
    assert all(step_cusum(float(s), 0.0, -1_000.0, k)[0] == 0.0 for s in at)
    density = np.exp(-0.5 * (at[None, :-1] - offset[:, None] - shift) ** 2) / math.sqrt(2 * math.pi)
    return np.column_stack((density * weights, np.zeros(81))), ndtr(-offset - shift)


def find_cusum_run_length(k: float, h: float, shift: float) -> float:
    """Nystrom's solution of L(s) = 1 + L(0)·P(0|s) + ∫ L(y)·f(y|s) dy, one-sided, from zero."""
    kernel, to_zero = make_cusum_kernel(k, h, shift)
    kernel[:, -1] = to_zero
    return float(np.linalg.solve(np.eye(81) - kernel, np.ones(81))[-1])


def find_two_sided(k: float, h: float, shift: float) -> float:
    return 1 / (1 / find_cusum_run_length(k, h, shift) + 1 / find_cusum_run_length(k, h, -shift))


SHIFTS = [0, 0.25, 0.5, 0.75, 1, 1.5, 2, 2.5, 3, 4]


@pytest.mark.parametrize(
    ("h", "published", "computed"),
    [
        # Montgomery's table of two-sided run lengths at k = 0.5 (from memory), and more digits by another program.
        (
            4,
            [168, 74.2, 26.6, 13.3, 8.38, 4.75, 3.34, 2.62, 2.19, 1.71],
            [167.684, 74.224, 26.630, 13.285, 8.383, 4.747, 3.343, 2.620, 2.194, 1.708],
        ),
        (
            5,
            [465, 139, 38.0, 17.0, 10.4, 5.75, 4.01, 3.11, 2.57, 2.01],
            [465.444, 139.494, 37.996, 17.048, 10.376, 5.747, 4.009, 3.114, 2.573, 2.013],
        ),
    ],
)
def test_the_cusum_s_run_lengths_are_those_of_the_table(
    h: float, published: list[float], computed: list[float]
) -> None:
    found = [find_two_sided(0.5, h, shift) for shift in SHIFTS]
    assert found == pytest.approx(computed, abs=5.01e-4)
    assert found == pytest.approx(published, rel=4e-3)


@pytest.mark.parametrize(
    ("k", "h", "run_length"),
    # Hawkins' pairs for a run length of 370 (from memory), with what they come to.
    [
        (0.25, 8.01, 370.33),
        (0.5, 4.77, 368.56),
        (0.75, 3.34, 370.57),
        (1, 2.52, 372.82),
        (1.25, 1.99, 373.54),
        (1.5, 1.61, 376.34),
    ],
)
def test_the_cusum_s_false_alarms_at_hawkins_pairs(k: float, h: float, run_length: float) -> None:
    assert find_two_sided(k, h, 0) == pytest.approx(run_length, abs=5.1e-3)


@pytest.mark.parametrize(("h", "run_length"), [(4, 335.368), (5, 930.887)])  # NIST prints 336 for h = 4
def test_the_cusum_s_one_sided_false_alarms(h: float, run_length: float) -> None:
    assert find_cusum_run_length(0.5, h, 0) == pytest.approx(run_length, abs=5.1e-4)


@pytest.mark.parametrize(("shift", "approximation"), [(0, 938.222), (1, 10.336)])
def test_the_cusum_s_run_length_is_near_siegmund_s_approximation(shift: float, approximation: float) -> None:
    slope, reach = shift - 0.5, 5 + 1.166
    siegmund = (math.exp(-2 * slope * reach) + 2 * slope * reach - 1) / (2 * slope**2)
    assert siegmund == pytest.approx(approximation, abs=5.1e-4)
    assert find_cusum_run_length(0.5, 5, shift) == pytest.approx(siegmund, rel=0.01)


def find_ewma_run_length(weight: float, width: float, shift: float) -> float:
    """Nystrom's solution for the limits of a long run, from the centre."""
    half = float(chart_ewma(np.zeros(2_000), STANDARDISED, weight, width).upper[-1])
    nodes, weights = np.polynomial.legendre.leggauss(201)
    at = nodes * half
    value = (at[None, :] - np.array([step_ewma(float(z), 0.0, weight) for z in at])[:, None]) / step_ewma(
        0.0, 1.0, weight
    )
    density = np.exp(-0.5 * (value - shift) ** 2) / math.sqrt(2 * math.pi) / weight
    lengths = np.linalg.solve(np.eye(201) - density * weights * half, np.ones(201))
    return float(lengths[100])


@pytest.mark.parametrize(
    ("weight", "width", "in_control", "at_shift_1"),
    [
        # Lucas and Saccucci's pairs for 500 (from memory): they print 14.3 11.1 10.5 10.3 11.4 at a shift of 1.
        (0.4, 3.054, 499.95, 14.26),
        (0.25, 2.998, 499.84, 11.14),
        (0.2, 2.962, 499.74, 10.54),
        (0.1, 2.814, 499.58, 10.33),
        (0.05, 2.615, 499.93, 11.38),
        (0.1, 2.7, 369.0, 9.73),
        (0.3, 3, 465.55, None),
    ],
)
def test_the_ewma_s_run_lengths(
    weight: float, width: float, in_control: float, at_shift_1: float | None
) -> None:
    assert find_ewma_run_length(weight, width, 0) == pytest.approx(in_control, abs=0.051)
    if at_shift_1 is not None:
        assert find_ewma_run_length(weight, width, 1) == pytest.approx(at_shift_1, abs=5.1e-3)


@pytest.mark.parametrize(
    ("shift", "run_length"),
    list(
        zip(
            SHIFTS,
            [370.398, 281.153, 155.224, 81.216, 43.895, 14.968, 6.303, 3.241, 2.000, 1.189],
            strict=True,
        )
    ),
)  # Shewhart's three sigma, computed
def test_the_individuals_run_lengths_are_shewhart_s(shift: float, run_length: float) -> None:
    chart = chart_individuals([0.0], STANDARDISED)
    outside = ndtr(chart.lower[0] - shift) + ndtr(shift - chart.upper[0])
    assert 1 / outside == pytest.approx(run_length, abs=5.1e-4)


def test_whole_charts_signal_as_soon_as_their_run_lengths_say() -> None:
    rng = np.random.default_rng(20_240_601)
    firsts = [chart_cusum(rng.normal(1.0, 1.0, 80), STANDARDISED).signals[0].first + 1 for _ in range(3_000)]
    # The table's 10.4 within four standard errors, and no more than a tenth wide.
    error = 4 * np.std(firsts) / math.sqrt(len(firsts))
    assert error < 1.0
    assert np.mean(firsts) == pytest.approx(10.376, abs=error)


def test_each_rule_says_since_when() -> None:
    charts = chart_series([0.1, -0.2, 1.2, 1.4, 1.5, 4.0, 1.9, 2.0, 0.0])
    assert charts.individuals.signals == (Signal(INDIVIDUALS, ABOVE, since=5, first=5, last=5),)
    assert charts.moving_range.signals == ()
    # By hand: sums 0, 0, 0.7, 1.6, 2.6, 6.1, 7.5, 9.0, 8.5, above 5 from observation 5.
    assert charts.cusum.signals == (Signal(CUSUM, ABOVE, since=2, first=5, last=8),)
    # By hand: averages 0.02, −0.024, 0.2208 …; 1.332 at observation 5 is the first above its limit, 0.953.
    assert charts.ewma.signals == (Signal(EWMA, ABOVE, since=2, first=5, last=8),)
    assert [signal.rule for signal in charts.signals] == [EWMA, CUSUM, INDIVIDUALS]


def test_a_jump_is_signalled_by_the_moving_range_with_both_its_values() -> None:
    chart = chart_moving_range([0.0, 0.0, 5.0, 5.0, 0.0, 9.0], STANDARDISED)
    assert chart.signals == (
        Signal(MOVING_RANGE, ABOVE, since=1, first=2, last=2),
        Signal(MOVING_RANGE, ABOVE, since=3, first=4, last=5),
    )


@given(series)
@any_speed
def test_mirrored_values_give_mirrored_signals(values: list[float]) -> None:
    signals = chart_series(values).signals
    mirrored = chart_series([-value for value in values]).signals
    other = {ABOVE: BELOW, BELOW: ABOVE}
    assert {(s.rule, s.since, s.first, s.last, s.side) for s in mirrored} == {
        (s.rule, s.since, s.first, s.last, s.side if s.rule == MOVING_RANGE else other[s.side])
        for s in signals
    }


@given(series)
@any_speed
def test_a_power_of_two_as_the_unit_changes_no_signal(values: list[float]) -> None:
    raw = chart_series([8 * value for value in values], Baseline(0, 8))
    assert raw.signals == chart_series(values).signals


@given(series)
@any_speed
def test_the_cusum_is_the_walk_above_its_own_minimum(values: list[float]) -> None:
    walk = list(itertools.accumulate((value - 0.5 for value in values), initial=0.0))
    twin = [here - min(walk[: i + 1]) for i, here in enumerate(walk)][1:]
    assert chart_cusum(values, STANDARDISED).high == pytest.approx(twin, abs=1e-9)


@given(series, st.floats(0.01, 1.0))
@any_speed
def test_the_ewma_is_a_weighted_sum_and_its_limits_the_sum_s_deviation(
    values: list[float], weight: float
) -> None:
    chart = chart_ewma(values, STANDARDISED, weight, 3.0)
    for i in range(len(values)):
        weights = [weight * (1 - weight) ** (i - j) for j in range(i + 1)]
        assert chart.points[i] == pytest.approx(math.fsum(map(float.__mul__, weights, values)), abs=1e-9)
        assert chart.upper[i] == pytest.approx(3 * math.sqrt(math.fsum(w * w for w in weights)), rel=1e-9)


@given(series)
@any_speed
def test_every_point_beyond_a_limit_lies_in_one_signal(values: list[float]) -> None:
    chart = chart_ewma(values, STANDARDISED)
    beyond = {i for i in range(len(values)) if not chart.lower[i] <= chart.points[i] <= chart.upper[i]}
    covered = [i for signal in chart.signals for i in range(signal.first, signal.last + 1)]
    assert sorted(covered) == sorted(beyond)
    assert all(0 <= signal.since <= signal.first for signal in chart.signals)


def test_a_series_without_values_has_empty_charts() -> None:
    charts = chart_series([])
    assert charts.signals == ()
    assert charts.moving_range.points.size == charts.cusum.high.size == 0


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: chart_series([1.0, math.nan]), "value 1 of the series: nan"),
        (lambda: chart_series([math.inf]), "value 0 of the series: inf"),
        (lambda: chart_series([[1.0], [2.0]]), "one row of values"),
        (lambda: estimate_baseline([1.0]), "values of the series: 1 given, at least 2"),
        (lambda: estimate_baseline([2.0, 2.0, 2.0]), "mean moving range: 0.0"),
        (lambda: Baseline(0, 0), "standard deviation: 0"),
        (lambda: Baseline(math.nan, 1), "centre line: nan"),
        (lambda: Baseline(0, 1e200), "standard deviation: 1e"),
        (lambda: chart_ewma([1.0], STANDARDISED, weight=0.0), "EWMA weight: 0.0"),
        (lambda: chart_ewma([1.0], STANDARDISED, width_sigmas=-1), "width of the EWMA limits: -1 σ"),
        (lambda: chart_cusum([1.0], STANDARDISED, k_sigmas=-0.1), "allowance k: -0.1 σ"),
        (lambda: chart_cusum([1.0], STANDARDISED, h_sigmas=0), "decision interval h: 0 σ"),
    ],
)
def test_it_refuses_what_it_cannot_chart(call: Callable[[], object], words: str) -> None:
    with pytest.raises(RefusedError, match=words.replace("(", r"\(")):
        call()
