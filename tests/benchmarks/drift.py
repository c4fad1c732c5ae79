"""Measures the drift filters against statsmodels one by one: ``python -m tests.benchmarks.drift``.

Both are timed in turn, the best of several rounds each, so that what is printed is a ratio and not a machine.
statsmodels' time is that of building a model for each series and filtering it; the filter alone is printed too.
"""

import time
from collections.abc import Callable

import numpy as np
from statsmodels.tsa.statespace.kalman_filter import KalmanFilter

from fleetcal.metrology.drift_batches import SeriesBatch, UnitBatch, share_noise
from fleetcal.metrology.drift_filter import filter_series
from fleetcal.metrology.drift_model import DriftState, Floats, HyperParameters, start_states
from fleetcal.metrology.drift_units import filter_units

# An assumed steel suspension; fractions of full load, days.
STEEL = HyperParameters(3.3e-5, 3.3e-5, 2.7e-4, 6.3e-4, 0.012, 0.006, 0.018)
STEPS, SERIES, UNITS, GROUPS = 40, 100_000, 20_000, 3
SAMPLE, ROUNDS = 200, 7


def main() -> None:
    rng = np.random.default_rng(1)
    series = make_series(rng)
    start = start_states((STEEL,), series.kind, 0.0025, 0.0035)
    log_likelihood = filter_series(series, (STEEL,), start).log_likelihood
    report(
        f"{SERIES} series × {STEPS} checks, three states",
        SERIES,
        lambda: filter_series(series, (STEEL,), start),
        lambda place: build_series(series, start, place),
        log_likelihood,
        300,
    )
    units = make_units(rng)
    start = start_states((STEEL,), units.kind, 0.0025, 0.0035)
    log_likelihood = filter_units(units, (STEEL,), start).log_likelihood
    report(
        f"{UNITS} units × {STEPS} tickets, {GROUPS} groups with noise in common",
        UNITS,
        lambda: filter_units(units, (STEEL,), start),
        lambda place: build_unit(units, start, place),
        log_likelihood,
        30,
    )


def report(
    title: str,
    count: int,
    run: Callable[[], object],
    build: Callable[[int], KalmanFilter],
    log_likelihood: Floats,
    budget: int,
) -> None:
    ours, whole, alone, apart = [], [], [], 0.0
    for _ in range(ROUNDS):
        ours.append(timed(run) / count)
        begun, filtering = time.perf_counter(), 0.0
        for place in range(SAMPLE):
            model = build(place)
            at = time.perf_counter()
            result = model.filter()
            filtering += time.perf_counter() - at
            apart = max(apart, abs(result.llf_obs.sum() - log_likelihood[place]))
        whole.append((time.perf_counter() - begun) / SAMPLE)
        alone.append(filtering / SAMPLE)
    print(title)
    print(f"  batched {min(ours) * 1e6:.2f} µs each, {min(ours) * count:.2f} s for all")
    print(f"  statsmodels {min(whole) * 1e6:.0f} µs each, of which its filter {min(alone) * 1e6:.0f} µs")
    print(
        f"  ratio {min(whole) / min(ours):.0f} (budget {budget}), to its filter alone {min(alone) / min(ours):.0f}"
    )
    print(f"  log-likelihoods apart by at most {apart:.1e}")


def timed(run: Callable[[], object]) -> float:
    begun = time.perf_counter()
    run()
    return time.perf_counter() - begun


def make_series(rng: np.random.Generator) -> SeriesBatch:
    shape = (STEPS, SERIES)
    return SeriesBatch(
        kind=np.zeros(SERIES, dtype=np.int64),
        gap_days=rng.uniform(3.0, 60.0, shape),
        observed=rng.random(shape) > 0.03,
        load_ratio=rng.uniform(0.3, 1.0, shape),
        error=rng.normal(0.0, 0.01, shape),
        repeat_weight=np.full(shape, 0.5),
        noise_variance=np.full(shape, 0.0025**2),
    )


def make_units(rng: np.random.Generator) -> UnitBatch:
    shape = (STEPS, GROUPS, UNITS)
    return UnitBatch(
        kind=np.zeros((GROUPS, UNITS), dtype=np.int64),
        full_load_kg=rng.uniform(7_000.0, 24_000.0, (GROUPS, UNITS)),
        gap_days=rng.uniform(3.0, 60.0, (STEPS, UNITS)),
        observed=rng.random(shape) > 0.03,
        load_ratio=rng.uniform(0.3, 1.0, shape),
        error=rng.normal(0.0, 0.01, shape),
        repeat_weight=np.full(shape, 0.5),
        noise_covariance=share_noise(np.full(shape, 0.002), np.full(shape, 0.001)),
        gross_observed=np.zeros((STEPS, UNITS), dtype=bool),
        gross_error=np.zeros((STEPS, UNITS)),
    )


def build_series(batch: SeriesBatch, start: DriftState, place: int) -> KalmanFilter:
    values = np.where(batch.observed[:, place], batch.error[:, place], np.nan)[:, None]
    design = np.zeros((1, 3, STEPS))
    design[0, 0], design[0, 1] = 1.0, batch.load_ratio[:, place]
    noise = batch.repeat_weight[:, place] * STEEL.repeatability**2 + batch.noise_variance[:, place]
    return build(values, batch.gap_days[:, place], design, noise[None, None], start, place)


def build_unit(units: UnitBatch, start: DriftState, place: int) -> KalmanFilter:
    values = np.where(units.observed[:, :, place], units.error[:, :, place], np.nan)
    groups = np.arange(GROUPS)
    design = np.zeros((GROUPS, 3 * GROUPS, STEPS))
    design[groups, groups], design[groups, GROUPS + groups] = 1.0, units.load_ratio[:, :, place].T
    noise = units.noise_covariance[:, :, :, place].transpose(1, 2, 0).copy()
    noise[groups, groups] += units.repeat_weight[:, :, place].T * STEEL.repeatability**2
    return build(values, units.gap_days[:, place], design, noise, start, place)


def build(
    values: Floats, gap_days: Floats, design: Floats, noise: Floats, start: DriftState, place: int
) -> KalmanFilter:
    size = len(start.mean)
    zero, span, drift = np.arange(size).reshape(3, size // 3)
    transition, walk = np.zeros((size, size, STEPS + 1)), np.zeros((size, size, STEPS + 1))
    days = np.append(gap_days, 0.0)
    transition[np.arange(size), np.arange(size)], transition[span, drift] = 1.0, days
    walk[zero, zero] = STEEL.walk_zero_per_sqrt_day**2 * days
    walk[span, span] = STEEL.walk_span_per_sqrt_day**2 * days
    model = KalmanFilter(values.shape[1], size, k_posdef=size)
    model.bind(values)
    model["design"], model["obs_cov"], model["selection"] = design, noise, np.eye(size)
    model["transition"], model["state_cov"] = transition[..., 1:], walk[..., 1:]
    first = transition[..., 0]
    covariance = first @ start.covariance[:, :, place] @ first.T + walk[..., 0]
    model.initialize_known(first @ start.mean[:, place], covariance)
    return model


if __name__ == "__main__":
    main()
