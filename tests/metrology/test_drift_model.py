"""Shapes, refusals and conversions of the drift model's arrays."""

import math
from dataclasses import replace

import numpy as np
import pytest

from fleetcal.metrology.budget import RefusedError
from fleetcal.metrology.drift_batches import Resets, insert_days, share_noise, split_units, stack_series
from fleetcal.metrology.drift_model import DriftState, start_states
from tests.metrology.drift_cases import DAYS_PER_MONTH, STEEL, TYPES, make_series, make_units


def test_hyper_parameters_are_fractions_and_days() -> None:
    assert STEEL.drift_mean_per_day * DAYS_PER_MONTH == pytest.approx(0.001, rel=1e-12)
    assert STEEL.walk_span_per_sqrt_day * math.sqrt(DAYS_PER_MONTH) == pytest.approx(0.0035, rel=1e-12)


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("drift_mean_per_day", math.nan),
        ("drift_spread_per_day", -1e-9),
        ("walk_zero_per_sqrt_day", math.inf),
        ("walk_span_per_sqrt_day", -1.0),
        ("repeatability", 0.0),
        ("jump_zero", math.nan),
        ("jump_span", -0.01),
    ],
)
def test_it_refuses_hyper_parameters_without_meaning(name: str, value: float) -> None:
    with pytest.raises(RefusedError):
        replace(STEEL, **{name: value})


def test_a_start_knows_zero_and_span_from_the_calibration_and_the_drift_from_the_type() -> None:
    kind = np.array([[0, 1], [1, 1], [0, 0]])
    state = start_states(TYPES, kind, 0.0025, np.full((3, 2), 0.0035))
    assert state.mean.shape == (9, 2)
    assert state.mean[:6].any() == np.False_
    assert state.mean[6:, 0] == pytest.approx([TYPES[each].drift_mean_per_day for each in kind[:, 0]])
    spread = [TYPES[each].drift_spread_per_day ** 2 for each in kind[:, 1]]
    expected = np.diag([0.0025**2] * 3 + [0.0035**2] * 3 + spread)
    np.testing.assert_allclose(state.covariance[:, :, 1], expected, rtol=1e-12, atol=0)


@pytest.mark.parametrize(
    ("name", "value", "words"),
    [
        ("error", np.full((12, 5), np.nan), "errors: nan of full load"),
        ("load_ratio", np.full((12, 5), np.inf), "load ratios: inf"),
        ("gap_days", np.full((12, 5), -1.0), "gaps: -1.0 days"),
        ("gap_days", np.zeros((12, 4)), "shape of kinds"),
        ("observed", np.ones((12, 5)), "type of observed"),
        ("noise_variance", np.full((12, 5), -1e-6), "noise: -1e-06"),
        ("error", np.zeros((12, 4)), "12 × 4 given, 12 × 5"),
        ("jump_share", np.full((12, 5), -0.1), "jump shares: -0.1"),
        ("jump_share", np.zeros(5), "shape of jump shares"),
        (
            "resets",
            Resets(np.ones((12, 5), dtype=bool), np.full((12, 5), -1.0), np.ones((12, 5))),
            "u of zero",
        ),
    ],
)
def test_it_refuses_series_that_cannot_be_computed_with(name: str, value: object, words: str) -> None:
    batch, _ = make_series(np.random.default_rng(0))
    with pytest.raises(RefusedError, match=words):
        replace(batch, **{name: value})  # type: ignore[arg-type]


def test_it_refuses_an_observation_without_uncertainty_but_not_a_missing_one() -> None:
    batch, _ = make_series(np.random.default_rng(0))
    nothing = np.zeros((12, 5))
    with pytest.raises(RefusedError, match="noise of an observation"):
        replace(batch, repeat_weight=nothing, noise_variance=nothing)
    unseen = np.zeros((12, 5), dtype=bool)
    assert replace(batch, repeat_weight=nothing, noise_variance=nothing, observed=unseen).observed.sum() == 0


def test_it_refuses_units_that_cannot_be_computed_with() -> None:
    units, _ = make_units(np.random.default_rng(0))
    with pytest.raises(RefusedError, match=r"full load: 0\.0 kg"):
        replace(units, full_load_kg=np.zeros((3, 4)))
    lopsided = units.noise_covariance.copy()
    lopsided[0, 0, 1] += 1e-6
    with pytest.raises(RefusedError, match="symmetric"):
        replace(units, noise_covariance=lopsided)
    with pytest.raises(RefusedError, match="the gross or groups"):
        replace(units, gross_observed=np.ones((10, 4), dtype=bool))
    with pytest.raises(RefusedError, match="shape of gross errors"):
        replace(units, gross_error=np.zeros((10, 5)))


@pytest.mark.parametrize(
    ("mean", "covariance", "words"),
    [
        (np.zeros((4, 2)), np.zeros((4, 4, 2)), "three for each group"),
        (np.zeros((0, 2)), np.zeros((0, 0, 2)), "three for each group"),
        (np.zeros((3, 2)), np.zeros((3, 3, 3)), "3 × 3 × 2"),
        (np.full((3, 2), np.nan), np.zeros((3, 3, 2)), "state's mean: nan"),
    ],
)
def test_it_refuses_a_state_without_whole_groups(mean: object, covariance: object, words: str) -> None:
    with pytest.raises(RefusedError, match=words):
        DriftState(mean, covariance)  # type: ignore[arg-type]


def test_kinds_must_be_whole_numbers_with_parameters() -> None:
    for kind in (np.array([0.0, 1.0]), np.array([0, 2]), np.array([-1, 0])):
        with pytest.raises(RefusedError, match="kind"):
            start_states(TYPES, kind, 0.0025, 0.0035)


def test_noise_in_common_stands_beside_the_diagonal() -> None:
    covariance = share_noise(np.full((1, 2, 1), 3e-3), np.array([1e-3, 2e-3]).reshape(1, 2, 1))
    np.testing.assert_allclose(covariance[0, :, :, 0], [[10e-6, 2e-6], [2e-6, 13e-6]], rtol=1e-12)


def test_series_survive_being_stacked_and_split_again() -> None:
    batch, _ = make_series(np.random.default_rng(3))
    back = split_units(stack_series(batch))
    for name in (
        "kind",
        "gap_days",
        "observed",
        "load_ratio",
        "error",
        "repeat_weight",
        "noise_variance",
        "jump_share",
    ):
        np.testing.assert_array_equal(getattr(back, name), getattr(batch, name))
    assert back.resets is not None
    assert batch.resets is not None
    np.testing.assert_array_equal(back.resets.at, batch.resets.at)


def test_units_split_into_the_first_groups_of_all_then_the_second() -> None:
    units, _ = make_units(np.random.default_rng(3))
    series = split_units(units)
    np.testing.assert_array_equal(series.error[:, 4:8], units.error[:, 1])
    np.testing.assert_array_equal(series.noise_variance[:, 8:], units.noise_covariance[:, 2, 2])
    np.testing.assert_array_equal(series.gap_days[:, 8:], units.gap_days)


def test_inserted_days_stand_in_order_and_before_what_happens_at_that_moment() -> None:
    units, _ = make_units(np.random.default_rng(5))
    ends = np.cumsum(units.gap_days, axis=0)
    days = np.array([0.0, float(ends[3, 0]), 5_000.0])
    merged, places = insert_days(units, days)
    moments = np.cumsum(merged.gap_days, axis=0)
    np.testing.assert_allclose(
        np.take_along_axis(moments, places, axis=0), np.broadcast_to(days[:, None], (3, 4))
    )
    assert (places[0] == 0).all()
    assert (places[2] == 12).all()
    assert not np.take_along_axis(merged.observed, places[:, None], axis=0).any()
    first_at_that_moment = int(np.flatnonzero(ends[:, 0] == ends[3, 0])[0])
    assert places[1, 0] == first_at_that_moment + 1
    rest = np.delete(np.arange(13), places[:, 2])
    np.testing.assert_array_equal(merged.error[rest, :, 2], units.error[:, :, 2])
    np.testing.assert_array_equal(merged.noise_covariance[rest, :, :, 2], units.noise_covariance[..., 2])
