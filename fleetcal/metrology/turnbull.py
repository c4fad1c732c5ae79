"""Reliability without a model: the non-parametric estimate from interval-censored ages (Turnbull, 1976).

The likelihood sees only how much probability lies in each innermost interval, (a, b] with a lower limit a and
an upper limit b next to each other among all limits; within one, the estimate says nothing.
"""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import nnls

from fleetcal.metrology.censored_ages import CensoredAges, Floats, Undetermined, take_ages

# A log-likelihood this close to the greatest one, per item, is the greatest.
_GAP_PER_ITEM = 1e-10
_STEPS = 300


@dataclass(frozen=True, slots=True, eq=False)
class TurnbullEstimate:
    """Probability `masses` (k), summing to 1, of leaving the tolerance in (left_days, right_days] (k each).

    The last right limit may be infinite: that mass had not left the tolerance. `likelihood_gap` bounds by how
    much the log-likelihood falls short of the greatest possible.
    """

    left_days: Floats
    right_days: Floats
    masses: Floats
    log_likelihood: float
    likelihood_gap: float

    def bounds_at(self, age_days: float) -> tuple[float, float]:
        """The least and the greatest reliability at an age; they differ only inside an interval with mass."""
        age = float(take_ages(age_days))
        return (
            max(0.0, 1.0 - float(self.masses[self.left_days < age].sum())),
            max(0.0, 1.0 - float(self.masses[self.right_days <= age].sum())),
        )


def estimate_turnbull(ages: CensoredAges) -> TurnbullEstimate:
    """Maximise Σ n_i·ln(Σ_k α_ik·p_k) over p >= 0 with Σ p = 1, α_ik saying whether k lies within item i.

    Constrained Newton steps (Wang, 2007, from memory): the quadratic approximation is a least-squares problem
    in r_i = α_i·p_new/α_i·p that non-negative least squares solves, halved until the likelihood rises. The
    plain fixed-point iteration takes tens of thousands of steps where a mass goes to zero. Stops when the
    gap max_k Σ_i n_i·α_ik/α_i·p − N, which bounds what is left to gain, is nil.
    """
    left, right = _find_innermost(ages)
    within = (ages.lower_days[:, None] <= left) & (right <= ages.upper_days[:, None])
    alpha, n = within.astype(np.float64), ages.counts
    p = np.full(left.size, 1.0 / left.size)
    for _ in range(_STEPS):
        chance = alpha @ p
        value = float(n @ np.log(chance))
        ratio = alpha / chance[:, None]
        gap = float((ratio.T @ n).max() - n.sum())
        if gap <= _GAP_PER_ITEM * ages.items:
            break
        p = _improve(p, ratio, n)
    else:
        raise Undetermined(
            f"the estimate from {ages.items} items did not settle: {gap:g} of likelihood to gain"
        )
    held = p > 0.0
    return TurnbullEstimate(left[held], right[held], p[held], value, max(gap, 0.0))


def _find_innermost(ages: CensoredAges) -> tuple[Floats, Floats]:
    limits = np.concatenate((ages.lower_days, ages.upper_days))
    is_lower = np.repeat([True, False], ages.lower_days.size)
    # (·, t] and (t, ·] do not overlap: at one age an upper limit comes before a lower one.
    order = np.lexsort((is_lower, limits))
    limits, is_lower = limits[order], is_lower[order]
    start = np.flatnonzero(is_lower[:-1] & ~is_lower[1:])
    return limits[start], limits[start + 1]


def _improve(p: Floats, ratio: Floats, n: Floats) -> Floats:
    """One step: argmin Σ n·(r − 2)² over the simplex, by halves back towards p until the likelihood rises.

    With Σ p = 1 the sum is |√n·(ratio − 2)·p|², homogeneous in p, so that the row of ones fixes the scale only.
    """
    rows = np.sqrt(n)[:, None] * (ratio - 2.0)
    target = np.zeros(n.size + 1)
    target[-1] = 1.0
    found, _ = nnls(np.vstack((rows, np.ones(p.size))), target, maxiter=100 * p.size)
    direction = found / found.sum() - p
    slope = float(n @ (ratio @ direction))
    fraction = 1.0
    while fraction > 1e-9:
        gained = 1.0 + fraction * (ratio @ direction)
        # A full step can leave an item with no probability at all, from which there is no way back.
        if gained.min() > 0.01 and float(n @ np.log(gained)) >= fraction * slope / 3.0:
            break
        fraction /= 2.0
    moved = np.maximum(p + fraction * direction, 0.0)
    return np.asarray(moved / moved.sum())
