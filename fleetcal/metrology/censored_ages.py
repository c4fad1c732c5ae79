"""As-found results as interval-censored data: between which two ages each item left its tolerance.

A result says only on which side of a check the tolerance was left: an item left it in (lower, upper] days,
with lower 0 where no earlier check of that epoch was in tolerance and upper infinite where it was still in
tolerance at its last check.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fleetcal.metrology.budget import RefusedError
from fleetcal.metrology.intervals import LONGEST_DAYS

Floats = NDArray[np.float64]


class Undetermined(ValueError):
    """The results do not determine the model; the message says what is lacking, with the counts."""


@dataclass(frozen=True, slots=True, eq=False)
class CensoredAges:
    """`counts` (m) items that left the tolerance in (lower_days, upper_days] (m each)."""

    lower_days: Floats
    upper_days: Floats
    counts: Floats

    def __post_init__(self) -> None:
        lower, upper, counts = self.lower_days, self.upper_days, self.counts
        if lower.ndim != 1 or not lower.size or not lower.shape == upper.shape == counts.shape:
            shapes = f"{lower.shape}, {upper.shape} and {counts.shape}"
            raise RefusedError("lower ages, upper ages and counts", shapes, "three rows of one length")
        for low, high, count in zip(lower.tolist(), upper.tolist(), counts.tolist(), strict=True):
            if not 0.0 <= low <= LONGEST_DAYS:
                raise RefusedError("lower age", low, f"0 to {LONGEST_DAYS:g} d", "d")
            if not (low < high and (high <= LONGEST_DAYS or high == math.inf)):
                accepted = f"above the lower age {low:g} d, to {LONGEST_DAYS:g} d or infinite"
                raise RefusedError("upper age", high, accepted, "d")
            if not (count >= 1.0 and math.isfinite(count) and count == round(count)):
                raise RefusedError("items", count, "a whole number of at least 1")

    @property
    def items(self) -> int:
        return int(self.counts.sum())

    @property
    def found_out(self) -> int:
        """Items that were found out of tolerance."""
        return int(self.counts[np.isfinite(self.upper_days)].sum())


def collect_ages(
    lower_days: ArrayLike, upper_days: ArrayLike, counts: ArrayLike | None = None
) -> CensoredAges:
    """The items by their limits (m each), equal rows added up; one item a row where no counts are given."""
    lower, upper = np.asarray(lower_days, dtype=np.float64), np.asarray(upper_days, dtype=np.float64)
    each = np.ones(lower.shape) if counts is None else np.asarray(counts, dtype=np.float64)
    checked = CensoredAges(lower, upper, each)
    rows, place = np.unique(
        np.column_stack((checked.lower_days, checked.upper_days)), axis=0, return_inverse=True
    )
    return CensoredAges(rows[:, 0], rows[:, 1], np.bincount(place.ravel(), weights=each).astype(np.float64))


def collect_as_found(
    ages_days: ArrayLike, in_tolerance: ArrayLike, last_good_days: ArrayLike | None = None
) -> CensoredAges:
    """Each item's last check of an epoch: its age, whether it was in tolerance, and its last good check before.

    An item goes in once an epoch: earlier checks in tolerance are told by `last_good_days` (0 for none).
    """
    ages, good = np.asarray(ages_days, dtype=np.float64), np.asarray(in_tolerance, dtype=np.bool_)
    earlier = np.zeros(ages.shape) if last_good_days is None else np.asarray(last_good_days, dtype=np.float64)
    if not ages.shape == good.shape == earlier.shape:
        shapes = f"{ages.shape}, {good.shape} and {earlier.shape}"
        raise RefusedError("ages, results and earlier ages", shapes, "three rows of one length")
    return collect_ages(np.where(good, ages, earlier), np.where(good, math.inf, ages))


def take_ages(ages_days: ArrayLike) -> Floats:
    """Ages (any shape) as an array; refuses what is not 0 to a million days."""
    ages = np.asarray(ages_days, dtype=np.float64)
    for age in ages.ravel().tolist():
        if not 0.0 <= age <= LONGEST_DAYS:
            raise RefusedError("age", age, f"0 to {LONGEST_DAYS:g} d", "d")
    return ages
