"""Does a reliability model hold? X² and G² of grouped results against what the model expects.

X² = Σ (O − E)²/E and G² = 2·Σ O·ln(O/E), both chi-square with (cells that can differ − parameters) degrees
of freedom if the model holds and expected counts are not small (5 or more by a common rule, from memory);
`smallest_expected` lets the reader judge.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import chdtrc, xlogy

from fleetcal.metrology.budget import RefusedError
from fleetcal.metrology.censored_ages import Floats, take_ages
from fleetcal.metrology.reliability import ReliabilityFit


@dataclass(frozen=True, slots=True)
class GoodnessOfFit:
    """Observed and expected items by cell; the probabilities are None without degrees of freedom."""

    observed: tuple[float, ...]
    expected: tuple[float, ...]
    x2: float
    g2: float
    degrees_of_freedom: int
    x2_probability: float | None
    g2_probability: float | None

    @property
    def smallest_expected(self) -> float:
        return min(self.expected)


def compare_partition(fit: ReliabilityFit, edges_days: ArrayLike, counts: ArrayLike) -> GoodnessOfFit:
    """One sample followed through the rising `edges_days` (k): `counts` (k + 1) left in each, the last in none."""
    edges, observed = _take_edges(edges_days), _take_counts(counts)
    if observed.shape != (edges.size + 1,):
        raise RefusedError("counts", observed.size, f"{edges.size + 1}, one more than the edges")
    reached = np.concatenate(([1.0], fit.reliability_at(edges), [0.0]))
    expected = observed.sum() * (reached[:-1] - reached[1:])
    return _compare(observed, expected, edges.size - fit.parameters)


def compare_by_age(
    fit: ReliabilityFit, ages_days: ArrayLike, in_tolerance: ArrayLike, edges_days: ArrayLike
) -> GoodnessOfFit:
    """Checks (m), one an item and epoch, grouped by age into (0, e_1], (e_1, e_2] … (e_k, ∞).

    Each group with checks has two cells, in and out of tolerance, and one degree of freedom; it expects
    Σ R(t_i) of its own ages in tolerance, so that the ages of a group need not be equal.
    """
    ages, good = take_ages(ages_days), np.asarray(in_tolerance, dtype=np.bool_)
    if ages.ndim != 1 or not ages.size or ages.shape != good.shape:
        raise RefusedError("ages and results", f"{ages.shape} and {good.shape}", "two rows of one length")
    edges = _take_edges(edges_days)
    group = np.searchsorted(edges, ages)
    checked, seen, hoped = (
        np.bincount(group, weights=w, minlength=edges.size + 1)
        for w in (np.ones(ages.size), good.astype(np.float64), fit.reliability_at(ages))
    )
    used = checked > 0.0
    observed = np.concatenate((seen[used], (checked - seen)[used]))
    expected = np.concatenate((hoped[used], (checked - hoped)[used]))
    return _compare(observed, expected, int(used.sum()) - fit.parameters)


def _compare(observed: Floats, expected: Floats, degrees_of_freedom: int) -> GoodnessOfFit:
    if not (expected > 1e-9).all():
        raise RefusedError("smallest expected count", float(expected.min()), "above 1e-9: group more widely")
    x2 = float(((observed - expected) ** 2 / expected).sum())
    g2 = max(0.0, float(2.0 * xlogy(observed, observed / expected).sum()))
    tested = degrees_of_freedom > 0
    return GoodnessOfFit(
        observed=tuple(observed.tolist()),
        expected=tuple(expected.tolist()),
        x2=x2,
        g2=g2,
        degrees_of_freedom=max(degrees_of_freedom, 0),
        x2_probability=float(chdtrc(degrees_of_freedom, x2)) if tested else None,
        g2_probability=float(chdtrc(degrees_of_freedom, g2)) if tested else None,
    )


def _take_edges(edges_days: ArrayLike) -> Floats:
    edges = take_ages(edges_days)
    if edges.ndim != 1 or not edges.size or not (np.diff(edges, prepend=0.0) > 0.0).all():
        raise RefusedError("edges", edges.tolist(), "rising ages above 0 d", "d")
    return edges


def _take_counts(counts: ArrayLike) -> Floats:
    observed = np.asarray(counts, dtype=np.float64)
    if observed.ndim != 1 or not np.isfinite(observed).all() or (observed < 0.0).any() or not observed.any():
        raise RefusedError("counts", observed.tolist(), "numbers of at least 0, not all 0")
    return observed
