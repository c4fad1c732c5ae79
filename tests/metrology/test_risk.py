"""Risk, due dates and look-back: printed case, what decided, and properties."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm

from fleetcal.metrology.budget import RefusedError
from fleetcal.metrology.drift_filter import filter_series
from fleetcal.metrology.drift_model import DriftState, start_states
from fleetcal.metrology.drift_smoother import smooth_days, smooth_units
from fleetcal.metrology.drift_units import filter_units
from fleetcal.metrology.risk import (
    BY_FIXED,
    BY_LONGEST,
    BY_RECORD,
    BY_RISK,
    BY_SHORTEST,
    DueRule,
    ErrorForecast,
    find_crossings,
    find_due_dates,
    find_risk,
    forecast_gross,
    forecast_group,
    judge_gross,
    judge_group,
    look_back,
)
from tests.metrology.drift_cases import DAYS_PER_MONTH, TYPES, make_gaussian_case, make_units

ONE = np.ones(1)


def forecast_printed_case() -> ErrorForecast:
    batch, start, parameters = make_gaussian_case()
    return forecast_group(filter_series(batch, parameters, start).state, parameters, batch.kind, 0, ONE)


@pytest.mark.parametrize(
    ("months", "risk"),
    [(0, 0.00327466), (3, 0.01820339), (6, 0.03929409), (9, 0.07238627), (12, 0.12094420)],
)  # computed for this project by dense conditioning, as are the next two tables
def test_the_printed_risk_at_a_tolerance_of_3_per_cent(months: float, risk: float) -> None:
    mean, variance = forecast_printed_case().predict(months * DAYS_PER_MONTH)
    assert find_risk(mean, variance, 0.03)[0] == pytest.approx(risk, abs=5e-9)


def test_the_printed_mean_and_deviation_after_nine_months() -> None:
    mean, variance = forecast_printed_case().predict(9 * DAYS_PER_MONTH)
    assert mean[0] * 100 == pytest.approx(-0.339237, abs=5e-7)
    assert variance[0] ** 0.5 * 100 == pytest.approx(1.634996, abs=5e-7)


@pytest.mark.parametrize(("limit", "months"), [(0.02, 3.294620), (0.05, 7.138242), (0.10, 10.806191)])
def test_the_printed_due_dates(limit: float, months: float) -> None:
    due = find_due_dates(forecast_printed_case(), 0.03 * ONE, DueRule(limit, 0.0 * ONE, 730.0 * ONE))
    assert due.days[0] / DAYS_PER_MONTH == pytest.approx(months, abs=5e-7)
    assert due.decided_by[0] == BY_RISK
    assert due.risk[0] == pytest.approx(limit, rel=1e-7)


@pytest.mark.parametrize(
    ("earliest", "latest", "demanded", "days", "decided"),
    [
        (0.0, 100.0, np.inf, 100.0, BY_LONGEST),
        (300.0, 400.0, np.inf, 300.0, BY_SHORTEST),
        (0.0, 400.0, 12.0, 12.0, BY_RECORD),
        (300.0, 400.0, 12.0, 12.0, BY_RECORD),
        (0.0, 400.0, 350.0, 217.2702, BY_RISK),
        (-90.0, -30.0, np.inf, -30.0, BY_LONGEST),
    ],
)
def test_which_rule_decided(
    earliest: float, latest: float, demanded: float, days: float, decided: str
) -> None:
    rule = DueRule(0.05, earliest * ONE, latest * ONE, demanded_days=demanded * ONE)
    due = find_due_dates(forecast_printed_case(), 0.03 * ONE, rule)
    assert due.days[0] == pytest.approx(days, abs=1e-3)
    assert due.decided_by[0] == decided


@pytest.mark.parametrize(("demanded", "days", "decided"), [(np.inf, 365.0, BY_FIXED), (3.0, 3.0, BY_RECORD)])
def test_the_fixed_interval_rules_where_the_model_has_too_little_to_say(
    demanded: float, days: float, decided: str
) -> None:
    rule = DueRule(
        0.05,
        0.0 * ONE,
        400.0 * ONE,
        fixed_days=365.0 * ONE,
        informed=np.array([False]),
        demanded_days=demanded * ONE,
    )
    due = find_due_dates(forecast_printed_case(), 0.03 * ONE, rule)
    assert (due.days[0], due.decided_by[0]) == (days, decided)
    informed = find_due_dates(forecast_printed_case(), 0.03 * ONE, replace(rule, informed=np.array([True])))
    assert informed.decided_by[0] == (BY_RISK if demanded > 300 else BY_RECORD)


def make_forecast(mean: float, per_day: float, u: float, walk_per_day: float) -> ErrorForecast:
    return ErrorForecast(mean * ONE, per_day * ONE, u**2 * ONE, walk_per_day * ONE, 0.0 * ONE)


def test_a_display_that_is_out_of_tolerance_today_is_due_today() -> None:
    forecast = make_forecast(0.05, 0.0, 0.01, 1e-7)
    assert find_crossings(forecast, 0.03 * ONE, 0.05, 400.0 * ONE)[0] == 0.0


def test_a_risk_that_falls_before_it_rises_is_found_at_its_first_crossing() -> None:
    # From −2 % through zero to +2 %: the risk falls for half a year, and passes the limit only on the way up.
    forecast = make_forecast(-0.02, 0.04 / 365, 0.006, 1e-8)
    days = np.linspace(0.0, 500.0, 50_001)
    risk = find_risk(*forecast.predict(days), 0.03)
    assert risk[0] > risk[20_000] < risk[-1]
    first = days[(risk > 0.06).argmax()]
    assert first > 300.0
    assert find_crossings(forecast, 0.03 * ONE, 0.06, 500.0 * ONE)[0] == pytest.approx(first, abs=0.011)


def test_the_last_days_before_the_longest_interval_are_scanned_too() -> None:
    forecast = make_forecast(0.0, 0.0003, 0.002, 0.0)
    crossing = find_crossings(forecast, 0.03 * ONE, 0.05, 500.0 * ONE)[0]
    short = np.floor(crossing) + 1.0
    assert find_crossings(forecast, 0.03 * ONE, 0.05, short * ONE)[0] == pytest.approx(crossing, abs=1e-6)
    assert np.isinf(find_crossings(forecast, 0.03 * ONE, 0.05, (short - 1.0) * ONE)[0])


@given(
    st.floats(-0.04, 0.04),
    st.floats(-1e-4, 1e-4),
    st.floats(1e-4, 0.03),
    st.floats(0.0, 1e-6),
    st.floats(1e-3, 0.5),
)
@settings(max_examples=100, deadline=None)
def test_below_the_limit_before_the_due_day_and_above_after(
    mean: float, per_day: float, u: float, walk: float, limit: float
) -> None:
    forecast = make_forecast(mean, per_day, u, walk)
    crossing = find_crossings(forecast, 0.03 * ONE, limit, 600.0 * ONE)[0]
    by_week = find_risk(*forecast.predict(np.arange(0.0, min(crossing, 600.0), 7.0)), 0.03)
    assert (by_week <= limit).all()
    if np.isfinite(crossing):
        assert find_risk(*forecast.predict(crossing), 0.03)[0] > limit
    else:
        assert find_risk(*forecast.predict(600.0), 0.03)[0] <= limit


def test_a_fleet_is_searched_as_its_vehicles_one_by_one() -> None:
    rng = np.random.default_rng(4)
    columns = (
        rng.normal(0.0, 0.015, 40),
        rng.normal(0.0, 3e-5, 40),
        rng.uniform(1e-6, 1e-4, 40),
        rng.uniform(0, 1e-6, 40),
        np.zeros(40),
    )
    fleet = ErrorForecast(*columns)
    until = rng.uniform(-10.0, 700.0, 40)
    together = find_crossings(fleet, np.full(40, 0.03), 0.05, until)
    for place, crossing in enumerate(together):
        alone = ErrorForecast(*(each[place : place + 1] for each in columns))
        assert find_crossings(alone, 0.03 * ONE, 0.05, until[place : place + 1])[0] == pytest.approx(
            crossing, abs=1e-6
        )


@pytest.mark.parametrize(
    ("mean", "u", "risk"),
    [(0.0, 0.0, 0.0), (0.031, 0.0, 1.0), (-0.03, 0.0, 0.0), (0.03, 1e-12, 0.5), (0.0, 0.01, 0.0026998)],
)
def test_the_risk_of_an_error_that_is_known_and_of_one_that_is_not(
    mean: float, u: float, risk: float
) -> None:
    assert find_risk(mean, u**2, 0.03) == pytest.approx(risk, abs=5e-8)


def test_a_variance_rounded_below_zero_is_a_known_error() -> None:
    assert find_risk(0.01, -1e-20, 0.03) == 0.0


@pytest.mark.parametrize("seed", range(3))
def test_a_forecast_is_the_filter_s_own_prediction(seed: int) -> None:
    units, start = make_units(np.random.default_rng(seed))
    state = filter_units(units, TYPES, start).state
    ratio = np.random.default_rng(seed).uniform(0.3, 1.0, units.kind.shape)
    days = 123.0
    shape = (1, *units.kind.shape)
    ahead = replace(
        units,
        gap_days=np.full((1, 4), days),
        observed=np.ones(shape, dtype=bool),
        load_ratio=ratio[None],
        error=np.zeros(shape),
        repeat_weight=np.zeros(shape),
        noise_covariance=np.eye(3)[None, :, :, None] * np.full((1, 1, 1, 4), 1e-10),
        gross_observed=np.zeros((1, 4), dtype=bool),
        gross_error=np.zeros((1, 4)),
        jump_share=None,
        resets=None,
    )
    seen = filter_units(ahead, TYPES, state)
    for group in range(3):
        mean, variance = forecast_group(state, TYPES, units.kind, group, ratio[group]).predict(days)
        np.testing.assert_allclose(mean, -seen.innovation[0, group], rtol=1e-10)
        np.testing.assert_allclose(variance, seen.innovation_variance[0, group] - 1e-10, rtol=1e-9)
    gross = replace(ahead, observed=~ahead.observed, gross_observed=~ahead.gross_observed)
    seen = filter_units(gross, TYPES, state)
    mean, variance = forecast_gross(state, TYPES, units.kind, units.full_load_kg, ratio).predict(days)
    np.testing.assert_allclose(mean, -seen.gross_innovation[0], rtol=1e-10)
    noise = (units.gross_weights**2).sum(axis=0) * 1e-10
    np.testing.assert_allclose(variance, seen.gross_innovation_variance[0] - noise, rtol=1e-9)


def test_the_gross_error_in_kg_is_the_sum_of_the_groups_errors() -> None:
    units, start = make_units(np.random.default_rng(7))
    smoothed = smooth_units(units, TYPES, start)
    ratio = np.full(units.kind.shape, 0.8)
    gross, variance = judge_gross(smoothed, units.full_load_kg, ratio)
    groups_kg = [
        judge_group(smoothed, group, ratio[group])[0] * units.full_load_kg[group] for group in range(3)
    ]
    np.testing.assert_allclose(gross * units.full_load_kg.sum(axis=0), sum(groups_kg), rtol=1e-9, atol=1e-9)
    assert (variance > 0.0).all()


def test_a_failed_check_dates_the_day_on_which_the_display_went_wrong() -> None:
    units, _ = make_units(np.random.default_rng(1), steps=3, groups=1, count=1)
    shape = (3, 1, 1)
    units = replace(
        units,
        kind=np.zeros((1, 1), dtype=np.int64),
        gap_days=np.array([[30.0], [70.0], [200.0]]),
        observed=np.ones(shape, dtype=bool),
        gross_observed=np.zeros((3, 1), dtype=bool),
        load_ratio=np.ones(shape),
        # Good after 30 and 100 days, 7 % too much after 300.
        error=np.array([0.002, 0.001, 0.07]).reshape(shape),
        repeat_weight=np.full(shape, 0.05),
        noise_covariance=np.full((3, 1, 1, 1), 1e-6),
        jump_share=np.zeros(shape),
        resets=None,
    )
    days = np.arange(0.0, 301.0)
    start = start_states(TYPES, units.kind, 0.0025, 0.0035)
    mean, variance = judge_group(smooth_days(units, TYPES, start, days), 0, ONE)
    back = look_back(days, mean[:, 0], variance[:, 0], 0.03)
    assert back.probability[:100].max() < 1e-3
    assert back.probability[300] > 0.999
    firsts = back.first_above_5, back.first_above_50, back.first_above_95
    assert None not in firsts
    assert 100.0 < firsts[0] < firsts[1] < firsts[2] < 300.0  # type: ignore[operator]
    # Half way in probability lies where the smoothed mean passes the tolerance.
    assert mean[int(firsts[1] or 0), 0] == pytest.approx(0.03, abs=5e-4)
    expected = norm.sf(0.03, mean[250, 0], variance[250, 0] ** 0.5)
    assert back.probability[250] == pytest.approx(expected, rel=1e-6)


def test_a_display_that_never_went_wrong_has_no_first_day() -> None:
    back = look_back(np.arange(5.0), np.zeros(5), np.full(5, 1e-6), 0.03)
    assert (back.first_above_5, back.first_above_50, back.first_above_95) == (None, None, None)


def test_it_refuses_days_out_of_order() -> None:
    with pytest.raises(RefusedError, match="out of order"):
        look_back(np.array([0.0, 2.0, 1.0]), np.zeros(3), np.ones(3), 0.03)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"limit": 0.0}, "risk limit"),
        ({"limit": 1.0}, "risk limit"),
        ({"earliest_days": 401.0 * ONE}, "longest \\+ 1"),
        ({"latest_days": np.inf * ONE}, "longest interval: inf"),
        ({"fixed_days": 30.0 * ONE}, "together"),
        ({"latest_days": np.full(2, 400.0)}, "shape of longest interval"),
        ({"demanded_days": np.zeros(2)}, "shape of demanded day"),
        ({"demanded_days": np.nan * ONE}, "demanded day"),
    ],
)
def test_it_refuses_a_rule_that_cannot_be_followed(changes: dict[str, object], words: str) -> None:
    rule = DueRule(0.05, 0.0 * ONE, 400.0 * ONE)
    with pytest.raises(RefusedError, match=words):
        replace(rule, **changes)  # type: ignore[arg-type]


def test_it_refuses_a_negative_tolerance_and_days_ahead_that_lie_back() -> None:
    with pytest.raises(RefusedError, match="tolerance"):
        find_risk(0.0, 1.0, -0.01)
    with pytest.raises(RefusedError, match="days ahead"):
        forecast_printed_case().predict(-1.0)


@pytest.mark.parametrize("group", [-1, 3])
def test_it_refuses_a_group_that_the_unit_does_not_have(group: int) -> None:
    units, start = make_units(np.random.default_rng(0))
    with pytest.raises(RefusedError, match="0 to 2"):
        forecast_group(start, TYPES, units.kind, group, np.ones(4))
    with pytest.raises(RefusedError, match="0 to 2"):
        judge_group(smooth_units(units, TYPES, start), group, np.ones(4))


def test_it_refuses_a_state_of_another_size() -> None:
    state = DriftState(np.zeros((3, 2)), np.zeros((3, 3, 2)))
    with pytest.raises(RefusedError, match="6 × 2"):
        forecast_group(state, TYPES, np.zeros((2, 2), dtype=np.int64), 0, np.ones(2))
