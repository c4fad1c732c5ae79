"""Hyper-parameters of one suspension type from all its series: empirical Bayes with a prior.

Maximises Σ over series of the filter's log-likelihood + log prior (MAP) over the mean drift, the logarithms
of drift spread, both walks and repeatability, and the logarithm of one factor on both jumps. Groups are
taken as independent series (a composite likelihood), so that each type is estimated by itself; tickets of
the gross alone say nothing here. Plain maximum likelihood from ten vehicles makes intervals too narrow.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import minimize

from fleetcal.metrology.budget import RefusedError, require_positive
from fleetcal.metrology.drift_batches import SeriesBatch
from fleetcal.metrology.drift_filter import filter_series
from fleetcal.metrology.drift_model import (
    FRACTION,
    Floats,
    HyperParameters,
    require_at_least_zero,
    start_states,
)

# Central differences of a value of order 1e4 known to 1e-13: 1e-4 prior deviations balance both errors.
DIFFERENCE = 1e-4
# Prior standard deviations from the prior's centre; beyond, the data would have to be absurd.
REACH = 6.0
# A very wide prior is cut at a factor of 150, where the filter still keeps its digits.
FARTHEST_LOG = 5.0
# Copies of the series that are filtered side by side, one for each set of parameters.
COPIES_AT_ONCE = 50_000


@dataclass(frozen=True, slots=True)
class HyperPrior:
    """Mean drift ~ N(centre, drift_mean_u²); ln of every other parameter ~ N(ln centre, log_u²)."""

    centre: HyperParameters
    drift_mean_u_per_day: float
    log_u: float

    def __post_init__(self) -> None:
        require_positive("u of the mean drift", self.drift_mean_u_per_day, f"{FRACTION} per day")
        require_positive("u of the logarithms", self.log_u)
        for name in ("drift_spread_per_day", "walk_zero_per_sqrt_day", "walk_span_per_sqrt_day"):
            require_positive(f"prior's {name.replace('_', ' ')}", getattr(self.centre, name), FRACTION)

    def place(self, scaled: Floats) -> HyperParameters:
        """The parameters that lie `scaled` (6) prior deviations from the centre."""
        factor = np.exp(self.log_u * scaled[1:])
        centre = self.centre
        return HyperParameters(
            drift_mean_per_day=centre.drift_mean_per_day + self.drift_mean_u_per_day * float(scaled[0]),
            drift_spread_per_day=centre.drift_spread_per_day * float(factor[0]),
            walk_zero_per_sqrt_day=centre.walk_zero_per_sqrt_day * float(factor[1]),
            walk_span_per_sqrt_day=centre.walk_span_per_sqrt_day * float(factor[2]),
            repeatability=centre.repeatability * float(factor[3]),
            jump_zero=centre.jump_zero * float(factor[4]),
            jump_span=centre.jump_span * float(factor[4]),
        )


# Assumptions: no published drift-versus-time figure was found. 0.05 ± 0.10 % of full load a month mean drift,
# 0.11 % a month spread, 0.39 and 0.17 % per root month walks of span and zero, repeatability 1.26 %, jumps of
# 2.5 and 0.84 %: about 1.4 times what a simulated fleet of the assumed kind has, because intervals that are
# too wide do less harm than intervals that are too narrow. A month is 30.4375 days.
STATED_PRIOR = HyperPrior(
    centre=HyperParameters(
        drift_mean_per_day=1.643e-5,
        drift_spread_per_day=3.614e-5,
        walk_zero_per_sqrt_day=3.081e-4,
        walk_span_per_sqrt_day=7.069e-4,
        repeatability=0.0126,
        jump_zero=0.0084,
        jump_span=0.0252,
    ),
    drift_mean_u_per_day=3.285e-5,
    log_u=0.6,
)


@dataclass(frozen=True, slots=True)
class HyperEstimate:
    """An estimate with what it rests on; `prior_deviations` says how far the data moved it (6)."""

    parameters: HyperParameters
    prior_deviations: tuple[float, ...]
    log_likelihood: float
    log_posterior: float
    series_count: int
    observation_count: int
    converged: bool


def estimate_hyper_parameters(
    batch: SeriesBatch, u_zero: ArrayLike, u_span: ArrayLike, prior: HyperPrior = STATED_PRIOR
) -> HyperEstimate:
    """MAP of one suspension type from series that all start at an accepted calibration (u as fractions, n).

    `batch.kind` must be 0 throughout. Without any series the prior's centre comes back. log_posterior is up
    to the prior's constant.
    """
    if batch.kind.any():
        raise RefusedError("kind", int(batch.kind.max()), "0, because types are estimated one by one")
    count = len(batch.kind)
    u = [np.broadcast_to(np.asarray(each, dtype=np.float64), (count,)) for each in (u_zero, u_span)]
    for name, values in zip(("u of zero", "u of span"), u, strict=True):
        require_at_least_zero(name, values, FRACTION)
    weigh = _make_likelihood(batch, u[0], u[1], prior)
    reach = min(REACH, FARTHEST_LOG / prior.log_u)
    bounds = [(-REACH, REACH), *[(-reach, reach)] * 5]
    result = minimize(_make_objective(weigh), np.zeros(6), jac=True, method="L-BFGS-B", bounds=bounds)
    at = np.asarray(result.x, dtype=np.float64)
    log_likelihood = float(weigh(at[None])[0])
    return HyperEstimate(
        parameters=prior.place(at),
        prior_deviations=tuple(float(each) for each in at),
        log_likelihood=log_likelihood,
        log_posterior=log_likelihood - 0.5 * float(at @ at),
        series_count=count,
        observation_count=int(batch.observed.sum()),
        converged=bool(result.success),
    )


def _make_likelihood(
    batch: SeriesBatch, u_zero: Floats, u_span: Floats, prior: HyperPrior
) -> Callable[[Floats], Floats]:
    """A function from sets of scaled parameters (m × 6) to log-likelihoods (m).

    A small fleet costs numpy's time per call and not its arithmetic, so that several sets run side by side.
    """
    count = len(batch.kind)
    sets_at_once = max(1, COPIES_AT_ONCE // max(1, count))
    tiled: dict[int, SeriesBatch] = {1: batch}

    def weigh(scaled: Floats) -> Floats:
        values: list[float] = []
        for low in range(0, len(scaled), sets_at_once):
            parameters = [prior.place(each) for each in scaled[low : low + sets_at_once]]
            sets = len(parameters)
            if sets not in tiled:
                tiled[sets] = _repeat(batch, sets)
            copies = tiled[sets]
            start = start_states(parameters, copies.kind, np.tile(u_zero, sets), np.tile(u_span, sets))
            each_series = filter_series(copies, parameters, start).log_likelihood
            values.extend(each_series.reshape(sets, count).sum(axis=1))
        return np.array(values)

    return weigh


def _make_objective(weigh: Callable[[Floats], Floats]) -> Callable[[Floats], tuple[float, Floats]]:
    """Minus the log posterior with its gradient, by central differences."""

    def judge(scaled: Floats) -> tuple[float, Floats]:
        moves = DIFFERENCE * np.eye(6)
        values = weigh(np.concatenate((scaled[None], scaled + moves, scaled - moves)))
        slope = (values[1:7] - values[7:]) / (2.0 * DIFFERENCE)
        return -float(values[0]) + 0.5 * float(scaled @ scaled), scaled - slope

    return judge


def _repeat(batch: SeriesBatch, sets: int) -> SeriesBatch:
    """The batch `sets` times over, each time with the next set of parameters."""

    def tile(values: Floats) -> Floats:
        return np.tile(values, (1, sets))

    return replace(
        batch,
        kind=np.repeat(np.arange(sets), len(batch.kind)),
        gap_days=tile(batch.gap_days),
        observed=np.tile(batch.observed, (1, sets)),
        load_ratio=tile(batch.load_ratio),
        error=tile(batch.error),
        repeat_weight=tile(batch.repeat_weight),
        noise_variance=tile(batch.noise_variance),
        jump_share=None if batch.jump_share is None else tile(batch.jump_share),
        resets=None if batch.resets is None else batch.resets.map(lambda each: np.tile(each, (1, sets))),
    )
