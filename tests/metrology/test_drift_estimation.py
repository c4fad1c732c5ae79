"""Hyper-parameters: recovery from a large simulated fleet, honesty of the intervals with a small one."""

import math
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
import pytest

from fleetcal.metrology import drift_estimation
from fleetcal.metrology.budget import RefusedError
from fleetcal.metrology.drift_batches import SeriesBatch
from fleetcal.metrology.drift_estimation import STATED_PRIOR, HyperPrior, estimate_hyper_parameters
from fleetcal.metrology.drift_filter import filter_series
from fleetcal.metrology.drift_model import Floats, HyperParameters, start_states
from fleetcal.simulator.truth import GroupTruth, draw_history, well_specified
from tests.metrology.drift_cases import DAYS_PER_MONTH, make_series

U_ZERO, U_SPAN = 0.0025, 0.0035
SUSPENSIONS = ("steel", "air", "rubber")
# Every 13 weeks a check of two readings full and two empty; between them a ticket of one reading (assumption).
CHECK_DAYS, TICKET_DAYS = 91.0, 45.0
EMPTY_RATIO, EMPTY_NOISE_FACTOR = 0.4, 0.48


@dataclass(frozen=True)
class Event:
    """One step of a simulated group's history."""

    day: float
    ratio: float
    error: float
    repeat_weight: float
    noise_variance: float
    jump: bool = False


def make_events(truth: GroupTruth, horizon_days: int, rng: np.random.Generator) -> list[Event]:
    events = [Event(jump.day, 0.0, 0.0, 0.0, 0.0, jump=True) for jump in truth.jumps() if jump.recorded]

    def weigh(day: float, ratio: float, repeat_weight: float, u_reference: float) -> None:
        zero, span = (float(each[0]) for each in truth.state(day))
        u = math.sqrt(repeat_weight * truth.parameters.repeatability**2 + u_reference**2)
        events.append(
            Event(day, ratio, zero + ratio * span + rng.normal(0.0, u), repeat_weight, u_reference**2)
        )

    for day in np.arange(CHECK_DAYS, horizon_days, CHECK_DAYS):
        weigh(float(day), 1.0, 0.5, 0.0025)
        weigh(float(day), EMPTY_RATIO, EMPTY_NOISE_FACTOR**2 / 2.0, 0.0025 * EMPTY_RATIO)
    for day in np.arange(TICKET_DAYS, horizon_days, CHECK_DAYS):
        weigh(float(day), 1.0, 1.0, 0.004)
    return sorted(events, key=lambda event: event.day)


def simulate_fleet(
    suspensions: list[tuple[str, ...]], horizon_days: int, seed: int
) -> dict[str, SeriesBatch]:
    """Vehicles with these groups, freshly calibrated on day 0, as series by suspension type."""
    rng = np.random.default_rng(seed)
    histories: dict[str, list[list[Event]]] = {each: [] for each in SUSPENSIONS}
    for vehicle in suspensions:
        groups = [((number,), suspension, 10_000.0) for number, suspension in enumerate(vehicle)]
        history = draw_history(
            groups, well_specified(), epoch=date(2026, 1, 1), horizon_days=horizon_days, rng=rng
        )
        for number, suspension in enumerate(vehicle):
            history = history.after_recalibration(number, 0.0, rng)
            histories[suspension].append(make_events(history.groups[number], horizon_days, rng))
    return {suspension: make_batch(each) for suspension, each in histories.items()}


def make_batch(histories: list[list[Event]]) -> SeriesBatch:
    """Ragged histories as one batch: shorter ones end in steps that take no time."""
    shape = (max(map(len, histories), default=0), len(histories))
    columns: dict[str, Floats] = {
        name: np.zeros(shape) for name in ("day", "ratio", "error", "repeat_weight", "noise_variance", "jump")
    }
    observed = np.zeros(shape, dtype=bool)
    for place, events in enumerate(histories):
        for name, column in columns.items():
            column[: len(events), place] = [float(getattr(event, name)) for event in events]
        columns["day"][len(events) :, place] = events[-1].day
        observed[: len(events), place] = [not event.jump for event in events]
    return SeriesBatch(
        kind=np.zeros(shape[1], dtype=np.int64),
        gap_days=np.diff(columns["day"], axis=0, prepend=0.0),
        observed=observed,
        load_ratio=columns["ratio"],
        error=columns["error"],
        repeat_weight=columns["repeat_weight"],
        noise_variance=columns["noise_variance"],
        jump_share=columns["jump"],
    )


def draw_layouts(count: int) -> list[tuple[str, ...]]:
    """Vehicles of three groups: 35, 40 and 25 % on steel, air and rubber; steer axles steel or air."""
    kinds = ("steel", "air", "rubber", "air", "steel", "air", "rubber", "steel", "air", "steel")
    return [("steel" if number % 5 < 3 else "air", *(kinds[number % 10],) * 2) for number in range(count)]


def count_covered(batch: SeriesBatch, parameters: HyperParameters) -> tuple[int, int]:
    """Observations inside their own 95 % one-step predictive interval, and all."""
    start = start_states((parameters,), batch.kind, U_ZERO, U_SPAN)
    inside = np.abs(filter_series(batch, (parameters,), start).standardised) <= 1.959964
    return int((inside & batch.observed).sum()), int(batch.observed.sum())


def test_intervals_from_ten_vehicles_and_one_year_cover_what_they_claim() -> None:
    new_vehicles = simulate_fleet(draw_layouts(150), 730, seed=1)
    shares = []
    for seed in range(100, 106):
        fleet = simulate_fleet(draw_layouts(10), 365, seed=seed)
        estimates = {each: estimate_hyper_parameters(batch, U_ZERO, U_SPAN) for each, batch in fleet.items()}
        assert all(each.converged for each in estimates.values())
        counts = [count_covered(new_vehicles[each], estimates[each].parameters) for each in SUSPENSIONS]
        shares.append(sum(inside for inside, _ in counts) / sum(total for _, total in counts))
    assert float(np.mean(shares)) >= 0.92
    assert min(shares) >= 0.90


@pytest.mark.parametrize("suspension", SUSPENSIONS)
def test_a_large_fleet_tells_its_parameters(suspension: str) -> None:
    batch = simulate_fleet([(suspension,) * 3] * 100, 730, seed=7)[suspension]
    estimate = estimate_hyper_parameters(batch, U_ZERO, U_SPAN)
    found, truth = estimate.parameters, well_specified()[suspension]
    root = math.sqrt(DAYS_PER_MONTH)
    assert estimate.converged
    assert (estimate.series_count, estimate.observation_count) == (300, int(batch.observed.sum()))
    assert found.repeatability == pytest.approx(truth.repeatability, rel=0.04)
    assert found.drift_mean_per_day * DAYS_PER_MONTH == pytest.approx(truth.drift_mean_per_month, abs=1.5e-4)
    assert found.walk_span_per_sqrt_day * root == pytest.approx(truth.walk_span_per_sqrt_month, rel=0.25)
    assert found.walk_zero_per_sqrt_day * root == pytest.approx(truth.walk_zero_per_sqrt_month, rel=0.35)
    assert found.drift_spread_per_day * DAYS_PER_MONTH == pytest.approx(
        truth.drift_spread_per_month, rel=0.35
    )
    assert found.jump_span == pytest.approx(truth.jump_span, rel=0.15)
    inside, total = count_covered(batch, found)
    assert inside / total == pytest.approx(0.95, abs=0.012)


def test_a_fleet_without_data_has_the_stated_prior() -> None:
    estimate = estimate_hyper_parameters(make_batch([]), U_ZERO, U_SPAN)
    assert estimate.parameters == STATED_PRIOR.centre
    assert (estimate.series_count, estimate.observation_count, estimate.log_posterior) == (0, 0, 0.0)


def test_the_stated_prior_is_the_one_that_is_written_down() -> None:
    centre, root = STATED_PRIOR.centre, math.sqrt(DAYS_PER_MONTH)
    stated = (
        centre.drift_mean_per_day * DAYS_PER_MONTH,
        STATED_PRIOR.drift_mean_u_per_day * DAYS_PER_MONTH,
        centre.drift_spread_per_day * DAYS_PER_MONTH,
        centre.walk_span_per_sqrt_day * root,
        centre.walk_zero_per_sqrt_day * root,
        centre.repeatability,
    )
    assert [each * 100 for each in stated] == pytest.approx([0.05, 0.10, 0.11, 0.39, 0.17, 1.26], rel=5e-4)


def make_steel_fleet(vehicles: int = 6) -> SeriesBatch:
    return simulate_fleet([("steel",) * 3] * vehicles, 500, seed=3)["steel"]


def test_the_estimate_is_a_maximum_of_the_posterior() -> None:
    batch = make_steel_fleet()
    estimate = estimate_hyper_parameters(batch, U_ZERO, U_SPAN)
    best = np.array(estimate.prior_deviations)
    start = np.zeros(6)

    def judge(scaled: Floats) -> float:
        parameters = (STATED_PRIOR.place(scaled),)
        states = start_states(parameters, batch.kind, U_ZERO, U_SPAN)
        return float(filter_series(batch, parameters, states).log_likelihood.sum()) - 0.5 * float(
            scaled @ scaled
        )

    assert judge(best) == pytest.approx(estimate.log_posterior, rel=1e-12)
    assert judge(best) > judge(start)
    for direction in np.random.default_rng(0).normal(size=(40, 6)):
        assert judge(best + 0.1 * direction / np.linalg.norm(direction)) < judge(best)


def test_sets_of_parameters_side_by_side_are_sets_one_by_one(monkeypatch: pytest.MonkeyPatch) -> None:
    batch = make_steel_fleet(2)
    together = estimate_hyper_parameters(batch, U_ZERO, U_SPAN)
    monkeypatch.setattr(drift_estimation, "COPIES_AT_ONCE", 1)
    alone = estimate_hyper_parameters(batch, U_ZERO, U_SPAN)
    assert together.prior_deviations == pytest.approx(alone.prior_deviations, abs=1e-6)
    assert together.log_posterior == pytest.approx(alone.log_posterior, rel=1e-10)


def test_a_tight_prior_holds_and_a_loose_one_lets_the_data_speak() -> None:
    batch = make_steel_fleet()
    far = replace(STATED_PRIOR.centre, repeatability=0.03)
    tight = estimate_hyper_parameters(batch, U_ZERO, U_SPAN, replace(STATED_PRIOR, centre=far, log_u=0.001))
    loose = estimate_hyper_parameters(batch, U_ZERO, U_SPAN, replace(STATED_PRIOR, centre=far, log_u=2.0))
    assert tight.parameters.repeatability == pytest.approx(0.03, rel=0.01)
    assert loose.parameters.repeatability == pytest.approx(0.012, rel=0.15)


def test_a_fleet_without_repairs_says_nothing_about_jumps() -> None:
    batch = replace(make_steel_fleet(), jump_share=None)
    estimate = estimate_hyper_parameters(batch, U_ZERO, U_SPAN)
    assert estimate.parameters.jump_span == pytest.approx(STATED_PRIOR.centre.jump_span, rel=1e-6)


def test_it_refuses_series_of_two_types() -> None:
    batch, _ = make_series(np.random.default_rng(1))
    with pytest.raises(RefusedError, match="one by one"):
        estimate_hyper_parameters(batch, U_ZERO, U_SPAN)


def test_it_refuses_a_prior_without_width_or_without_a_centre_for_a_logarithm() -> None:
    with pytest.raises(RefusedError, match="u of the logarithms"):
        HyperPrior(STATED_PRIOR.centre, 1e-5, 0.0)
    with pytest.raises(RefusedError, match="walk zero"):
        HyperPrior(replace(STATED_PRIOR.centre, walk_zero_per_sqrt_day=0.0), 1e-5, 0.6)
