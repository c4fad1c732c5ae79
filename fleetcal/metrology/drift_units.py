"""Exact Kalman filter for whole units: groups stacked, with the noise that a ticket's groups share.

The values of one ticket are taken together: B = H·P, S = B·Hᵀ + R = L·Lᵀ, W = L⁻¹·B, e = L⁻¹·v, then
x += Wᵀ·e and P −= Wᵀ·W. Cholesky is written out along the fleet; nothing is inverted. A ticket of the gross
alone observes Σ w_g·(a_g + r_g·G_g), w_g = R_max,g/ΣR_max, in the place of the first group.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from fleetcal.metrology.budget import RefusedError
from fleetcal.metrology.drift_batches import UnitBatch
from fleetcal.metrology.drift_filter import LOG_2_PI
from fleetcal.metrology.drift_model import (
    Bools,
    DriftState,
    Floats,
    HyperParameters,
    require_shape,
    values_by_kind,
)

# Units to a chunk, so that the covariances of one step stay in the cache.
CHUNK = 2048


@dataclass(frozen=True, slots=True, eq=False)
class FilteredUnits:
    """State after the last step, log-likelihood (n), one-step innovations with their variances.

    Per group T × k × n, of the gross T × n. Where nothing was observed an innovation is 0 and its variance 1.
    Innovations of one ticket are correlated with each other; those of different steps are not.
    """

    state: DriftState
    log_likelihood: Floats
    innovation: Floats
    innovation_variance: Floats
    gross_innovation: Floats
    gross_innovation_variance: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Update:
    """What one ticket says: v and S's diagonal (k × n), L (k × k × n), e (k × n), W (k × D × n)."""

    v: Floats
    s: Floats
    lower: Floats
    scaled: Floats
    gain_root: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Step:
    """The prediction at a step (D × n, D × D × n), good until the next step is asked for, and its ticket.

    Of the covariance only the blocks on and above the diagonal are kept up; `mirror` completes it.
    """

    mean: Floats
    covariance: Floats
    update: Update | None


def filter_units(units: UnitBatch, parameters: Sequence[HyperParameters], start: DriftState) -> FilteredUnits:
    """Run every unit from its `start` (3k × n) through its steps.

    Prediction as in `filter_series`, group by group; the gross is never a series of its own. Fractions of full
    load, days. Refuses a start of another size and a noise covariance that is not positive definite.
    """
    steps, groups, count = units.load_ratio.shape
    require_shape("start", start.mean, (3 * groups, count))
    v, s = np.zeros((steps, groups, count)), np.ones((steps, groups, count))
    mean, covariance = np.empty_like(start.mean), np.empty_like(start.covariance)
    seen = units.observed.sum(axis=(0, 1)) + units.gross_observed.sum(axis=0)
    log_likelihood = -0.5 * LOG_2_PI * seen
    for low in range(0, count, CHUNK):
        part = slice(low, min(low + CHUNK, count))
        at = start.mean[:, part].copy(), start.covariance[:, :, part].copy()
        for number, step in enumerate(run_units(units, parameters, *at, part)):
            if (update := step.update) is not None:
                v[number, :, part], s[number, :, part] = update.v, update.s
                log_likelihood[part] -= _sum_squares_and_logs(update)
        mirror(at[1])
        mean[:, part], covariance[:, :, part] = at
    gross = units.gross_observed
    gross_v, gross_s = np.where(gross, v[:, 0], 0.0), np.where(gross, s[:, 0], 1.0)
    v[:, 0][gross], s[:, 0][gross] = 0.0, 1.0
    return FilteredUnits(DriftState(mean, covariance), log_likelihood, v, s, gross_v, gross_s)


def run_units(
    units: UnitBatch, parameters: Sequence[HyperParameters], mean: Floats, covariance: Floats, part: slice
) -> Iterator[Step]:
    """The steps of some units; moves `mean` and `covariance` in place."""
    kind = units.kind[:, part]
    zero_walk, span_walk, repeatability, zero_jump, span_jump = (
        values_by_kind(parameters, name, kind) ** 2
        for name in (
            "walk_zero_per_sqrt_day",
            "walk_span_per_sqrt_day",
            "repeatability",
            "jump_zero",
            "jump_span",
        )
    )
    weights = units.gross_weights[:, part]
    groups = len(kind)
    blocks = cut_blocks(groups)
    # The diagonals of the blocks of a and G, as views that are added to in place.
    variances = np.einsum("iin->in", covariance)
    zeros, spans = variances[:groups], variances[groups : 2 * groups]
    for number in range(len(units.gap_days)):
        days = units.gap_days[number, part]
        _advance(mean, covariance, days)
        zeros += zero_walk * days
        spans += span_walk * days
        if units.jump_share is not None:
            zeros += zero_jump * units.jump_share[number, :, part]
            spans += span_jump * units.jump_share[number, :, part]
        if units.resets is not None and (reset := units.resets.at[number, :, part]).any():
            _reset(mean, covariance, reset)
            zeros += reset * units.resets.u_zero[number, :, part] ** 2
            spans += reset * units.resets.u_span[number, :, part] ** 2
        update = _weigh(units, number, part, mean, covariance, repeatability, weights)
        yield Step(mean, covariance, update)
        if update is not None:
            mean += np.einsum("kin,kn->in", update.gain_root, update.scaled)
            for place, row in enumerate(blocks):
                for column in blocks[place:]:
                    root, other = update.gain_root[:, row], update.gain_root[:, column]
                    covariance[row, column] -= np.einsum("kin,kjn->ijn", root, other)


def weigh_rows(units: UnitBatch, number: int, part: slice) -> Floats:
    """How each row of a step's ticket weighs the groups' errors: k rows × k groups × n, zero where unseen."""
    observed = units.observed[number, :, part]
    rows = np.eye(len(observed))[:, :, None] * observed[None]
    rows[0] += units.gross_weights[:, part] * units.gross_observed[number, part]
    return np.asarray(rows)


def solve_lower(lower: Floats, right: Floats) -> Floats:
    """X of L·X = right by forward substitution, for L (k × k × n) and right (k × m × n)."""
    solved = np.empty_like(right)
    for i in range(len(lower)):
        rest = right[i]
        for j in range(i):
            rest = rest - lower[i, j] * solved[j]
        np.multiply(rest, 1.0 / lower[i, i], out=solved[i])
    return solved


def cut_blocks(groups: int) -> tuple[slice, slice, slice]:
    """Where all a, all G and all d of a stacked state stand."""
    return slice(groups), slice(groups, 2 * groups), slice(2 * groups, 3 * groups)


def mirror(covariance: Floats) -> None:
    """Fill the blocks below the diagonal in place."""
    zero, span, drift = cut_blocks(len(covariance) // 3)
    for row, column in ((zero, span), (zero, drift), (span, drift)):
        covariance[column, row] = covariance[row, column].swapaxes(0, 1)


def _advance(mean: Floats, covariance: Floats, days: Floats) -> None:
    """F·x and F·P·Fᵀ in place, exactly symmetric."""
    zero, span, drift = cut_blocks(len(mean) // 3)
    mean[span] += days * mean[drift]
    grown = days * covariance[drift, drift]
    half = days * (covariance[span, drift] + 0.5 * grown)
    covariance[span, span] += half + half.swapaxes(0, 1)
    covariance[zero, span] += days * covariance[zero, drift]
    covariance[span, drift] += grown


def _reset(mean: Floats, covariance: Floats, reset: Bools) -> None:
    kept = np.concatenate((~reset, ~reset, np.ones_like(reset)))
    mean *= kept
    covariance *= kept[:, None] & kept[None]


def _weigh(
    units: UnitBatch,
    number: int,
    part: slice,
    mean: Floats,
    covariance: Floats,
    repeatability: Floats,
    weights: Floats,
) -> Update | None:
    """Whiten a step's ticket; None where nobody was weighed."""
    observed, gross = units.observed[number, :, part], units.gross_observed[number, part]
    weighed = bool(gross.any())
    if not (weighed or observed.any()):
        return None
    groups, ratio = len(observed), units.load_ratio[number, :, part]
    zero, span, _ = cut_blocks(groups)
    cross = np.empty((groups, *mean.shape))
    np.multiply(ratio[:, None], covariance[zero, span].swapaxes(0, 1), out=cross[:, zero])
    np.multiply(ratio[:, None], covariance[span, span.start :], out=cross[:, span.start :])
    cross += covariance[zero]
    total = cross[:, zero] + ratio * cross[:, span]
    total += units.noise_covariance[number, :, :, part]
    np.einsum("iin->in", total)[...] += repeatability * units.repeat_weight[number, :, part]
    shown = mean[zero] + ratio * mean[span]
    v = units.error[number, :, part] - shown
    if weighed:
        sum_cross, sum_total = (weights[:, None] * cross).sum(axis=0), (weights[:, None] * total).sum(axis=0)
        cross[0] = np.where(gross, sum_cross, cross[0])
        total[0, 0] = np.where(gross, (weights * sum_total).sum(axis=0), total[0, 0])
        v[0] = np.where(gross, units.gross_error[number, part] - (weights * shown).sum(axis=0), v[0])
        observed = observed | gross * (np.arange(groups) == 0)[:, None]
    if not observed.all():
        _blank(v, cross, total, observed)
    s = np.einsum("iin->in", total).copy()
    lower = _factor(total)
    return Update(v, s, lower, solve_lower(lower, v[:, None])[:, 0], solve_lower(lower, cross))


def _blank(v: Floats, cross: Floats, total: Floats, observed: Bools) -> None:
    """Turn unseen rows into rows of unit variance that say nothing."""
    kept = observed.astype(np.float64)
    v *= kept
    cross *= kept[:, None]
    total *= kept[:, None] * kept[None]
    np.einsum("iin->in", total)[...] += 1.0 - kept


def _factor(total: Floats) -> Floats:
    """L of S = L·Lᵀ (k × k × n, lower half used); refuses what is not positive definite."""
    lower = np.zeros_like(total)
    for j in range(len(total)):
        pivot = total[j, j] - (lower[j, :j] ** 2).sum(axis=0)
        if not pivot.min() > 0.0:
            raise RefusedError(
                "innovation variance", float(pivot.min()), "a positive definite noise covariance"
            )
        lower[j, j] = np.sqrt(pivot)
        for i in range(j + 1, len(total)):
            lower[i, j] = (total[i, j] - (lower[i, :j] * lower[j, :j]).sum(axis=0)) / lower[j, j]
    return lower


def _sum_squares_and_logs(update: Update) -> Floats:
    """½(v·S⁻¹·v + ln det S), n."""
    diagonal = np.einsum("iin->in", update.lower)
    return np.asarray((0.5 * update.scaled**2 + np.log(diagonal)).sum(axis=0))
