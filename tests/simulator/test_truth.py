"""The true histories have the statistics that their parameters state."""

import math
from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from fleetcal.simulator.truth import (
    DAYS_PER_MONTH,
    DriftParameters,
    GroupTruth,
    Jump,
    Reset,
    TrueHistory,
    draw_history,
    mis_specified,
    well_specified,
)

EPOCH = date(2024, 1, 1)
HORIZON_DAYS = 730


def make_groups(parameters: DriftParameters, count: int, seed: int = 1) -> tuple[GroupTruth, ...]:
    history = draw_history(
        [((1,), "steel", 10000.0)] * count,
        {"steel": parameters},
        epoch=EPOCH,
        horizon_days=HORIZON_DAYS,
        rng=np.random.default_rng(seed),
    )
    return history.groups


def make_still_history(*, span: float = 0.0, zero: float = 0.0, drift_per_day: float = 0.0) -> TrueHistory:
    """One group of 8 t with flat walks, so that every error can be worked out by hand."""
    flat = np.zeros(HORIZON_DAYS + 1)
    parameters = well_specified()["steel"]
    group = GroupTruth((1,), "steel", 8000.0, parameters, drift_per_day, zero, span, flat, flat, ())
    return TrueHistory(EPOCH, (group,))


@pytest.mark.parametrize("suspension", ["steel", "air", "rubber", "mixed"])
def test_the_random_walks_spread_as_their_parameters_say(suspension: str) -> None:
    parameters = well_specified()[suspension]
    groups = make_groups(parameters, 1500)
    months = HORIZON_DAYS / DAYS_PER_MONTH
    # The standard deviation of 1500 draws is itself known to 1/sqrt(3000), 1.8 %.
    for walks, step in (
        ([group.walk_span[-1] for group in groups], parameters.walk_span_per_sqrt_month),
        ([group.walk_zero[-1] for group in groups], parameters.walk_zero_per_sqrt_month),
    ):
        assert np.std(walks) == pytest.approx(step * math.sqrt(months), rel=0.08)
        assert abs(np.mean(walks)) < 4 * step * math.sqrt(months / 1500)


@pytest.mark.parametrize("parameters", [well_specified()["steel"], mis_specified()["steel"]])
def test_drift_rates_and_jumps_have_the_stated_mean_and_spread(parameters: DriftParameters) -> None:
    groups = make_groups(parameters, 4000)
    drifts = np.array([group.drift_per_day for group in groups]) * DAYS_PER_MONTH
    jumps = [jump for group in groups for jump in group.jumps()]
    spans = np.array([jump.span for jump in jumps])
    assert np.mean(drifts) == pytest.approx(parameters.drift_mean_per_month, rel=0.1)
    assert np.std(drifts) == pytest.approx(parameters.drift_spread_per_month, rel=0.15)
    assert len(jumps) / (4000 * HORIZON_DAYS / 365.25) == pytest.approx(parameters.jumps_per_year, rel=0.1)
    assert np.std(spans) == pytest.approx(parameters.jump_span, rel=0.15)
    unrecorded = sum(not jump.recorded for jump in jumps) / len(jumps)
    assert unrecorded == pytest.approx(parameters.unrecorded_share, abs=0.04)


def test_the_mis_specified_jumps_have_heavier_tails_than_normal_ones() -> None:
    def share_beyond_four(parameters: DriftParameters) -> float:
        spans = [jump.span for group in make_groups(parameters, 6000) for jump in group.jumps()]
        return float(np.mean(np.abs(spans) > 4 * parameters.jump_span))

    # Two-sided tail beyond 4 standard deviations: 0.006 % normal, 0.48 % for Student's t(4) (computed).
    assert share_beyond_four(well_specified()["steel"]) < 0.0015
    assert share_beyond_four(mis_specified()["steel"]) == pytest.approx(0.0048, rel=0.6)


def test_residuals_after_recalibration_have_the_stated_spread() -> None:
    rng = np.random.default_rng(5)
    history = make_still_history(zero=0.02, span=0.05)
    residuals = []
    for _ in range(2000):
        (event,) = history.after_recalibration(0, 100.0, rng).groups[0].events
        residuals.append((event.zero, event.span))
    zero, span = np.std(residuals, axis=0)
    assert zero == pytest.approx(0.0025, rel=0.08)
    assert span == pytest.approx(0.0035, rel=0.08)


def test_error_at_a_load_is_zero_error_plus_its_part_of_the_span_error() -> None:
    history = make_still_history(zero=0.01, span=0.02, drift_per_day=0.0001)
    # 8000 kg · (0.01 + 0.5 · (0.02 + 0.0001 · 100)) = 200 kg
    assert history.error_kg(0, 4000.0, 100.0) == pytest.approx(200.0)
    assert history.error_kg(0, 0.0, 100.0) == pytest.approx(80.0)


def test_a_recalibration_resets_both_errors_and_keeps_the_drift_rate() -> None:
    history = make_still_history(zero=0.03, span=-0.04, drift_per_day=0.0001)
    group = history.groups[0].with_event(Jump(50.5, 0.01, 0.02, recorded=True))
    group = group.with_event(Reset(200.5, 0.001, -0.002))
    zero, span = group.state([50.4, 50.5, 200.4, 200.5, 300.5])
    assert zero == pytest.approx([0.03, 0.04, 0.04, 0.001, 0.001])
    assert span == pytest.approx([-0.03496, -0.01495, 0.00004, -0.002, 0.008])


def test_the_state_equals_a_naive_daily_walk_through_the_events() -> None:
    (group,) = make_groups(replace(well_specified()["steel"], jumps_per_year=4.0), 1, seed=3)
    for day in (90.25, 400.75):
        group = group.with_event(Reset(day, 0.002, -0.001))
    days = np.arange(0.0, HORIZON_DAYS, 0.25)
    zero, span = group.state(days)
    naive_zero, naive_span = group.start_zero, group.start_span
    previous, pending = 0.0, list(group.events)
    for index, day in enumerate(days):
        for moment in [*(event.day for event in pending if event.day <= day), day]:
            naive_zero += group.walk_zero[int(moment)] - group.walk_zero[int(previous)]
            naive_span += group.walk_span[int(moment)] - group.walk_span[int(previous)]
            naive_span += group.drift_per_day * (moment - previous)
            previous = moment
            if pending and pending[0].day <= day and moment == pending[0].day:
                event = pending.pop(0)
                is_jump = isinstance(event, Jump)
                naive_zero = event.zero + (naive_zero if is_jump else 0.0)
                naive_span = event.span + (naive_span if is_jump else 0.0)
        assert zero[index] == pytest.approx(naive_zero, abs=1e-12)
        assert span[index] == pytest.approx(naive_span, abs=1e-12)
    assert not pending


def test_the_season_is_largest_in_winter_and_absent_where_the_model_is_well_specified() -> None:
    steady = make_still_history()
    seasonal = TrueHistory(EPOCH, (replace(steady.groups[0], parameters=mis_specified()["steel"]),))
    winter, summer = 20.0, 20.0 + 365.25 / 2
    assert seasonal.error_kg(0, 8000.0, winter) == pytest.approx(40.0, abs=0.1)
    assert seasonal.error_kg(0, 8000.0, summer) == pytest.approx(-40.0, abs=0.1)
    assert steady.error_kg(0, 8000.0, winter) == 0.0


@pytest.mark.parametrize("day", [-0.5, HORIZON_DAYS + 1.0])
def test_it_refuses_a_day_outside_the_history(day: float) -> None:
    with pytest.raises(ValueError, match="outside 0 to"):
        make_still_history().error_kg(0, 1000.0, day)
