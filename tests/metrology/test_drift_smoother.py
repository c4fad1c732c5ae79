"""Smoother against statsmodels, the Nile and the dense twin."""

from dataclasses import replace

import numpy as np
import pytest

from fleetcal.metrology.drift_batches import Resets, UnitBatch, stack_series
from fleetcal.metrology.drift_model import DriftState, HyperParameters, start_states
from fleetcal.metrology.drift_smoother import smooth_days, smooth_units
from fleetcal.metrology.drift_units import filter_units
from tests.metrology.drift_cases import (
    NILE_NOISE,
    NILE_WALK,
    TYPES,
    condition_densely,
    make_nile,
    make_units,
    model_unit,
    smooth_by_statsmodels,
)


@pytest.mark.parametrize(("seed", "groups"), [(0, 1), (1, 2), (2, 3), (3, 4)])
def test_the_smoother_agrees_with_statsmodels(seed: int, groups: int) -> None:
    units, start = make_units(np.random.default_rng(seed), steps=16, groups=groups)
    smoothed = smooth_units(units, TYPES, start)
    for unit in range(units.kind.shape[1]):
        oracle = smooth_by_statsmodels(model_unit(units, TYPES, unit), start, unit)
        np.testing.assert_allclose(smoothed.mean[:, :, unit], oracle.smoothed_state.T, rtol=1e-8, atol=1e-12)
        np.testing.assert_allclose(
            smoothed.covariance[..., unit],
            oracle.smoothed_state_cov.transpose(2, 0, 1),
            rtol=1e-8,
            atol=1e-14,
        )


@pytest.mark.parametrize("seed", range(3))
def test_the_smoother_equals_dense_gaussian_conditioning(seed: int) -> None:
    units, start = make_units(np.random.default_rng(seed + 30), steps=7)
    smoothed = smooth_units(units, TYPES, start)
    for unit in range(units.kind.shape[1]):
        twin = condition_densely(model_unit(units, TYPES, unit), start, unit)
        np.testing.assert_allclose(smoothed.mean[:, :, unit], np.array(twin.means), rtol=1e-8, atol=1e-12)
        np.testing.assert_allclose(
            smoothed.covariance[..., unit], np.array(twin.covariances), rtol=1e-8, atol=1e-14
        )


def prepare_nile(units: UnitBatch) -> tuple[tuple[HyperParameters], DriftState]:
    parameters = (HyperParameters(0.0, 0.0, NILE_WALK**0.5, 0.0, NILE_NOISE**0.5, 0.0, 0.0),)
    start = start_states(parameters, units.kind, NILE_NOISE**0.5, 0.0)
    mean = start.mean.copy()
    mean[0] = units.error[0, 0]
    return parameters, replace(start, mean=mean)


def test_the_nile_s_smoothed_levels() -> None:
    # Durbin & Koopman, chapter 2, from memory; further digits computed with statsmodels.
    units = stack_series(make_nile())
    smoothed = smooth_units(units, *prepare_nile(units))
    assert smoothed.mean[:4, 0, 0] == pytest.approx(
        [1111.66832, 1110.85766, 1105.26557, 1113.51560], abs=5e-6
    )
    variance = smoothed.covariance[:, 0, 0, 0]
    assert variance[[0, -1]] == pytest.approx([4032.15794, 4032.15794], abs=5e-6)
    assert variance.min() == pytest.approx(2326.75687, abs=5e-6)


def test_the_nile_smoothed_over_a_gap() -> None:
    seen = np.ones(100, dtype=bool)
    seen[20:40] = seen[60:80] = False
    units = stack_series(make_nile(seen))
    smoothed = smooth_units(units, *prepare_nile(units))
    assert smoothed.mean[29, 0, 0] == pytest.approx(903.421103, abs=5e-7)
    assert smoothed.covariance[29, 0, 0, 0] == pytest.approx(9715.005902, abs=5e-7)


def test_the_last_smoothed_state_is_the_filtered_one() -> None:
    units, start = make_units(np.random.default_rng(9))
    smoothed, filtered = smooth_units(units, TYPES, start), filter_units(units, TYPES, start)
    np.testing.assert_allclose(smoothed.mean[-1], filtered.state.mean, rtol=1e-9, atol=1e-14)
    np.testing.assert_allclose(smoothed.covariance[-1], filtered.state.covariance, rtol=1e-9, atol=1e-17)


def test_what_came_later_never_makes_the_past_less_certain() -> None:
    units, start = make_units(np.random.default_rng(10), steps=14)
    smoothed = smooth_units(units, TYPES, start).covariance
    for steps in range(1, 15):
        names = ("gap_days", "observed", "load_ratio", "error", "repeat_weight", "noise_covariance")
        more = ("gross_observed", "gross_error", "jump_share")
        assert units.resets is not None
        short = replace(
            units,
            resets=units.resets.map(lambda each, end=steps: each[:end]),  # type: ignore[misc]
            **{name: getattr(units, name)[:steps] for name in (*names, *more)},
        )
        filtered = filter_units(short, TYPES, start).state.covariance
        variances = np.einsum("iin->in", smoothed[steps - 1])
        assert (variances <= np.einsum("iin->in", filtered) * (1 + 1e-9)).all()


def test_the_state_on_a_day_between_steps_does_not_move_those_on_the_steps() -> None:
    units, start = make_units(np.random.default_rng(12))
    ends = np.cumsum(units.gap_days, axis=0)
    moments = np.array([0.0, 3.25, 100.5, float(ends[-1, 0])])
    by_day, by_step = smooth_days(units, TYPES, start, moments), smooth_units(units, TYPES, start)
    assert by_day.mean.shape == (4, 9, 4)
    # Day 0 comes before everything: there the start is smoothed and no step of it has happened.
    assert (
        np.einsum("iin->in", by_day.covariance[0]) <= np.einsum("iin->in", start.covariance) * (1 + 1e-9)
    ).all()
    between = np.searchsorted(ends[:, 1], 3.25)
    assert between < len(ends)
    assert not np.allclose(by_day.mean[1, :, 1], by_step.mean[between, :, 1])
    later = smooth_days(units, TYPES, start, ends.max(initial=0.0) + np.array([1e-9]))
    np.testing.assert_allclose(later.mean[0, :, 0][:3], by_step.mean[-1, :, 0][:3], atol=1e-7)


def test_a_smoothed_day_is_what_a_step_without_values_would_have_been() -> None:
    units, start = make_units(np.random.default_rng(13))
    days = np.array([40.0, 41.0, 400.0])
    smoothed = smooth_days(units, TYPES, start, days)
    for unit in range(4):
        model = model_unit(units, TYPES, unit)
        ends = np.cumsum(units.gap_days[:, unit])
        for place, day in enumerate(days):
            # The twin with one more step by hand: half a gap, nothing seen, then the other half.
            step = int(np.searchsorted(ends, day))
            if step == len(ends):
                continue
            extended = insert_by_hand(units, unit, step, day - (ends[step] - units.gap_days[step, unit]))
            twin = condition_densely(model_unit(extended, TYPES, 0), take(start, unit), 0)
            np.testing.assert_allclose(smoothed.mean[place, :, unit], twin.means[step], rtol=1e-7, atol=1e-11)
            np.testing.assert_allclose(
                smoothed.covariance[place, :, :, unit], twin.covariances[step], rtol=1e-7, atol=1e-13
            )
        assert len(model.values) == 10


def take(start: DriftState, unit: int) -> DriftState:
    return DriftState(start.mean[:, unit : unit + 1], start.covariance[:, :, unit : unit + 1])


def insert_by_hand(units: UnitBatch, unit: int, step: int, days_in: float) -> UnitBatch:
    """One unit with a blank step, `days_in` days after step − 1."""
    one = slice(unit, unit + 1)
    names = ("gap_days", "observed", "load_ratio", "error", "repeat_weight", "noise_covariance")
    more = ("gross_observed", "gross_error", "jump_share")
    arrays = {name: np.insert(getattr(units, name)[..., one], step, 0, axis=0) for name in (*names, *more)}
    arrays["gap_days"][step] = days_in
    arrays["gap_days"][step + 1] -= days_in
    assert isinstance(units.resets, Resets)
    resets = units.resets.map(lambda each: np.insert(each[..., one], step, 0, axis=0))
    return replace(
        units, kind=units.kind[:, one], full_load_kg=units.full_load_kg[:, one], resets=resets, **arrays
    )


def test_a_calibration_hides_earlier_errors_from_later_tickets_but_not_the_drift_rate() -> None:
    units, start = make_units(np.random.default_rng(14), steps=6, groups=1, count=1)
    shape = (6, 1, 1)
    reset = np.zeros(shape, dtype=bool)
    reset[3] = True
    quiet = replace(
        units,
        gap_days=np.full((6, 1), 60.0),
        observed=np.ones(shape, dtype=bool),
        gross_observed=np.zeros((6, 1), dtype=bool),
        jump_share=None,
        resets=Resets(reset, np.full(shape, 0.0025), np.full(shape, 0.0035)),
    )
    error = quiet.error.copy()
    error[4:] += 0.05
    shifted = replace(quiet, error=error)
    habit = smooth_units(shifted, TYPES, start).mean - smooth_units(quiet, TYPES, start).mean
    drift = habit[:, 2, 0]
    assert drift[0] > 1e-6
    assert drift == pytest.approx(np.full(6, drift[0]), rel=1e-9)
    assert abs(habit[2, 1, 0]) > 1e-6
    known = tuple(replace(each, drift_spread_per_day=0.0) for each in TYPES)
    start = start_states(known, quiet.kind, 0.0025, 0.0035)
    errors = smooth_units(shifted, known, start).mean - smooth_units(quiet, known, start).mean
    assert (errors[:3] == 0.0).all()
    assert (np.abs(errors[4:, 1]) > 1e-3).all()
