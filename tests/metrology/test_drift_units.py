"""Stacked units against statsmodels, the dense twin, and the filter of independent series."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleetcal.metrology import drift_units
from fleetcal.metrology.budget import RefusedError
from fleetcal.metrology.drift_batches import UnitBatch, share_noise, split_units, stack_series
from fleetcal.metrology.drift_filter import filter_series
from fleetcal.metrology.drift_model import DriftState, Floats, start_states
from fleetcal.metrology.drift_units import FilteredUnits, filter_units
from tests.metrology.drift_cases import (
    TYPES,
    condition_densely,
    make_series,
    make_units,
    model_unit,
    smooth_by_statsmodels,
)

SEEDS = st.integers(0, 2**32 - 1)


def assert_same_state(one: DriftState, other: DriftState) -> None:
    np.testing.assert_allclose(one.mean, other.mean, rtol=1e-8, atol=1e-12)
    np.testing.assert_allclose(one.covariance, other.covariance, rtol=1e-8, atol=1e-16)


@pytest.mark.parametrize(("seed", "groups"), [(0, 1), (1, 2), (2, 3), (3, 3), (4, 4)])
def test_stacked_units_agree_with_statsmodels(seed: int, groups: int) -> None:
    units, start = make_units(np.random.default_rng(seed), steps=16, groups=groups)
    filtered = filter_units(units, TYPES, start)
    for unit in range(units.kind.shape[1]):
        oracle = smooth_by_statsmodels(model_unit(units, TYPES, unit), start, unit)
        assert filtered.log_likelihood[unit] == pytest.approx(oracle.llf_obs.sum(), rel=1e-8)
        at = DriftState(
            filtered.state.mean[:, unit : unit + 1], filtered.state.covariance[:, :, unit : unit + 1]
        )
        assert_same_state(at, DriftState(oracle.filtered_state[:, -1:], oracle.filtered_state_cov[:, :, -1:]))
        rows = np.concatenate((filtered.innovation, filtered.gross_innovation[:, None]), axis=1)
        seen = np.concatenate((units.observed, units.gross_observed[:, None]), axis=1)[:, :, unit]
        np.testing.assert_allclose(
            rows[:, :, unit][seen], oracle.forecasts_error.T[seen], rtol=1e-8, atol=1e-12
        )
        variances = np.concatenate(
            (filtered.innovation_variance, filtered.gross_innovation_variance[:, None]), axis=1
        )
        oracle_variances = np.einsum("iit->ti", oracle.forecasts_error_cov)
        np.testing.assert_allclose(variances[:, :, unit][seen], oracle_variances[seen], rtol=1e-8)
        assert (rows[:, :, unit][~seen] == 0.0).all()
        assert (variances[:, :, unit][~seen] == 1.0).all()


@pytest.mark.parametrize("seed", range(3))
def test_stacked_units_equal_dense_gaussian_conditioning(seed: int) -> None:
    units, start = make_units(np.random.default_rng(seed + 50), steps=7)
    filtered = filter_units(units, TYPES, start)
    for unit in range(units.kind.shape[1]):
        twin = condition_densely(model_unit(units, TYPES, unit), start, unit)
        assert filtered.log_likelihood[unit] == pytest.approx(twin.log_likelihood, rel=1e-9)
        at = DriftState(
            filtered.state.mean[:, unit : unit + 1], filtered.state.covariance[:, :, unit : unit + 1]
        )
        assert_same_state(at, DriftState(twin.means[-1][:, None], twin.covariances[-1][:, :, None]))


def test_units_of_one_group_are_series() -> None:
    batch, start = make_series(np.random.default_rng(5), steps=20)
    series, units = filter_series(batch, TYPES, start), filter_units(stack_series(batch), TYPES, start)
    np.testing.assert_allclose(series.log_likelihood, units.log_likelihood, rtol=1e-10)
    np.testing.assert_allclose(series.innovation, units.innovation[:, 0], rtol=1e-9, atol=1e-13)
    assert_same_state(series.state, units.state)


def without_shared_noise(units: UnitBatch) -> UnitBatch:
    own = units.noise_covariance * np.eye(units.kind.shape[0])[:, :, None]
    return replace(units, noise_covariance=own)


def test_groups_that_share_no_noise_are_as_good_as_apart() -> None:
    units, start = make_units(np.random.default_rng(6))
    units = replace(without_shared_noise(units), gross_observed=np.zeros_like(units.gross_observed))
    groups, count = units.kind.shape
    stacked = filter_units(units, TYPES, start)
    series = split_units(units)
    apart = filter_series(series, TYPES, start_states(TYPES, series.kind, 0.0025, 0.0035))
    np.testing.assert_allclose(
        stacked.log_likelihood, apart.log_likelihood.reshape(groups, count).sum(axis=0), rtol=1e-10
    )
    np.testing.assert_allclose(
        stacked.state.mean.reshape(3, groups, count),
        apart.state.mean.reshape(3, groups, count),
        rtol=1e-8,
        atol=1e-12,
    )


def make_one_ticket(rng: np.random.Generator) -> tuple[UnitBatch, DriftState]:
    """One gross-only ticket after 90 days, its groups' noise shared in part."""
    units, start = make_units(rng, steps=1, count=6)
    return (
        replace(
            units,
            gap_days=np.full((1, 6), 90.0),
            observed=np.zeros_like(units.observed),
            gross_observed=np.ones_like(units.gross_observed),
            jump_share=None,
            resets=None,
        ),
        start,
    )


@given(SEEDS)
@settings(max_examples=25, deadline=None)
def test_a_gross_ticket_is_an_observation_of_the_sum_of_its_groups(seed: int) -> None:
    units, start = make_one_ticket(np.random.default_rng(seed))
    filtered = filter_units(units, TYPES, start)
    before = filter_units(
        replace(units, gross_observed=np.zeros_like(units.gross_observed)), TYPES, start
    ).state
    for unit in range(units.kind.shape[1]):
        kg = units.full_load_kg[:, unit]
        # In kg: the gross error is the plain sum of the groups' errors, and so is its noise.
        h = np.concatenate((kg, kg * units.load_ratio[0, :, unit], np.zeros(3)))
        repeat = [TYPES[kind].repeatability ** 2 for kind in units.kind[:, unit]]
        noise = units.noise_covariance[0, :, :, unit] + np.diag(repeat * units.repeat_weight[0, :, unit])
        p, x = before.covariance[:, :, unit], before.mean[:, unit]
        s_kg2 = h @ p @ h + kg @ noise @ kg
        v_kg = kg.sum() * units.gross_error[0, unit] - h @ x
        np.testing.assert_allclose(
            filtered.state.mean[:, unit], x + p @ h * v_kg / s_kg2, rtol=1e-9, atol=1e-14
        )
        np.testing.assert_allclose(
            filtered.state.covariance[:, :, unit], p - np.outer(p @ h, p @ h) / s_kg2, rtol=1e-9, atol=1e-17
        )
        assert filtered.gross_innovation[0, unit] * kg.sum() == pytest.approx(v_kg, rel=1e-9)


def test_a_weighing_of_the_whole_is_a_noise_that_all_groups_share() -> None:
    units, start = make_one_ticket(np.random.default_rng(1))
    nothing = np.zeros_like(units.load_ratio)
    whole = replace(units, repeat_weight=nothing, noise_covariance=share_noise(nothing, nothing + 0.004))
    silent = replace(whole, noise_covariance=share_noise(nothing, nothing + 1e-4))
    variances = [filter_units(each, TYPES, start).gross_innovation_variance for each in (whole, silent)]
    np.testing.assert_allclose(variances[0] - variances[1], 0.004**2 - 1e-4**2, rtol=1e-9)


def test_a_gross_ticket_tells_less_than_one_of_groups_but_something() -> None:
    units, start = make_one_ticket(np.random.default_rng(2))
    by_groups = replace(
        units, observed=np.ones_like(units.observed), gross_observed=np.zeros_like(units.gross_observed)
    )
    unseen = replace(units, gross_observed=np.zeros_like(units.gross_observed))
    u2_nothing, u2_gross, u2_groups = (
        np.einsum("iin->n", filter_units(each, TYPES, start).state.covariance)
        for each in (unseen, units, by_groups)
    )
    assert (u2_groups < u2_gross).all()
    assert (u2_gross < u2_nothing).all()


def test_noise_in_common_widens_the_gross_and_not_the_groups() -> None:
    units, start = make_one_ticket(np.random.default_rng(3))
    shared = share_noise(np.full((1, 3, 6), 1e-3), np.full((1, 3, 6), 0.01))
    own = shared * np.eye(3)[:, :, None]

    def find_variances(covariance: Floats) -> tuple[Floats, Floats]:
        gross = filter_units(replace(units, noise_covariance=covariance), TYPES, start)
        seen = replace(
            units,
            noise_covariance=covariance,
            observed=np.ones_like(units.observed),
            gross_observed=np.zeros_like(units.gross_observed),
        )
        return gross.gross_innovation_variance, filter_units(seen, TYPES, start).innovation_variance

    (gross_shared, groups_shared), (gross_own, groups_own) = find_variances(shared), find_variances(own)
    assert (gross_shared > gross_own).all()
    np.testing.assert_allclose(groups_shared, groups_own, rtol=1e-12)


def pick(units: UnitBatch, order: list[int], gap_days: Floats) -> UnitBatch:
    names = (
        "observed",
        "load_ratio",
        "error",
        "repeat_weight",
        "noise_covariance",
        "gross_observed",
        "gross_error",
    )
    chosen = {name: getattr(units, name)[order] for name in names}
    return replace(units, gap_days=gap_days, jump_share=None, resets=None, **chosen)


@given(SEEDS)
@settings(max_examples=20, deadline=None)
def test_the_order_of_simultaneous_tickets_does_not_matter(seed: int) -> None:
    units, start = make_units(np.random.default_rng(seed))
    gaps = units.gap_days.copy()
    gaps[4:8] = 0.0
    order = [0, 1, 2, *(3 + np.random.default_rng(seed).permutation(5)), 8, 9]
    one = filter_units(pick(units, list(range(10)), gaps), TYPES, start)
    other = filter_units(pick(units, order, gaps), TYPES, start)
    np.testing.assert_allclose(one.log_likelihood, other.log_likelihood, rtol=1e-9)
    assert_same_state(one.state, other.state)


@given(SEEDS)
@settings(max_examples=20, deadline=None)
def test_one_ticket_of_groups_may_be_split_where_its_noise_is_not_shared(seed: int) -> None:
    units, start = make_units(np.random.default_rng(seed))
    units = without_shared_noise(replace(units, jump_share=None, resets=None))
    first_only = units.observed.copy()
    first_only[:, 1:] = False
    order = [step for step in range(10) for _ in range(2)]
    twice = pick(units, order, np.where(np.arange(20)[:, None] % 2 == 0, units.gap_days[order], 0.0))
    seen, gross = twice.observed.copy(), twice.gross_observed.copy()
    seen[::2] = first_only
    seen[1::2] &= ~first_only
    gross[1::2] = False
    split = filter_units(replace(twice, observed=seen, gross_observed=gross), TYPES, start)
    together = filter_units(units, TYPES, start)
    np.testing.assert_allclose(split.log_likelihood, together.log_likelihood, rtol=1e-9)
    assert_same_state(split.state, together.state)


@given(SEEDS, st.integers(0, 8))
@settings(max_examples=20, deadline=None)
def test_a_ticket_without_values_is_skipped(seed: int, step: int) -> None:
    units, start = make_units(np.random.default_rng(seed))
    seen, gross, gaps = units.observed.copy(), units.gross_observed.copy(), units.gap_days.copy()
    seen[step] = gross[step] = False
    gaps[step + 1] += gaps[step]
    left = [each for each in range(10) if each != step]
    blank = replace(units, observed=seen, gross_observed=gross, jump_share=None, resets=None)
    one = filter_units(blank, TYPES, start)
    other = filter_units(pick(units, left, gaps[left]), TYPES, start)
    np.testing.assert_allclose(one.log_likelihood, other.log_likelihood, rtol=1e-9)
    assert_same_state(one.state, other.state)


@given(SEEDS, st.sampled_from([1e-6, 1e-4, 1e-2]))
@settings(max_examples=25, deadline=None)
def test_the_covariance_stays_non_negative_and_symmetric(seed: int, scale: float) -> None:
    rng = np.random.default_rng(seed)
    units, _ = make_units(rng, steps=20, count=10)
    quiet = replace(
        units,
        repeat_weight=np.zeros_like(units.repeat_weight),
        noise_covariance=units.noise_covariance * scale,
    )
    covariance = filter_units(quiet, TYPES, start_states(TYPES, units.kind, 0.05, 0.05)).state.covariance
    np.testing.assert_array_equal(covariance, covariance.swapaxes(0, 1))
    u = np.sqrt(np.einsum("iin->ni", covariance))
    correlation = covariance.transpose(2, 0, 1) / (u[:, :, None] * u[:, None])
    assert np.linalg.eigvalsh(correlation).min() > -1e-9


def test_the_size_of_a_chunk_changes_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    units, start = make_units(np.random.default_rng(11), count=7)
    whole = filter_units(units, TYPES, start)
    monkeypatch.setattr(drift_units, "CHUNK", 2)
    cut_up = filter_units(units, TYPES, start)

    def list_arrays(filtered: FilteredUnits) -> list[Floats]:
        return [
            filtered.log_likelihood,
            filtered.innovation,
            filtered.gross_innovation,
            filtered.state.covariance,
        ]

    for one, other in zip(list_arrays(whole), list_arrays(cut_up), strict=True):
        np.testing.assert_allclose(one, other, rtol=1e-12, atol=1e-18)


def test_it_refuses_a_noise_covariance_that_is_not_positive() -> None:
    units, start = make_units(np.random.default_rng(4), steps=1)
    bad = np.broadcast_to(-np.ones((3, 3)) + 2 * np.eye(3), (1, 4, 3, 3)).transpose(0, 2, 3, 1).copy() * 1.0
    refused = replace(
        units,
        noise_covariance=bad * 4.0,
        observed=np.ones_like(units.observed),
        gross_observed=np.zeros_like(units.gross_observed),
    )
    with pytest.raises(RefusedError, match="innovation variance"):
        filter_units(refused, TYPES, start)
