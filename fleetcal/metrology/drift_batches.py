"""Weighings, repairs and calibrations of a whole fleet as arrays, and how one shape becomes another.

Axes and order within a step as in `drift_model`. Observation noise is var(e) = repeat_weight·repeatability²
+ noise, so that repeatability can be estimated: a mean of n drive-ons has the weight 1/n.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fleetcal.metrology.budget import RefusedError
from fleetcal.metrology.drift_model import (
    FRACTION,
    Bools,
    Floats,
    Integers,
    require_all_finite,
    require_at_least_zero,
    require_flags,
    require_shape,
)


@dataclass(frozen=True, slots=True, eq=False)
class Resets:
    """Accepted calibrations: where `at`, a and G become N(0, u_zero²) and N(0, u_span²), fractions."""

    at: Bools
    u_zero: Floats
    u_span: Floats

    def map(self, move: Callable[[NDArray[Any]], NDArray[Any]]) -> "Resets":
        """The same with every array moved by `move`."""
        return Resets(move(self.at), move(self.u_zero), move(self.u_span))

    def check(self, shape: tuple[int | None, ...]) -> None:
        require_flags("resets", self.at, shape)
        for name, u in (
            ("u of zero after a calibration", self.u_zero),
            ("u of span after a calibration", self.u_span),
        ):
            require_shape(name, u, shape)
            require_at_least_zero(name, u, FRACTION)


@dataclass(frozen=True, slots=True, eq=False)
class SeriesBatch:
    """n independent groups over T steps; every array is T × n but `kind` (n), the place of its parameters.

    `noise_variance` (fraction²) is what the weighing adds besides repeatability. Where not `observed`,
    the step only lets time pass, and the other values are not looked at beyond being finite.
    """

    kind: Integers
    gap_days: Floats
    observed: Bools
    load_ratio: Floats
    error: Floats
    repeat_weight: Floats
    noise_variance: Floats
    jump_share: Floats | None = None
    resets: Resets | None = None

    def __post_init__(self) -> None:
        shape = require_shape("gaps", self.gap_days, (None, None))
        require_shape("kinds", self.kind, shape[1:])
        require_flags("observed", self.observed, shape)
        for name, values in (("load ratios", self.load_ratio), ("errors", self.error)):
            require_shape(name, values, shape)
            require_all_finite(name, values, FRACTION)
        for name, values in (("repeatability weights", self.repeat_weight), ("noise", self.noise_variance)):
            require_shape(name, values, shape)
            require_at_least_zero(name, values)
        require_at_least_zero("gaps", self.gap_days, "days")
        require_noise(self.observed, self.repeat_weight, self.noise_variance)
        _check_events(self.jump_share, self.resets, shape)


@dataclass(frozen=True, slots=True, eq=False)
class UnitBatch:
    """n units of k groups over T steps.

    T × n: gap_days, gross_error, gross_observed. T × k × n: load_ratio, error, observed, repeat_weight,
    jump_share and resets. T × k × k × n: noise_covariance, of the ticket's groups without repeatability,
    fractions of each group's own full load. k × n: kind, full_load_kg. The gross error is a fraction of the
    sum of the full loads. A step gives groups or the gross; the gross has the noise that the sum of its groups
    would have, so that one weighing of the whole with u is an error of u which all of them share, and its
    load ratios say how the load was shared. Units with another number of groups make another batch.
    """

    kind: Integers
    full_load_kg: Floats
    gap_days: Floats
    observed: Bools
    load_ratio: Floats
    error: Floats
    repeat_weight: Floats
    noise_covariance: Floats
    gross_observed: Bools
    gross_error: Floats
    jump_share: Floats | None = None
    resets: Resets | None = None

    def __post_init__(self) -> None:
        shape = steps, groups, count = require_shape("load ratios", self.load_ratio, (None, None, None))
        require_shape("kinds", self.kind, (groups, count))
        require_shape("full loads", self.full_load_kg, (groups, count))
        require_shape("gaps", self.gap_days, (steps, count))
        require_flags("observed", self.observed, shape)
        require_flags("gross observed", self.gross_observed, (steps, count))
        require_shape("noise covariance", self.noise_covariance, (steps, groups, groups, count))
        require_shape("gross errors", self.gross_error, (steps, count))
        require_shape("errors", self.error, shape)
        require_shape("repeatability weights", self.repeat_weight, shape)
        for name, values in (
            ("load ratios", self.load_ratio),
            ("errors", self.error),
            ("gross errors", self.gross_error),
            ("noise covariance", self.noise_covariance),
        ):
            require_all_finite(name, values, FRACTION)
        require_at_least_zero("gaps", self.gap_days, "days")
        require_at_least_zero("repeatability weights", self.repeat_weight)
        if not (np.isfinite(self.full_load_kg).all() and (self.full_load_kg > 0.0).all()):
            raise RefusedError("full load", float(self.full_load_kg.min()), "above zero", "kg")
        if not np.array_equal(self.noise_covariance, self.noise_covariance.swapaxes(1, 2)):
            raise RefusedError("noise covariance", "one that is not symmetric", "a symmetric one")
        own = np.einsum("tiin->tin", self.noise_covariance)
        require_at_least_zero("noise", own)
        seen = self.observed | self.gross_observed[:, None]
        require_noise(seen, self.repeat_weight, own)
        if (self.gross_observed & self.observed.any(axis=1)).any():
            raise RefusedError("step", "both the gross and groups", "the gross or groups")
        _check_events(self.jump_share, self.resets, shape)

    @property
    def gross_weights(self) -> Floats:
        """Each group's part of the unit's full load, k × n."""
        return np.asarray(self.full_load_kg / self.full_load_kg.sum(axis=0))


def share_noise(u_own: Floats, u_shared: Floats) -> Floats:
    """Covariance T × k × k × n of tickets whose groups have own u and one error in common (T × k × n)."""
    covariance = u_shared[:, :, None] * u_shared[:, None, :]
    diagonal = np.arange(u_own.shape[1])
    covariance[:, diagonal, diagonal] += u_own**2
    return np.asarray(covariance)


def stack_series(batch: SeriesBatch) -> UnitBatch:
    """Each series as a unit of one group."""
    resets = batch.resets
    return UnitBatch(
        kind=batch.kind[None],
        full_load_kg=np.ones((1, len(batch.kind))),
        gap_days=batch.gap_days,
        observed=batch.observed[:, None],
        load_ratio=batch.load_ratio[:, None],
        error=batch.error[:, None],
        repeat_weight=batch.repeat_weight[:, None],
        noise_covariance=batch.noise_variance[:, None, None],
        gross_observed=np.zeros_like(batch.observed),
        gross_error=np.zeros_like(batch.error),
        jump_share=None if batch.jump_share is None else batch.jump_share[:, None],
        resets=None if resets is None else resets.map(lambda values: values[:, None]),
    )


def split_units(units: UnitBatch) -> SeriesBatch:
    """Every group as a series by itself, k·n series, the first groups of all units first.

    What holds only for the unit is lost: the noise that a ticket's groups share stays in each group's own
    variance, and tickets of the gross alone let time pass.
    """
    steps, groups, count = units.load_ratio.shape

    def flatten(values: NDArray[Any]) -> NDArray[Any]:
        return values.reshape(steps, groups * count)

    return SeriesBatch(
        kind=units.kind.reshape(groups * count),
        gap_days=np.tile(units.gap_days, (1, groups)),
        observed=flatten(units.observed),
        load_ratio=flatten(units.load_ratio),
        error=flatten(units.error),
        repeat_weight=flatten(units.repeat_weight),
        noise_variance=flatten(np.einsum("tiin->tin", units.noise_covariance)),
        jump_share=None if units.jump_share is None else flatten(units.jump_share),
        resets=None if units.resets is None else units.resets.map(flatten),
    )


def insert_days(units: UnitBatch, days: Floats) -> tuple[UnitBatch, Integers]:
    """The same units with a step at each of `days` since the start (m), and where it came to stand (m × n).

    The new steps only let time pass. A day at the very moment of a step comes before it, and so tells the
    state before that step's repair, calibration or ticket.
    """
    require_shape("days", days, (None,))
    require_at_least_zero("days", days, "days since the start")
    count = units.gap_days.shape[1]
    moments = np.concatenate(
        (np.broadcast_to(days[:, None], (len(days), count)), np.cumsum(units.gap_days, axis=0))
    )
    order = np.argsort(moments, axis=0, kind="stable")

    def merge(values: NDArray[Any]) -> NDArray[Any]:
        between = tuple(range(1, values.ndim - 1))
        padded = np.concatenate((np.zeros((len(days), *values.shape[1:]), values.dtype), values))
        return np.take_along_axis(padded, np.expand_dims(order, between), axis=0)

    merged = replace(
        units,
        gap_days=np.diff(np.take_along_axis(moments, order, axis=0), axis=0, prepend=0.0),
        observed=merge(units.observed),
        load_ratio=merge(units.load_ratio),
        error=merge(units.error),
        repeat_weight=merge(units.repeat_weight),
        noise_covariance=merge(units.noise_covariance),
        gross_observed=merge(units.gross_observed),
        gross_error=merge(units.gross_error),
        jump_share=None if units.jump_share is None else merge(units.jump_share),
        resets=None if units.resets is None else units.resets.map(merge),
    )
    return merged, np.argsort(order, axis=0)[: len(days)]


def require_noise(observed: Bools, repeat_weight: Floats, noise_variance: Floats) -> None:
    """Refuse an observation without any uncertainty: it would claim to know the state exactly."""
    if (observed & (repeat_weight == 0.0) & (noise_variance == 0.0)).any():
        raise RefusedError("noise of an observation", 0.0, "a repeatability weight or a noise above zero")


def _check_events(jump_share: Floats | None, resets: Resets | None, shape: tuple[int, ...]) -> None:
    if jump_share is not None:
        require_shape("jump shares", jump_share, shape)
        require_at_least_zero("jump shares", jump_share)
    if resets is not None:
        resets.check(shape)
