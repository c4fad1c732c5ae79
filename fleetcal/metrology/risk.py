"""Probability that a display is out of tolerance: today, forward to a due date, and back over past days.

Errors and tolerances are fractions of the subject's full load; for the gross, of the sum of its groups'. With
the error N(m, s²), P(|e| > T) = Φ((−T − m)/s) + Φ((m − T)/s).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr

from fleetcal.metrology.budget import RefusedError
from fleetcal.metrology.drift_model import (
    FRACTION,
    Bools,
    DriftState,
    Floats,
    HyperParameters,
    Integers,
    require_all_finite,
    require_at_least_zero,
    require_flags,
    require_shape,
    values_by_kind,
)
from fleetcal.metrology.drift_smoother import SmoothedUnits

BY_RISK = "risk"
BY_LONGEST = "longest interval"
BY_SHORTEST = "shortest interval"
BY_FIXED = "fixed interval"
BY_RECORD = "record"

SCAN_DAYS = 7.0
# Halvings of a week: below a thousandth of a second.
HALVINGS = 30
LOOK_BACK_LEVELS = (0.05, 0.50, 0.95)


@dataclass(frozen=True, slots=True, eq=False)
class ErrorForecast:
    """Error t days after the state without further events: mean m0 + m1·t, variance v0 + v1·t + v2·t² (n each)."""

    mean: Floats
    mean_per_day: Floats
    variance: Floats
    variance_per_day: Floats
    variance_per_day2: Floats

    def predict(self, days: ArrayLike) -> tuple[Floats, Floats]:
        """Mean and variance after `days` (one number, or n)."""
        t = np.asarray(days, dtype=np.float64)
        require_at_least_zero("days ahead", t, "days")
        return (
            np.asarray(self.mean + self.mean_per_day * t),
            np.asarray(self.variance + t * (self.variance_per_day + t * self.variance_per_day2)),
        )


@dataclass(frozen=True, slots=True, eq=False)
class DueRule:
    """What binds a due date besides the risk; days count from the state's day, per subject (n).

    `limit` is the probability that is not to be passed. Not before `earliest_days`, not after `latest_days`,
    on `demanded_days` where a record demands a check (infinite where none does). Where not `informed` the
    model has too little to say, and `fixed_days` rules.
    """

    limit: float
    earliest_days: Floats
    latest_days: Floats
    fixed_days: Floats | None = None
    informed: Bools | None = None
    demanded_days: Floats | None = None

    def __post_init__(self) -> None:
        if not 0.0 < self.limit < 1.0:
            raise RefusedError("risk limit", self.limit, "above 0, below 1")
        for name, values in (
            ("shortest interval", self.earliest_days),
            ("longest interval", self.latest_days),
            ("fixed interval", self.fixed_days),
        ):
            if values is not None:
                require_shape(name, values, self.earliest_days.shape)
                require_all_finite(name, values, "days")
        if (self.earliest_days > self.latest_days).any():
            gap = float((self.earliest_days - self.latest_days).max())
            raise RefusedError(
                "shortest interval", f"longest + {gap:g}", "not longer than the longest", "days"
            )
        if (self.fixed_days is None) != (self.informed is None):
            raise RefusedError(
                "fixed interval", "without its counterpart", "fixed_days and informed together"
            )
        if self.informed is not None:
            require_flags("informed", self.informed, self.earliest_days.shape)
        if self.demanded_days is not None:
            require_shape("demanded day", self.demanded_days, self.earliest_days.shape)
            if np.isnan(self.demanded_days).any():
                raise RefusedError("demanded day", "nan", "a number", "days")


@dataclass(frozen=True, slots=True, eq=False)
class DueDates:
    """Due `days` after the state's day, which rule decided, and the risk on that day (n each).

    `risk` is that of the state's own day where the due day lies before it.
    """

    days: Floats
    decided_by: NDArray[np.str_]
    risk: Floats


@dataclass(frozen=True, slots=True, eq=False)
class LookBack:
    """Probability of having been out of tolerance on each day (m), and the first days above 5, 50, 95 %."""

    days: Floats
    probability: Floats
    first_above_5: float | None
    first_above_50: float | None
    first_above_95: float | None


def forecast_group(
    state: DriftState, parameters: Sequence[HyperParameters], kind: Integers, group: int, load_ratio: Floats
) -> ErrorForecast:
    """Forecast of one group's error at load_ratio (n) of its full load; `kind` is k × n, or n for series."""
    kinds = np.atleast_2d(kind)
    weights = _mark_group(group, kinds.shape)
    require_shape("load ratio", load_ratio, kinds.shape[1:])
    return _forecast(state, parameters, kinds, weights, np.broadcast_to(load_ratio, kinds.shape))


def forecast_gross(
    state: DriftState,
    parameters: Sequence[HyperParameters],
    kind: Integers,
    full_load_kg: Floats,
    load_ratio: Floats,
) -> ErrorForecast:
    """Forecast of the gross error as a fraction of Σ R_max, its groups loaded to load_ratio (all k × n)."""
    require_shape("full loads", full_load_kg, kind.shape)
    require_shape("load ratio", load_ratio, kind.shape)
    return _forecast(state, parameters, kind, full_load_kg / full_load_kg.sum(axis=0), load_ratio)


def judge_group(smoothed: SmoothedUnits, group: int, load_ratio: Floats) -> tuple[Floats, Floats]:
    """Mean and variance (T × n) of one group's past error at load_ratio (n) of its full load."""
    weights = _mark_group(group, (smoothed.mean.shape[1] // 3, smoothed.mean.shape[2]))
    return _project(smoothed, weights, np.broadcast_to(load_ratio, weights.shape))


def judge_gross(smoothed: SmoothedUnits, full_load_kg: Floats, load_ratio: Floats) -> tuple[Floats, Floats]:
    """Mean and variance (T × n) of the past gross error as a fraction of Σ R_max (arguments k × n)."""
    return _project(smoothed, full_load_kg / full_load_kg.sum(axis=0), load_ratio)


def find_risk(mean: ArrayLike, variance: ArrayLike, tolerance: ArrayLike) -> Floats:
    """P(|e| > T) for e ~ N(mean, variance), all of one unit; a known error is out of tolerance or not."""
    m, v, limit = (np.asarray(each, dtype=np.float64) for each in (mean, variance, tolerance))
    require_at_least_zero("tolerance", limit, FRACTION)
    u = np.sqrt(np.maximum(v, 0.0))
    known = u == 0.0
    divisor = np.where(known, 1.0, u)
    spread = ndtr((-limit - m) / divisor) + ndtr((m - limit) / divisor)
    return np.asarray(np.where(known, (np.abs(m) > limit).astype(np.float64), spread))


def find_crossings(forecast: ErrorForecast, tolerance: Floats, limit: float, until_days: Floats) -> Floats:
    """First day on which the risk passes `limit`, n; infinite where it does not up to `until_days`.

    The risk falls where the mean crosses zero on its way, so it is scanned by week, then bisected: a stay
    above the limit of less than a week between two scans goes unseen.
    """
    crossing = np.full(len(forecast.mean), np.inf)
    before = np.zeros(len(crossing))
    day, horizon = 0.0, float(until_days.max(initial=0.0))
    while True:
        # The last scan of each subject falls on its own last day.
        at = np.minimum(day, np.maximum(until_days, 0.0))
        passed = (
            np.isinf(crossing) & (find_risk(*forecast.predict(at), tolerance) > limit) & (until_days >= 0.0)
        )
        crossing[passed] = at[passed]
        open_still = np.isinf(crossing)
        before[open_still] = at[open_still]
        if day >= horizon or not open_still.any():
            break
        day += SCAN_DAYS
    found = np.isfinite(crossing)
    low, high = before, np.where(found, crossing, before)
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        above = find_risk(*forecast.predict(middle), tolerance) > limit
        low, high = np.where(above, low, middle), np.where(above, middle, high)
    # Above from the first day on: there is nothing to bisect.
    return np.where(found, np.where(crossing == 0.0, 0.0, high), np.inf)


def find_due_dates(forecast: ErrorForecast, tolerance: Floats, rule: DueRule) -> DueDates:
    """When each subject is due: the first day on which P(|e| > T) passes the limit, within the rule's bounds."""
    count = len(forecast.mean)
    for name, values in (
        ("tolerance", tolerance),
        ("shortest", rule.earliest_days),
        ("longest", rule.latest_days),
    ):
        require_shape(name, values, (count,))
    crossing = find_crossings(forecast, tolerance, rule.limit, rule.latest_days)
    days = np.clip(crossing, rule.earliest_days, rule.latest_days)
    decided = np.where(
        crossing > rule.latest_days, BY_LONGEST, np.where(crossing < rule.earliest_days, BY_SHORTEST, BY_RISK)
    )
    if rule.fixed_days is not None and rule.informed is not None:
        days = np.where(rule.informed, days, rule.fixed_days)
        decided = np.where(rule.informed, decided, BY_FIXED)
    if rule.demanded_days is not None:
        demanded = rule.demanded_days < days
        days = np.where(demanded, rule.demanded_days, days)
        decided = np.where(demanded, BY_RECORD, decided)
    return DueDates(days, decided, find_risk(*forecast.predict(np.maximum(days, 0.0)), tolerance))


def look_back(days: Floats, mean: Floats, variance: Floats, tolerance: float) -> LookBack:
    """The out-of-tolerance history of one subject from its smoothed errors on `days` (all m), in order."""
    for name, values in (("mean", mean), ("variance", variance)):
        require_shape(name, values, days.shape)
    require_all_finite("days", days, "days")
    if (np.diff(days) <= 0.0).any():
        raise RefusedError("days", "some out of order", "rising days", "days")
    probability = find_risk(mean, variance, tolerance)
    firsts = [
        float(days[above.argmax()]) if (above := probability > level).any() else None
        for level in LOOK_BACK_LEVELS
    ]
    return LookBack(days, probability, *firsts)


def _mark_group(group: int, shape: tuple[int, ...]) -> Floats:
    if not 0 <= group < shape[0]:
        raise RefusedError("group", group, f"0 to {shape[0] - 1}")
    weights = np.zeros(shape)
    weights[group] = 1.0
    return weights


def _forecast(
    state: DriftState,
    parameters: Sequence[HyperParameters],
    kinds: Integers,
    weights: Floats,
    load_ratio: Floats,
) -> ErrorForecast:
    """h = (w, w·r, 0) sees today's error and g = (0, 0, w·r) its growth: v0 = h·P·h, v1 = 2·h·P·g + walks, v2 = g·P·g."""
    groups, count = kinds.shape
    require_shape("state's mean", state.mean, (3 * groups, count))
    require_all_finite("load ratio", load_ratio, FRACTION)
    loaded, nothing = weights * load_ratio, np.zeros_like(weights)
    today = np.concatenate((weights, loaded, nothing))
    growth = np.concatenate((nothing, nothing, loaded))
    zero_walk = values_by_kind(parameters, "walk_zero_per_sqrt_day", kinds) ** 2
    span_walk = values_by_kind(parameters, "walk_span_per_sqrt_day", kinds) ** 2
    spread_today = np.einsum("ijn,jn->in", state.covariance, today)
    spread_growth = np.einsum("ijn,jn->in", state.covariance, growth)
    walks = (weights**2 * zero_walk + loaded**2 * span_walk).sum(axis=0)
    return ErrorForecast(
        mean=(today * state.mean).sum(axis=0),
        mean_per_day=(growth * state.mean).sum(axis=0),
        variance=(today * spread_today).sum(axis=0),
        variance_per_day=2.0 * (growth * spread_today).sum(axis=0) + walks,
        variance_per_day2=(growth * spread_growth).sum(axis=0),
    )


def _project(smoothed: SmoothedUnits, weights: Floats, load_ratio: Floats) -> tuple[Floats, Floats]:
    seen = np.concatenate((weights, weights * load_ratio, np.zeros_like(weights)))
    mean = np.einsum("in,tin->tn", seen, smoothed.mean)
    variance = np.einsum("in,tijn,jn->tn", seen, smoothed.covariance, seen, optimize=True)
    return mean, np.maximum(variance, 0.0)
