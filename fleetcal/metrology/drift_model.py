"""The drift model: what an axle group's error does between weighings, and the arrays that describe a fleet.

Per group x = [a, G, d]: zero error, span error at full load (fractions of the group's full load R_max) and
drift rate of G (fraction per day). The error at load r·R_max is a + r·G. Over Δt days

    a += N(0, s_a²·Δt),  G += d·Δt + N(0, s_G²·Δt),  d stays,

a repair adds N(0, share·jump²) to a and G, an accepted calibration sets both to N(0, u²) and keeps d, and
d ~ N(μ, τ²) for the group's suspension type. A weighing sees y = a + r·G + e, with
var(e) = repeat_weight·repeatability² + noise. The gross of a unit is the sum of its groups, weighted by R_max.

Everywhere the axes are steps (T), groups (k), then series or units (n): the last axis always runs over the
fleet, because the loop is over steps and the arithmetic along the fleet. A stacked state holds all a, all G,
all d (D = 3k). Within a step the order is: gap, jump, reset, observation; what else happens at the same
moment is a further step with a gap of zero.
"""

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fleetcal.metrology.budget import RefusedError, require_finite, require_not_negative, require_positive

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Integers = NDArray[np.int64]

FRACTION = "of full load"


@dataclass(frozen=True, slots=True)
class HyperParameters:
    """How groups of one suspension type drift; fractions of the group's full load, days."""

    drift_mean_per_day: float
    drift_spread_per_day: float
    walk_zero_per_sqrt_day: float
    walk_span_per_sqrt_day: float
    repeatability: float
    jump_zero: float
    jump_span: float

    def __post_init__(self) -> None:
        require_finite("mean drift", self.drift_mean_per_day, f"{FRACTION} per day")
        require_positive("repeatability", self.repeatability, FRACTION)
        for name in (
            each.name for each in fields(self) if each.name not in ("drift_mean_per_day", "repeatability")
        ):
            require_not_negative(name.replace("_", " "), getattr(self, name), FRACTION)


@dataclass(frozen=True, slots=True, eq=False)
class DriftState:
    """What is known of n stacked states at one moment: mean (D × n) and covariance (D × D × n)."""

    mean: Floats
    covariance: Floats

    def __post_init__(self) -> None:
        size, count = require_shape("state's mean", self.mean, (None, None))
        require_shape("state's covariance", self.covariance, (size, size, count))
        if size == 0 or size % 3:
            raise RefusedError("state's size", size, "three for each group")
        require_all_finite("state's mean", self.mean)
        require_all_finite("state's covariance", self.covariance)


def start_states(
    parameters: Sequence[HyperParameters], kind: Integers, u_zero: ArrayLike, u_span: ArrayLike
) -> DriftState:
    """States on the day of an accepted calibration with these u (fractions; k × n, or n for series).

    a ~ N(0, u_zero²), G ~ N(0, u_span²), d ~ N(μ, τ²) of each group's kind, all independent.
    """
    kinds = np.atleast_2d(kind)
    zero, span = (np.broadcast_to(np.asarray(u, dtype=np.float64), kinds.shape) for u in (u_zero, u_span))
    require_at_least_zero("u of zero", zero, FRACTION)
    require_at_least_zero("u of span", span, FRACTION)
    groups, count = kinds.shape
    mean = np.zeros((3 * groups, count))
    mean[2 * groups :] = values_by_kind(parameters, "drift_mean_per_day", kinds)
    spread = values_by_kind(parameters, "drift_spread_per_day", kinds)
    covariance = np.zeros((3 * groups, 3 * groups, count))
    diagonal = np.arange(3 * groups)
    covariance[diagonal, diagonal] = np.concatenate((zero, span, spread)) ** 2
    return DriftState(mean, covariance)


def values_by_kind(parameters: Sequence[HyperParameters], name: str, kind: Integers) -> Floats:
    """The field `name` of each series' parameters, in the shape of `kind`."""
    if kind.dtype.kind not in "iu":
        raise RefusedError("type of kinds", str(kind.dtype), "whole numbers")
    if kind.size and (kind.min() < 0 or kind.max() >= len(parameters)):
        raise RefusedError("kind", f"{kind.min()} to {kind.max()}", f"0 to {len(parameters) - 1}")
    return np.array([getattr(each, name) for each in parameters], dtype=np.float64)[kind]


def require_shape(name: str, values: NDArray[np.generic], shape: tuple[int | None, ...]) -> tuple[int, ...]:
    """Refuse another shape; None in `shape` takes any length."""
    given = values.shape
    if len(given) != len(shape) or any(
        want not in (None, got) for want, got in zip(shape, given, strict=True)
    ):
        wanted = " × ".join("any" if each is None else str(each) for each in shape)
        raise RefusedError(f"shape of {name}", " × ".join(map(str, given)), wanted)
    return given


def require_flags(name: str, values: NDArray[np.generic], shape: tuple[int | None, ...]) -> None:
    require_shape(name, values, shape)
    if values.dtype != np.bool_:
        raise RefusedError(f"type of {name}", str(values.dtype), "bool")


def require_all_finite(name: str, values: Floats, unit: str = "") -> None:
    finite = np.isfinite(values)
    if not finite.all():
        raise RefusedError(name, float(values[~finite][0]), "finite numbers", unit)


def require_at_least_zero(name: str, values: Floats, unit: str = "") -> None:
    require_all_finite(name, values, unit)
    if values.size and values.min() < 0.0:
        raise RefusedError(name, float(values.min()), "finite numbers of at least zero", unit)
