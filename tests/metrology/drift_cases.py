"""Fleets for the tests of the drift model, and two references: statsmodels, and a naive dense twin."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from statsmodels.datasets import nile
from statsmodels.tsa.statespace.kalman_smoother import KalmanSmoother

from fleetcal.metrology.drift_batches import Resets, SeriesBatch, UnitBatch
from fleetcal.metrology.drift_model import DriftState, Floats, HyperParameters, start_states

DAYS_PER_MONTH = 30.4375


def per_cent_per_month(
    mean: float,
    spread: float,
    walk_zero: float,
    walk_span: float,
    repeatability: float,
    jumps: tuple[float, float],
) -> HyperParameters:
    """Hyper-parameters from % of full load and months."""
    root = DAYS_PER_MONTH**0.5
    values = (
        mean / DAYS_PER_MONTH,
        spread / DAYS_PER_MONTH,
        walk_zero / root,
        walk_span / root,
        repeatability,
        *jumps,
    )
    return HyperParameters(*(each / 100.0 for each in values))


STEEL = per_cent_per_month(0.10, 0.10, 0.15, 0.35, 1.2, (0.6, 1.8))
AIR = per_cent_per_month(0.02, 0.05, 0.10, 0.20, 0.6, (0.6, 1.8))
TYPES = (STEEL, AIR)


def make_series(rng: np.random.Generator, steps: int = 12, count: int = 5) -> tuple[SeriesBatch, DriftState]:
    """Irregular dates, some at once, a tenth missing, repairs and recalibrations, two suspension types."""
    shape = (steps, count)
    batch = SeriesBatch(
        kind=rng.integers(0, 2, count),
        gap_days=rng.choice([0.0, 1.0, 17.0, 63.5, 200.0], shape),
        observed=rng.random(shape) > 0.1,
        load_ratio=rng.uniform(0.2, 1.1, shape),
        error=rng.normal(0.0, 0.02, shape),
        repeat_weight=rng.choice([0.25, 0.5, 1.0], shape),
        noise_variance=rng.uniform(1e-6, 2e-5, shape),
        jump_share=rng.choice([0.0, 0.0, 0.0, 0.3, 1.0], shape),
        resets=Resets(rng.random(shape) < 0.1, np.full(shape, 0.0025), np.full(shape, 0.0035)),
    )
    return batch, start_states(TYPES, batch.kind, 0.0025, 0.0035)


def make_units(
    rng: np.random.Generator, steps: int = 10, groups: int = 3, count: int = 4
) -> tuple[UnitBatch, DriftState]:
    """The same for stacked groups, with noise in common; a third of the tickets give the gross alone."""
    series, _ = make_series(rng, steps, groups * count)
    shape = (steps, groups, count)
    gross = rng.random((steps, count)) < 0.3
    root = rng.normal(0.0, 0.003, (steps, groups, groups, count))
    covariance = np.einsum("tikn,tjkn->tijn", root, root)
    covariance[:, np.arange(groups), np.arange(groups)] += 1e-6
    resets = series.resets
    assert resets is not None
    assert series.jump_share is not None
    units = UnitBatch(
        kind=series.kind.reshape(groups, count),
        full_load_kg=rng.uniform(7_000.0, 24_000.0, (groups, count)),
        gap_days=series.gap_days[:, :count],
        observed=series.observed.reshape(shape) & ~gross[:, None],
        load_ratio=series.load_ratio.reshape(shape),
        error=series.error.reshape(shape),
        repeat_weight=series.repeat_weight.reshape(shape),
        noise_covariance=0.5 * (covariance + covariance.swapaxes(1, 2)),
        gross_observed=gross,
        gross_error=rng.normal(0.0, 0.01, (steps, count)),
        jump_share=series.jump_share.reshape(shape),
        resets=resets.map(lambda values: values.reshape(shape)),
    )
    return units, start_states(TYPES, units.kind, 0.0025, 0.0035)


@dataclass(frozen=True)
class UnitModel:
    """One unit's matrices, step by step: x ← F·x + c·N(0, Q), y = H·x + N(0, R), rows groups then gross."""

    transition: list[Floats]
    walk: list[Floats]
    design: list[Floats]
    noise: list[Floats]
    values: list[Floats]


def model_unit(units: UnitBatch, parameters: Sequence[HyperParameters], unit: int) -> UnitModel:
    steps, groups, _ = units.load_ratio.shape
    types = [parameters[kind] for kind in units.kind[:, unit]]
    weights = units.full_load_kg[:, unit] / units.full_load_kg[:, unit].sum()
    mixing = np.vstack((np.eye(groups), weights))
    model = UnitModel([], [], [], [], [])
    for t in range(steps):
        days = units.gap_days[t, unit]
        transition, walk = np.eye(3 * groups), np.zeros(3 * groups)
        for g, each in enumerate(types):
            transition[groups + g, 2 * groups + g] = days
            share = 0.0 if units.jump_share is None else units.jump_share[t, g, unit]
            walk[g] = each.walk_zero_per_sqrt_day**2 * days + share * each.jump_zero**2
            walk[groups + g] = each.walk_span_per_sqrt_day**2 * days + share * each.jump_span**2
            if units.resets is not None and units.resets.at[t, g, unit]:
                transition[[g, groups + g]] = 0.0
                walk[g] = units.resets.u_zero[t, g, unit] ** 2
                walk[groups + g] = units.resets.u_span[t, g, unit] ** 2
        per_group = np.hstack(
            (np.eye(groups), np.diag(units.load_ratio[t, :, unit]), np.zeros((groups, groups)))
        )
        repeat = [units.repeat_weight[t, g, unit] * each.repeatability**2 for g, each in enumerate(types)]
        noise = units.noise_covariance[t, :, :, unit] + np.diag(repeat)
        values = np.append(units.error[t, :, unit], units.gross_error[t, unit])
        values[~np.append(units.observed[t, :, unit], units.gross_observed[t, unit])] = np.nan
        model.transition.append(transition)
        model.walk.append(np.diag(walk))
        model.design.append(mixing @ per_group)
        model.noise.append(mixing @ noise @ mixing.T)
        model.values.append(values)
    return model


def smooth_by_statsmodels(model: UnitModel, start: DriftState, unit: int):  # type: ignore[no-untyped-def]
    """statsmodels' results of one unit."""
    mean, covariance = start.mean[:, unit], start.covariance[:, :, unit]
    size, rows = len(mean), len(model.values[0])
    oracle = KalmanSmoother(rows, size, k_posdef=size)
    oracle.bind(np.array(model.values))
    # There the transition leads from a step to the next one, here from the one before to the step.
    oracle["transition"] = np.stack([*model.transition[1:], np.eye(size)], axis=-1)
    oracle["state_cov"] = np.stack([*model.walk[1:], np.zeros((size, size))], axis=-1)
    oracle["selection"] = np.eye(size)
    oracle["design"] = np.stack(model.design, axis=-1)
    oracle["obs_cov"] = np.stack(model.noise, axis=-1)
    first = model.transition[0]
    oracle.initialize_known(first @ mean, first @ covariance @ first.T + model.walk[0])
    return oracle.smooth()


@dataclass(frozen=True)
class DensePosterior:
    """Log-likelihood, and mean and covariance of the state at every step given everything observed."""

    log_likelihood: float
    means: list[Floats]
    covariances: list[Floats]


def condition_densely(model: UnitModel, start: DriftState, unit: int) -> DensePosterior:
    """The twin: every state and every value as a linear map of independent sources, conditioned at once."""
    size, steps, rows = len(start.mean), len(model.values), len(model.values[0])
    sources = size * (steps + 1) + rows * steps
    root = _find_root(start.covariance[:, :, unit])
    state, mean = np.hstack((root, np.zeros((size, sources - size)))), start.mean[:, unit]
    states, means, seen, expected, values = [], [], [], [], []
    for t in range(steps):
        mean, state = model.transition[t] @ mean, model.transition[t] @ state
        state[:, size * (t + 1) : size * (t + 2)] += _find_root(model.walk[t])
        states.append(state.copy())
        means.append(mean)
        row = model.design[t] @ state
        place = size * (steps + 1) + rows * t
        row[:, place : place + rows] += _find_root(model.noise[t])
        known = ~np.isnan(model.values[t])
        seen.append(row[known])
        expected.append((model.design[t] @ mean)[known])
        values.append(model.values[t][known])
    y, surprise = np.vstack(seen), np.concatenate(values) - np.concatenate(expected)
    total = y @ y.T
    weights = np.linalg.solve(total, surprise)
    quadratic = surprise @ weights + np.linalg.slogdet(total)[1] + len(y) * np.log(2.0 * np.pi)
    return DensePosterior(
        log_likelihood=-0.5 * float(quadratic),
        means=[m + x @ y.T @ weights for m, x in zip(means, states, strict=True)],
        covariances=[x @ x.T - x @ y.T @ np.linalg.solve(total, y @ x.T) for x in states],
    )


def _find_root(covariance: Floats) -> Floats:
    values, vectors = np.linalg.eigh(covariance)
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)))


def make_gaussian_case() -> tuple[SeriesBatch, DriftState, tuple[HyperParameters]]:
    """The case of the drift model's equivalence test (computed; % of full load and months, converted here).

    Prior after recalibration a ~ N(0, .25²), G ~ N(0, .35²), d ~ N(.10, .10²); walks .15 and .35 per root
    month; a repair at month 4 adds .6² and 1.8².
    """
    months = np.array([1.5, 1.5, 2.0, 4.0, 6.25, 6.25])
    share = np.array([0.0, 0.0, 0.0, 1.0, 0.0, 0.0])
    column = np.array([0.0, 0.0, 0.0, 0.0, 0.0, 0.0])
    batch = SeriesBatch(
        kind=np.array([0]),
        gap_days=np.diff(months, prepend=0.0)[:, None] * DAYS_PER_MONTH,
        observed=np.array([True, True, True, False, True, True])[:, None],
        load_ratio=np.array([1.0, 0.4, 1.0, 0.0, 1.0, 0.4])[:, None],
        error=np.array([0.40, -0.10, 0.90, 0.0, -1.30, -0.70])[:, None] / 100.0,
        repeat_weight=column[:, None],
        noise_variance=np.array([0.7825, 0.175888, 1.60, 0.0, 0.7825, 0.175888])[:, None] / 100.0**2,
        jump_share=share[:, None],
    )
    return batch, start_states((STEEL,), batch.kind, 0.0025, 0.0035), (STEEL,)


# The Nile, 1871-1970 (Durbin & Koopman, Time Series Analysis by State Space Methods, chapter 2, from memory;
# digits beyond the book's computed with statsmodels). With load ratio 0 the zero error is a local level.
NILE_NOISE, NILE_WALK = 15099.0, 1469.1


def make_nile(observed: NDArray[np.bool_] | None = None) -> SeriesBatch:
    volume: Floats = nile.load_pandas().data["volume"].to_numpy(dtype=np.float64)
    seen = np.ones(len(volume), dtype=bool) if observed is None else observed.copy()
    # A diffuse start is a start at the first value with that value's variance.
    seen[0] = False
    gaps = np.ones((100, 1))
    gaps[0] = 0.0
    flat = np.zeros((100, 1))
    return SeriesBatch(np.array([0]), gaps, seen[:, None], flat, volume[:, None], flat + 1.0, flat)
