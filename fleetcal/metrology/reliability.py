"""In-tolerance reliability against time since calibration: exponential and Weibull models, and the interval.

Formulas: Nelson (1982), Meeker and Escobar (1998), both from memory. Ages in days.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri

from fleetcal.metrology.censored_ages import CensoredAges, Undetermined, take_ages
from fleetcal.metrology.intervals import CONFIDENCE, LONGEST_DAYS, require_share

Floats = NDArray[np.float64]

EXPONENTIAL = "exponential"
WEIBULL = "weibull"

# A shorter interval is none.
SHORTEST_DAYS = 1e-6
# Equal shares at all ages give a shape of zero but for rounding.
_FLATTEST_SHAPE = 1e-6
# ln of the longest scale that is still given as a number.
_LARGEST_LOG_DAYS = 600.0
# Hazards beyond e^300 make a likelihood zero all the same, and their squares still fit in a float.
_STEEPEST = 300.0
_STEPS = 100


@dataclass(frozen=True, slots=True)
class ReliabilityFit:
    """R(t) = exp(−H(t)) with ln H = β·(ln t − centre) − c, which is R = exp(−(t/η)^β); β = 1 is exponential.

    `covariance` is that of (c, β). It is in ln H that the model is linear, hence the bands on that scale.
    """

    model: str
    c: float
    shape: float
    centre_log_days: float
    covariance: tuple[tuple[float, float], tuple[float, float]]
    log_likelihood: float
    items: int
    found_out: int
    oldest_days: float

    @property
    def parameters(self) -> int:
        return 1 if self.model == EXPONENTIAL else 2

    @property
    def scale_days(self) -> float:
        """η, the age by which R has come down to 1/e; for the exponential model the mean, 1/λ."""
        return math.exp(self.centre_log_days + self.c / self.shape)

    @property
    def u_scale_days(self) -> float:
        """By the delta method: η·u(ln η)."""
        return self.scale_days * self.u_log_age(self.c)

    @property
    def rate_per_day(self) -> float:
        """1/η; the failure rate λ of the exponential model."""
        return 1.0 / self.scale_days

    @property
    def u_rate_per_day(self) -> float:
        return self.rate_per_day * self.u_log_age(self.c)

    @property
    def u_shape(self) -> float:
        return math.sqrt(self.covariance[1][1])

    def reliability_at(self, ages_days: ArrayLike) -> Floats:
        """R at ages of at least 0 days (any shape)."""
        return self._reliability(take_ages(ages_days), 0.0)

    def band_at(self, ages_days: ArrayLike, confidence: float = CONFIDENCE) -> tuple[Floats, Floats]:
        """Lower and upper limits of R, each age by itself: exp(−exp(ln H ± z·u(ln H)))."""
        require_share("confidence", confidence)
        ages, z = take_ages(ages_days), float(ndtri((1.0 + confidence) / 2.0))
        return self._reliability(ages, z), self._reliability(ages, -z)

    def _reliability(self, ages_days: Floats, z: float) -> Floats:
        # Some age above zero stands in for zero, at which ln H has no value and R is 1.
        x = np.log(np.where(ages_days > 0.0, ages_days, 1.0)) - self.centre_log_days
        (cc, cb), (_, bb) = self.covariance
        u = np.sqrt(np.maximum(cc - 2.0 * x * cb + x**2 * bb, 0.0))
        log_hazard = np.minimum(self.shape * x - self.c + z * u, _STEEPEST)
        return np.asarray(np.where(ages_days > 0.0, np.exp(-np.exp(log_hazard)), 1.0))

    def u_log_age(self, numerator: float) -> float:
        """u of numerator/β, the log of an age, where the numerator is c plus a constant."""
        (cc, cb), (_, bb) = self.covariance
        slope = -numerator / self.shape
        return math.sqrt(max(cc + 2.0 * slope * cb + slope**2 * bb, 0.0)) / self.shape


@dataclass(frozen=True, slots=True)
class TargetInterval:
    """Age at which R comes down to the target; no upper limit where that lies beyond a million days.

    `extrapolated` if it lies beyond the oldest check that the model was fitted to.
    """

    target: float
    confidence: float
    interval_days: float
    lower_days: float
    upper_days: float | None
    extrapolated: bool


def fit_exponential(ages: CensoredAges) -> ReliabilityFit:
    """λ by maximum likelihood of Σ n·ln(R(lower) − R(upper)). Raises Undetermined without both outcomes."""
    if not ages.found_out:
        raise Undetermined(f"none of {ages.items} items was found out of tolerance")
    if not (ages.lower_days > 0.0).any():
        raise Undetermined(f"all of {ages.items} items were found out of tolerance at their first check")
    return _climb(EXPONENTIAL, ages, np.array([0.0, 1.0]), free=1)


def fit_weibull(ages: CensoredAges) -> ReliabilityFit:
    """Scale and shape by maximum likelihood. Raises Undetermined where the results have no maximum with β > 0.

    It takes results at two ages at least, with a share found out of tolerance that rises from one to the other.
    """
    start = fit_exponential(ages)
    fit = _climb(WEIBULL, ages, np.array([start.c, 1.0]), free=2)
    if fit.shape <= _FLATTEST_SHAPE or fit.centre_log_days + fit.c / fit.shape > _LARGEST_LOG_DAYS:
        raise Undetermined(
            f"the share found out of tolerance does not rise with age: {fit.found_out} of {fit.items} items"
        )
    return fit


def find_target_interval(
    fit: ReliabilityFit, target: float, confidence: float = CONFIDENCE
) -> TargetInterval:
    """t = η·(−ln R*)^(1/β), with limits t·exp(±z·u(ln t)) by the delta method."""
    require_share("reliability target", target)
    require_share("confidence", confidence)
    numerator = fit.c + math.log(-math.log(target))
    log_days = fit.centre_log_days + numerator / fit.shape
    reach = float(ndtri((1.0 + confidence) / 2.0)) * fit.u_log_age(numerator)
    if log_days > math.log(LONGEST_DAYS):
        raise Undetermined(f"the model stays above {target:g} for more than {LONGEST_DAYS:g} d")
    if log_days < math.log(SHORTEST_DAYS):
        raise Undetermined(f"the model falls below {target:g} in less than {SHORTEST_DAYS:g} d")
    upper = math.exp(log_days + reach) if log_days + reach <= math.log(LONGEST_DAYS) else None
    days = math.exp(log_days)
    return TargetInterval(
        target, confidence, days, math.exp(log_days - reach), upper, extrapolated=days > fit.oldest_days
    )


def _climb(model: str, ages: CensoredAges, start: Floats, free: int) -> ReliabilityFit:
    """Newton's method with halved steps. The log-likelihood is concave in (c, β), so the summit is the only one.

    Where there is none the steps do not become small, or c and β cannot be told apart: Undetermined.
    """
    finite = np.concatenate((ages.lower_days, ages.upper_days))
    finite = finite[(finite > 0.0) & np.isfinite(finite)]
    centre = float(np.log(finite).mean())
    theta = start
    value, gradient, curvature = _find_likelihood(ages, theta, centre)
    for _ in range(_STEPS):
        information = -curvature[:free, :free]
        if not _is_determined(information):
            break
        step = np.zeros(2)
        step[:free] = np.linalg.solve(information, gradient[:free])
        size = float(np.abs(step).max())
        # Far from the summit the parabola is no guide: a step of 5 in ln H is far enough.
        step /= max(1.0, size / 5.0)
        trial = _find_likelihood(ages, theta + step, centre)
        while trial[0] < value - 1e-12 * abs(value) and np.abs(step).max() > 1e-12:
            step /= 2.0
            trial = _find_likelihood(ages, theta + step, centre)
        theta, (value, gradient, curvature) = theta + step, trial
        if size <= 1e-9 * (1.0 + float(np.abs(theta).max())):
            return _describe(model, ages, theta, centre, value, -curvature[:free, :free])
    raise Undetermined(
        f"{ages.found_out} of {ages.items} items found out of tolerance do not determine the {model} model"
    )


def _is_determined(information: Floats) -> bool:
    diagonal = np.diag(information)
    if not (np.isfinite(information).all() and (diagonal > 0.0).all()):
        return False
    root = np.sqrt(diagonal)
    return bool(np.linalg.det(information / np.outer(root, root)) > 1e-10)


def _find_likelihood(ages: CensoredAges, theta: Floats, centre: float) -> tuple[float, Floats, Floats]:
    """Log-likelihood Σ n·[−H_L + ln(1 − exp(−(H_U − H_L)))] with gradient and curvature in (c, β)."""
    n, after, until = ages.counts, ages.lower_days > 0.0, np.isfinite(ages.upper_days)
    x_low = np.log(np.where(after, ages.lower_days, 1.0)) - centre
    x_up = np.log(np.where(until, ages.upper_days, 1.0)) - centre
    h_low = np.where(after, np.exp(np.minimum(theta[1] * x_low - theta[0], _STEEPEST)), 0.0)
    h_up = np.where(until, np.exp(np.minimum(theta[1] * x_up - theta[0], _STEEPEST)), math.inf)
    width = h_up - h_low
    if not (width > 0.0).all():
        return -math.inf, np.zeros(2), np.zeros((2, 2))
    value = float(n @ (np.log(-np.expm1(-width)) - h_low))
    # q = 1/(e^D − 1) weighs both ends; an end that is not there has hazard 0 or weight 0.
    q = np.where(width < _STEEPEST, 1.0 / np.expm1(np.minimum(width, _STEEPEST)), 0.0)
    h_up = np.where(until, h_up, 0.0)
    low, up = q * h_low, q * h_up
    rows_low, rows_up = np.vstack((-np.ones_like(x_low), x_low)), np.vstack((-np.ones_like(x_up), x_up))
    gradient = rows_up @ (n * up) - rows_low @ (n * (h_low + low))
    cross = (rows_low * (n * up * (low + h_low))) @ rows_up.T
    curvature = (rows_up * (n * (up - up * (up + h_up)))) @ rows_up.T + cross + cross.T
    curvature -= (rows_low * (n * (h_low + low + low * (low + h_low)))) @ rows_low.T
    return value, gradient, curvature


def _describe(
    model: str, ages: CensoredAges, theta: Floats, centre: float, value: float, information: Floats
) -> ReliabilityFit:
    covariance = np.zeros((2, 2))
    free = information.shape[0]
    covariance[:free, :free] = np.linalg.solve(information, np.eye(free))
    (cc, cb), (_, bb) = covariance.tolist()
    finite_up = ages.upper_days[np.isfinite(ages.upper_days)]
    return ReliabilityFit(
        model=model,
        c=float(theta[0]),
        shape=float(theta[1]),
        centre_log_days=centre,
        covariance=((cc, cb), (cb, bb)),
        log_likelihood=value,
        items=ages.items,
        found_out=ages.found_out,
        oldest_days=float(max(ages.lower_days.max(), finite_up.max())),
    )
