"""Control charts of one series: individuals with moving range, EWMA, and tabular CUSUM.

Formulas: NIST/SEMATECH e-Handbook 6.3.2.2 (individuals), 6.3.2.3 (CUSUM), 6.3.2.4 (EWMA). Values are in any
one unit, in time order; `since`, `first` and `last` count observations from 0. The charts suppose independent
values of equal spread: checks at irregular dates go in as the filter's standardised one-step innovations
(`STANDARDISED`), never as raw differences. A series without values has an empty chart.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fleetcal.metrology.budget import RefusedError, require_not_negative, require_positive

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

INDIVIDUALS = "individuals"
MOVING_RANGE = "moving range"
EWMA = "ewma"
CUSUM = "cusum"

ABOVE = "above"
BELOW = "below"

WIDTH_SIGMAS = 3.0
# For ranges of two values. The e-Handbook and every printed table round 2/√π so; more digits would not
# reproduce them.
D2 = 1.128
D4 = 3.267

# λ and L with which a false alarm comes once in 500 values, with the limits of a long run (Lucas and
# Saccucci, from memory).
EWMA_WEIGHT = 0.2
EWMA_WIDTH_SIGMAS = 2.962
# k and h with which a false alarm comes once in 465 values (Montgomery's table, from memory).
CUSUM_K_SIGMAS = 0.5
CUSUM_H_SIGMAS = 5.0

# Beyond this a square or a sum could overflow.
LARGEST = 1e150


@dataclass(frozen=True, slots=True)
class Baseline:
    """Centre line and standard deviation of a single value, in the unit of the values."""

    centre: float
    sigma: float

    def __post_init__(self) -> None:
        if not abs(self.centre) <= LARGEST:
            raise RefusedError("centre line", self.centre, f"a number within ±{LARGEST:g}")
        require_positive("standard deviation", self.sigma)
        if self.sigma > LARGEST:
            raise RefusedError("standard deviation", self.sigma, f"at most {LARGEST:g}")


STANDARDISED = Baseline(centre=0.0, sigma=1.0)


@dataclass(frozen=True, slots=True)
class Signal:
    """A run of observations, `first` to `last`, at which one rule found the series beyond its limit.

    `since` is where the departure is taken to have begun: for CUSUM the observation after the sum was last
    zero, for EWMA the one after the average was last on the other side of the centre, for a moving range the
    earlier of its two values, for individuals the first point outside.
    """

    rule: str
    side: str
    since: int
    first: int
    last: int


@dataclass(frozen=True, slots=True, eq=False)
class Chart:
    """Points with their limits, (n) each; those of a moving range (n − 1) start at observation 1."""

    rule: str
    centre: float
    points: Floats
    lower: Floats
    upper: Floats
    signals: tuple[Signal, ...]


@dataclass(frozen=True, slots=True, eq=False)
class CusumChart:
    """Sums of departures `high` and `low` (n), both counted upwards, and the decision interval they share."""

    high: Floats
    low: Floats
    decision_interval: float
    signals: tuple[Signal, ...]


@dataclass(frozen=True, slots=True, eq=False)
class SeriesCharts:
    """The four charts of one series, and all their signals by when they fired."""

    individuals: Chart
    moving_range: Chart
    ewma: Chart
    cusum: CusumChart
    signals: tuple[Signal, ...]


def chart_series(values: ArrayLike, baseline: Baseline = STANDARDISED) -> SeriesCharts:
    """All four charts with their usual settings, by default of standardised innovations."""
    individuals = chart_individuals(values, baseline)
    moving_range = chart_moving_range(values, baseline)
    ewma = chart_ewma(values, baseline)
    cusum = chart_cusum(values, baseline)
    signals = individuals.signals + moving_range.signals + ewma.signals + cusum.signals
    ordered = tuple(sorted(signals, key=lambda signal: (signal.first, signal.since)))
    return SeriesCharts(individuals, moving_range, ewma, cusum, ordered)


def estimate_baseline(values: ArrayLike) -> Baseline:
    """Mean, and σ = mean moving range / 1.128, of at least two values that are not all alike."""
    x = _take(values)
    if x.size < 2:
        raise RefusedError("values of the series", x.size, "at least 2")
    mean_range = float(np.abs(np.diff(x)).mean())
    require_positive("mean moving range", mean_range)
    return Baseline(centre=float(x.mean()), sigma=mean_range / D2)


def chart_individuals(values: ArrayLike, baseline: Baseline) -> Chart:
    """Each value against centre ± 3σ."""
    x = _take(values)
    half = WIDTH_SIGMAS * baseline.sigma
    lower, upper = np.full(x.size, baseline.centre - half), np.full(x.size, baseline.centre + half)
    high, low = x > upper, x < lower
    signals = _collect(INDIVIDUALS, ABOVE, high, high) + _collect(INDIVIDUALS, BELOW, low, low)
    return Chart(INDIVIDUALS, baseline.centre, x, lower, upper, signals)


def chart_moving_range(values: ArrayLike, baseline: Baseline) -> Chart:
    """|x_i − x_(i−1)| against 3.267 times its mean, which is 1.128 σ."""
    x = _take(values)
    ranges = np.abs(np.diff(x))
    centre = D2 * baseline.sigma
    upper = np.full(ranges.size, D4 * centre)
    beyond = ranges > upper
    signals = tuple(
        Signal(MOVING_RANGE, ABOVE, since=found.first, first=found.first + 1, last=found.last + 1)
        for found in _collect(MOVING_RANGE, ABOVE, beyond, beyond)
    )
    return Chart(MOVING_RANGE, centre, ranges, np.zeros(ranges.size), upper, signals)


def step_ewma(average: float, value: float, weight: float) -> float:
    """z_i = λ·x_i + (1 − λ)·z_(i−1)."""
    return weight * value + (1.0 - weight) * average


def chart_ewma(
    values: ArrayLike,
    baseline: Baseline,
    weight: float = EWMA_WEIGHT,
    width_sigmas: float = EWMA_WIDTH_SIGMAS,
) -> Chart:
    """EWMA from the centre line, with the exact limits of each observation.

    z_0 = centre; limits centre ± L·σ·√(λ/(2 − λ)·(1 − (1 − λ)^(2i))) for i = 1 … n.
    """
    if not 0.0 < weight <= 1.0:
        raise RefusedError("EWMA weight", weight, "above 0, at most 1")
    require_positive("width of the EWMA limits", width_sigmas, "σ")
    x = _take(values)
    averages = np.empty(x.size)
    average = baseline.centre
    for i, value in enumerate(x.tolist()):
        average = averages[i] = step_ewma(average, value, weight)
    settled = 1.0 - (1.0 - weight) ** (2.0 * np.arange(1, x.size + 1))
    half = width_sigmas * baseline.sigma * np.sqrt(weight / (2.0 - weight) * settled)
    lower, upper = baseline.centre - half, baseline.centre + half
    signals = _collect(EWMA, ABOVE, averages > upper, averages > baseline.centre)
    signals += _collect(EWMA, BELOW, averages < lower, averages < baseline.centre)
    return Chart(EWMA, baseline.centre, averages, lower, upper, signals)


def step_cusum(high: float, low: float, deviation: float, allowance: float) -> tuple[float, float]:
    """max(0, S_hi + d − k) and max(0, S_lo − d − k) for the deviation d from the target."""
    return max(0.0, high + deviation - allowance), max(0.0, low - deviation - allowance)


def chart_cusum(
    values: ArrayLike,
    baseline: Baseline,
    k_sigmas: float = CUSUM_K_SIGMAS,
    h_sigmas: float = CUSUM_H_SIGMAS,
) -> CusumChart:
    """Both one-sided sums from zero, in the unit of the values; a sum above h·σ signals.

    k is half the shift, in σ, that is to be found quickly. The sums go on after a signal.
    """
    require_not_negative("CUSUM allowance k", k_sigmas, "σ")
    require_positive("CUSUM decision interval h", h_sigmas, "σ")
    x = _take(values)
    high, low = np.empty(x.size), np.empty(x.size)
    up = down = 0.0
    for i, deviation in enumerate((x - baseline.centre).tolist()):
        up, down = high[i], low[i] = step_cusum(up, down, deviation, k_sigmas * baseline.sigma)
    interval = h_sigmas * baseline.sigma
    signals = _collect(CUSUM, ABOVE, high > interval, high > 0.0)
    signals += _collect(CUSUM, BELOW, low > interval, low > 0.0)
    return CusumChart(high, low, interval, signals)


def _take(values: ArrayLike) -> Floats:
    x = np.asarray(values, dtype=np.float64)
    if x.ndim != 1:
        raise RefusedError("series", f"an array of shape {x.shape}", "one row of values")
    for i, value in enumerate(x.tolist()):
        if not (math.isfinite(value) and abs(value) <= LARGEST):
            raise RefusedError(f"value {i} of the series", value, f"a number within ±{LARGEST:g}")
    return x


def _collect(rule: str, side: str, beyond: Bools, departed: Bools) -> tuple[Signal, ...]:
    """A signal for each run of `beyond`, which implies `departed`; `since` is where that run began."""
    steps = np.diff(np.concatenate(([False], beyond, [False])).astype(np.int8))
    firsts, lasts = np.flatnonzero(steps == 1), np.flatnonzero(steps == -1) - 1
    home = np.flatnonzero(~departed)
    returned = np.searchsorted(home, firsts)
    since = [int(home[place - 1]) + 1 if place else 0 for place in returned]
    return tuple(
        Signal(rule, side, since=start, first=int(first), last=int(last))
        for start, first, last in zip(since, firsts, lasts, strict=True)
    )
