"""Exact Kalman filter for many independent groups at once, with the log-likelihood.

Six covariance arrays and three mean arrays along the fleet, written out by hand: no small matrices. The
covariance update is P − c·cᵀ/S with c = P·h, symmetric and the cheapest there is; the tests hold it
non-negative down to an observation noise of a millionth of what was known before.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fleetcal.metrology.budget import RefusedError
from fleetcal.metrology.drift_batches import SeriesBatch
from fleetcal.metrology.drift_model import (
    Bools,
    DriftState,
    Floats,
    HyperParameters,
    require_shape,
    values_by_kind,
)

LOG_2_PI = float(np.log(2.0 * np.pi))
# Series to a chunk: the arrays of one step stay in the cache, and numpy's cost per call is spread.
CHUNK = 16384


@dataclass(frozen=True, slots=True, eq=False)
class FilteredSeries:
    """State after the last step, log-likelihood (n), and one-step innovations with their variance (T × n).

    Where nothing was observed an innovation is 0 and its variance 1.
    """

    state: DriftState
    log_likelihood: Floats
    innovation: Floats
    innovation_variance: Floats

    @property
    def standardised(self) -> Floats:
        """Innovations over their standard deviation: independent N(0, 1) where the model holds."""
        return np.asarray(self.innovation / np.sqrt(self.innovation_variance))


@dataclass(slots=True, eq=False)
class _Working:
    """State and covariance of a chunk; each array runs along the series."""

    a: Floats
    g: Floats
    d: Floats
    aa: Floats
    ag: Floats
    ad: Floats
    gg: Floats
    gd: Floats
    dd: Floats


def filter_series(
    batch: SeriesBatch, parameters: Sequence[HyperParameters], start: DriftState
) -> FilteredSeries:
    """Run every series of `batch` from its `start` (3 × n) through its steps.

    Predict: F = [[1,0,0],[0,1,Δt],[0,0,1]], Q = diag(s_a²·Δt, s_G²·Δt, 0). Observe: h = [1, r, 0],
    v = y − h·x, S = h·P·h + R, log-likelihood −½(ln 2π + ln S + v²/S). Fractions of full load, days.
    Refuses a start of another size and an innovation variance that is not above zero.
    """
    steps, count = batch.gap_days.shape
    require_shape("start", start.mean, (3, count))
    log_likelihood = np.empty(count)
    innovation, variance = np.empty((steps, count)), np.empty((steps, count))
    mean, covariance = np.empty((3, count)), np.empty((3, 3, count))
    walks = [
        values_by_kind(parameters, name, batch.kind) ** 2
        for name in (
            "walk_zero_per_sqrt_day",
            "walk_span_per_sqrt_day",
            "repeatability",
            "jump_zero",
            "jump_span",
        )
    ]
    for low in range(0, count, CHUNK):
        part = slice(low, min(low + CHUNK, count))
        at = _open(start, part)
        log_likelihood[part] = _run(at, batch, part, [each[part] for each in walks], innovation, variance)
        mean[:, part] = at.a, at.g, at.d
        covariance[:, :, part] = (at.aa, at.ag, at.ad), (at.ag, at.gg, at.gd), (at.ad, at.gd, at.dd)
    return FilteredSeries(DriftState(mean, covariance), log_likelihood, innovation, variance)


def _open(start: DriftState, part: slice) -> _Working:
    p = start.covariance
    pairs = ((0, 0), (0, 1), (0, 2), (1, 1), (1, 2), (2, 2))
    # Copies, because the steps work in place.
    return _Working(
        *(start.mean[i, part].copy() for i in range(3)), *(p[i, j, part].copy() for i, j in pairs)
    )


def _run(
    at: _Working, batch: SeriesBatch, part: slice, walks: list[Floats], innovation: Floats, variance: Floats
) -> Floats:
    """Take a chunk through all steps, write its innovations, and give its log-likelihood."""
    zero_walk, span_walk, repeatability, zero_jump, span_jump = walks
    seen = batch.observed[:, part]
    everybody: Bools = np.asarray(seen.all(axis=1))
    quadratic, observations = np.zeros(len(at.a)), seen.sum(axis=0)
    for step in range(len(batch.gap_days)):
        _advance(at, batch.gap_days[step, part], zero_walk, span_walk)
        _meet_events(at, batch, step, part, zero_jump, span_jump)
        observed = None if everybody[step] else seen[step]
        noise = batch.repeat_weight[step, part] * repeatability
        noise += batch.noise_variance[step, part]
        v, s = innovation[step, part], variance[step, part]
        quadratic += _observe(
            at, batch.load_ratio[step, part], batch.error[step, part], noise, observed, v, s
        )
    if innovation.size and not variance[:, part].min(initial=np.inf) > 0.0:
        raise RefusedError("innovation variance", float(variance[:, part].min()), "above zero")
    return np.asarray(-0.5 * (quadratic + np.log(variance[:, part]).sum(axis=0) + LOG_2_PI * observations))


def _advance(at: _Working, days: Floats, zero_walk: Floats, span_walk: Floats) -> None:
    at.g += days * at.d
    at.aa += zero_walk * days
    at.ag += days * at.ad
    # Half of the drift's covariance before, half after: 2·Δt·P_Gd + Δt²·P_dd without a third product.
    both = at.gd + span_walk
    at.gd += days * at.dd
    both += at.gd
    both *= days
    at.gg += both


def _meet_events(
    at: _Working, batch: SeriesBatch, step: int, part: slice, zero_jump: Floats, span_jump: Floats
) -> None:
    if batch.jump_share is not None:
        share = batch.jump_share[step, part]
        at.aa += share * zero_jump
        at.gg += share * span_jump
    if batch.resets is not None and (reset := batch.resets.at[step, part]).any():
        for values in (at.a, at.g, at.ag, at.ad, at.gd):
            values[reset] = 0.0
        at.aa[reset] = batch.resets.u_zero[step, part][reset] ** 2
        at.gg[reset] = batch.resets.u_span[step, part][reset] ** 2


def _observe(
    at: _Working, ratio: Floats, error: Floats, noise: Floats, observed: Bools | None, v: Floats, s: Floats
) -> Floats:
    """Update by one weighing; writes v and S and gives v²/S. `observed` is None where all were."""
    to_a, to_g, to_d = at.aa + ratio * at.ag, at.ag + ratio * at.gg, at.ad + ratio * at.gd
    np.multiply(ratio, to_g, out=s)
    s += to_a
    s += noise
    np.multiply(ratio, at.g, out=v)
    v += at.a
    np.subtract(error, v, out=v)
    if observed is None:
        inverse = 1.0 / s
    else:
        s[~observed] = 1.0
        v[~observed] = 0.0
        # Zero where nothing was seen: then no product below moves the state.
        inverse = observed / s
    weight = v * inverse
    at.a += to_a * weight
    at.g += to_g * weight
    at.d += to_d * weight
    gain = to_a * inverse
    at.aa -= gain * to_a
    at.ag -= gain * to_g
    at.ad -= gain * to_d
    np.multiply(to_g, inverse, out=gain)
    at.gg -= gain * to_g
    at.gd -= gain * to_d
    np.multiply(to_d, inverse, out=gain)
    at.dd -= gain * to_d
    weight *= v
    return weight
