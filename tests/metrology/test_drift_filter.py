"""Filter of independent series against statsmodels, the Nile, a dense twin and a printed case."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.optimize import minimize

from fleetcal.metrology import drift_filter
from fleetcal.metrology.budget import RefusedError
from fleetcal.metrology.drift_batches import SeriesBatch, stack_series
from fleetcal.metrology.drift_filter import filter_series
from fleetcal.metrology.drift_model import DriftState, Floats, HyperParameters, start_states
from tests.metrology.drift_cases import (
    DAYS_PER_MONTH,
    NILE_NOISE,
    NILE_WALK,
    TYPES,
    condition_densely,
    make_gaussian_case,
    make_nile,
    make_series,
    model_unit,
    smooth_by_statsmodels,
)

SEEDS = st.integers(0, 2**32 - 1)


@pytest.mark.parametrize("seed", range(4))
def test_the_filter_agrees_with_statsmodels_on_irregular_dates(seed: int) -> None:
    batch, start = make_series(np.random.default_rng(seed), steps=20)
    filtered = filter_series(batch, TYPES, start)
    for unit in range(len(batch.kind)):
        oracle = smooth_by_statsmodels(model_unit(stack_series(batch), TYPES, unit), start, unit)
        seen = batch.observed[:, unit]
        assert filtered.log_likelihood[unit] == pytest.approx(oracle.llf_obs.sum(), rel=1e-8)
        np.testing.assert_allclose(
            filtered.innovation[seen, unit], oracle.forecasts_error[0, seen], rtol=1e-8, atol=1e-12
        )
        np.testing.assert_allclose(
            filtered.innovation_variance[seen, unit], oracle.forecasts_error_cov[0, 0, seen], rtol=1e-8
        )
        np.testing.assert_allclose(
            filtered.state.mean[:, unit], oracle.filtered_state[:, -1], rtol=1e-8, atol=1e-14
        )
        np.testing.assert_allclose(
            filtered.state.covariance[:, :, unit], oracle.filtered_state_cov[:, :, -1], rtol=1e-8, atol=1e-16
        )


@pytest.mark.parametrize("seed", range(4))
def test_the_filter_equals_dense_gaussian_conditioning(seed: int) -> None:
    batch, start = make_series(np.random.default_rng(seed))
    filtered = filter_series(batch, TYPES, start)
    for unit in range(len(batch.kind)):
        twin = condition_densely(model_unit(stack_series(batch), TYPES, unit), start, unit)
        assert filtered.log_likelihood[unit] == pytest.approx(twin.log_likelihood, rel=1e-9)
        np.testing.assert_allclose(filtered.state.mean[:, unit], twin.means[-1], rtol=1e-8, atol=1e-14)
        np.testing.assert_allclose(
            filtered.state.covariance[:, :, unit], twin.covariances[-1], rtol=1e-8, atol=1e-16
        )


def test_the_printed_case_of_offset_gain_and_drift() -> None:
    batch, start, parameters = make_gaussian_case()
    filtered = filter_series(batch, parameters, start)
    seen = batch.observed[:, 0]
    # Computed for this project by dense conditioning, in % of full load and months.
    assert filtered.innovation[seen, 0] * 100 == pytest.approx(
        [0.2500000000, -0.2071532091, 0.7201222933, -2.0368522036, -0.1756249249], abs=5e-11
    )
    assert filtered.innovation_variance[seen, 0] * 1e4 == pytest.approx(
        [1.2075, 0.2817814265, 1.8811148477, 5.5064757416, 0.4929110415], abs=5e-11
    )
    # The density of a value in % is a hundredth of that of the fraction.
    assert filtered.log_likelihood[0] - 5 * np.log(100) == pytest.approx(-5.5187054195, abs=5e-11)
    scale = np.array([100.0, 100.0, 100.0 * DAYS_PER_MONTH])
    assert filtered.state.mean[:, 0] * scale == pytest.approx(
        [-0.31515744, -0.80543353, 0.08681706], abs=5e-9
    )
    covariance = filtered.state.covariance[:, :, 0] * np.outer(scale, scale)
    assert covariance[np.triu_indices(3)] == pytest.approx(
        [0.2816948012, -0.4165554756, -0.0060558624, 1.0292159581, 0.0141603416, 0.0091917295], abs=5e-11
    )


def run_nile(noise: float, walk: float, batch: SeriesBatch) -> drift_filter.FilteredSeries:
    parameters = HyperParameters(0.0, 0.0, walk**0.5, 0.0, noise**0.5, 0.0, 0.0)
    start = start_states((parameters,), batch.kind, noise**0.5, 0.0)
    mean = start.mean.copy()
    mean[0] = batch.error[0]
    return filter_series(batch, (parameters,), replace(start, mean=mean))


def cut(batch: SeriesBatch, steps: int) -> SeriesBatch:
    return pick(batch, np.arange(steps), batch.gap_days[:steps])


def test_the_nile_s_log_likelihood_and_steady_state() -> None:
    filtered = run_nile(NILE_NOISE, NILE_WALK, make_nile())
    assert filtered.log_likelihood[0] == pytest.approx(-632.545625, abs=5e-7)
    assert filtered.innovation_variance[-1, 0] == pytest.approx(20600.257942, abs=5e-7)
    assert filtered.state.covariance[0, 0, 0] == pytest.approx(4032.157942, abs=5e-7)
    assert filtered.state.mean[0, 0] == pytest.approx(798.370293, abs=5e-7)
    ratio = NILE_WALK / NILE_NOISE
    steady = NILE_NOISE * (ratio + (ratio**2 + 4 * ratio) ** 0.5) / 2
    assert filtered.innovation_variance[-1, 0] - NILE_NOISE == pytest.approx(steady, rel=1e-12)
    assert steady / filtered.innovation_variance[-1, 0] == pytest.approx(0.267048, abs=5e-7)


@pytest.mark.parametrize(
    ("year", "level", "variance"),
    [
        (1872, 1140.9278, 7899.7364),
        (1873, 1072.7985, 5781.4699),
        (1874, 1117.3090, 4898.3652),
        (1875, 1129.97, 4478.72),
    ],
)
def test_the_nile_s_first_levels(year: int, level: float, variance: float) -> None:
    filtered = run_nile(NILE_NOISE, NILE_WALK, cut(make_nile(), year - 1871 + 1))
    digits = 5e-3 if year == 1875 else 5e-5
    assert filtered.state.mean[0, 0] == pytest.approx(level, abs=digits)
    assert filtered.state.covariance[0, 0, 0] == pytest.approx(variance, abs=digits)


def test_the_nile_with_two_gaps() -> None:
    seen = np.ones(100, dtype=bool)
    seen[20:40] = seen[60:80] = False
    batch = make_nile(seen)
    assert run_nile(NILE_NOISE, NILE_WALK, batch).log_likelihood[0] == pytest.approx(
        -381.506001 + 0.5 * np.log(2 * np.pi), abs=5e-7
    )
    for steps, variance in ((20, 4032.19616), (40, 33414.19616)):
        filtered = run_nile(NILE_NOISE, NILE_WALK, cut(batch, steps))
        assert filtered.state.mean[0, 0] == pytest.approx(1026.14155507, abs=5e-9)
        assert filtered.state.covariance[0, 0, 0] == pytest.approx(variance, abs=5e-6)


def test_the_nile_s_variances_maximise_the_likelihood() -> None:
    batch = make_nile()

    def judge(logs: Floats) -> float:
        return -float(run_nile(float(np.exp(logs[0])), float(np.exp(logs[1])), batch).log_likelihood[0])

    best = np.exp(
        minimize(judge, np.log([10_000.0, 1_000.0]), method="Nelder-Mead", options={"xatol": 1e-7}).x
    )
    assert best == pytest.approx([15098.52, 1469.17], rel=2e-5)
    assert best == pytest.approx([15099, 1469.1], rel=1e-4)


def pick(batch: SeriesBatch, order: NDArray[np.int64], gap_days: Floats) -> SeriesBatch:
    """The steps of a batch without repairs and calibrations in another order, with other gaps."""
    names = ("observed", "load_ratio", "error", "repeat_weight", "noise_variance")
    return replace(batch, gap_days=gap_days, **{name: getattr(batch, name)[order] for name in names})


def make_quiet_series(seed: int) -> tuple[SeriesBatch, DriftState]:
    batch, start = make_series(np.random.default_rng(seed))
    return replace(batch, jump_share=None, resets=None), start


@given(SEEDS)
@settings(max_examples=30, deadline=None)
def test_the_order_of_simultaneous_observations_does_not_matter(seed: int) -> None:
    batch, start = make_quiet_series(seed)
    gaps = batch.gap_days.copy()
    gaps[4:8] = 0.0
    batch = replace(batch, gap_days=gaps)
    order = np.arange(len(gaps))
    order[3:8] = 3 + np.random.default_rng(seed).permutation(5)
    one, other = filter_series(batch, TYPES, start), filter_series(pick(batch, order, gaps), TYPES, start)
    np.testing.assert_allclose(one.log_likelihood, other.log_likelihood, rtol=1e-10)
    np.testing.assert_allclose(one.state.mean, other.state.mean, rtol=1e-8, atol=1e-12)
    np.testing.assert_allclose(one.state.covariance, other.state.covariance, rtol=1e-8, atol=1e-16)


@given(SEEDS, st.integers(0, 10))
@settings(max_examples=30, deadline=None)
def test_a_missing_observation_is_skipped(seed: int, step: int) -> None:
    batch, start = make_quiet_series(seed)
    seen = batch.observed.copy()
    seen[step] = False
    gaps = batch.gap_days.copy()
    gaps[step + 1] += gaps[step]
    left = np.delete(np.arange(len(gaps)), step)
    shorter = pick(batch, left, gaps[left])
    one, other = (
        filter_series(replace(batch, observed=seen), TYPES, start),
        filter_series(shorter, TYPES, start),
    )
    np.testing.assert_allclose(one.log_likelihood, other.log_likelihood, rtol=1e-10)
    np.testing.assert_allclose(one.state.mean, other.state.mean, rtol=1e-8, atol=1e-12)
    np.testing.assert_allclose(one.state.covariance, other.state.covariance, rtol=1e-8, atol=1e-16)
    assert (one.innovation[step] == 0.0).all()
    assert (one.standardised[step] == 0.0).all()


@given(SEEDS, st.sampled_from([1e-6, 1e-5, 1e-3, 1e-1]), st.sampled_from([1e-6, 1e-4, 1e-2]))
@settings(max_examples=60, deadline=None)
def test_the_covariance_stays_non_negative(seed: int, repeatability: float, walk: float) -> None:
    rng = np.random.default_rng(seed)
    shape = (30, 50)
    batch = SeriesBatch(
        kind=np.zeros(50, dtype=np.int64),
        gap_days=rng.choice([0.0, 0.0, 1.0, 30.0, 400.0], shape),
        observed=np.ones(shape, dtype=bool),
        load_ratio=rng.choice([0.0, 1e-3, 0.5, 1.0, 1.2], shape),
        error=rng.normal(0.0, 0.02, shape),
        repeat_weight=np.ones(shape),
        noise_variance=np.zeros(shape),
    )
    parameters = (HyperParameters(0.0, 1e-3, walk, walk, repeatability, 0.0, 0.0),)
    state = filter_series(batch, parameters, start_states(parameters, batch.kind, 1.0, 1.0)).state
    covariance = state.covariance.transpose(2, 0, 1)
    u = np.sqrt(np.einsum("nii->ni", covariance))
    assert (u > 0.0).all()
    assert np.linalg.eigvalsh(covariance / (u[:, :, None] * u[:, None])).min() > 0.0


def test_a_stored_state_goes_on_where_it_stopped() -> None:
    batch, start = make_quiet_series(3)
    first, rest = cut(batch, 5), pick(batch, np.arange(5, len(batch.gap_days)), batch.gap_days[5:])
    whole, begun = filter_series(batch, TYPES, start), filter_series(first, TYPES, start)
    ended = filter_series(rest, TYPES, begun.state)
    np.testing.assert_array_equal(ended.state.mean, whole.state.mean)
    np.testing.assert_allclose(begun.log_likelihood + ended.log_likelihood, whole.log_likelihood, rtol=1e-12)


def test_the_size_of_a_chunk_changes_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    batch, start = make_series(np.random.default_rng(8), count=11)
    whole = filter_series(batch, TYPES, start)
    monkeypatch.setattr(drift_filter, "CHUNK", 3)
    cut_up = filter_series(batch, TYPES, start)
    np.testing.assert_array_equal(whole.state.covariance, cut_up.state.covariance)
    np.testing.assert_array_equal(whole.innovation, cut_up.innovation)
    np.testing.assert_array_equal(whole.log_likelihood, cut_up.log_likelihood)


def test_the_start_is_not_changed() -> None:
    batch, start = make_series(np.random.default_rng(9))
    mean, covariance = start.mean.copy(), start.covariance.copy()
    filter_series(batch, TYPES, start)
    np.testing.assert_array_equal(start.mean, mean)
    np.testing.assert_array_equal(start.covariance, covariance)


def test_a_fleet_without_a_single_check_keeps_its_start() -> None:
    batch, start = make_quiet_series(1)
    nothing = filter_series(cut(batch, 0), TYPES, start)
    np.testing.assert_array_equal(nothing.state.covariance, start.covariance)
    assert (nothing.log_likelihood == 0.0).all()


def test_checks_near_full_alone_leave_zero_and_span_apart_unknown_but_not_their_sum() -> None:
    batch, _ = make_quiet_series(2)
    full = replace(batch, load_ratio=np.ones_like(batch.load_ratio), observed=np.ones_like(batch.observed))
    wide = start_states(TYPES, batch.kind, 0.03, 0.03)
    covariance = filter_series(full, TYPES, wide).state.covariance
    u_zero, u_full = (
        covariance[0, 0] ** 0.5,
        (covariance[0, 0] + 2 * covariance[0, 1] + covariance[1, 1]) ** 0.5,
    )
    assert (u_zero > 0.02).all()
    assert (u_full < 0.012).all()


def test_it_refuses_a_start_of_another_size() -> None:
    batch, start = make_series(np.random.default_rng(0), count=5)
    with pytest.raises(RefusedError, match="3 × 5"):
        filter_series(batch, TYPES, DriftState(start.mean[:, :4], start.covariance[:, :, :4]))


def test_it_refuses_a_kind_without_parameters() -> None:
    batch, start = make_series(np.random.default_rng(0))
    with pytest.raises(RefusedError, match="kind"):
        filter_series(replace(batch, kind=batch.kind + 2), TYPES, start)
